"""`makebreak part`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from bench.cli.completion import parts_offered
from bench.cli.options import CLAIMS, UNKNOWN, claim_options, parts_option
from bench.cli.output import check_target, print_table

if TYPE_CHECKING:
    from bench.claims import Claims


@click.command("part")
@click.argument("number", shell_complete=parts_offered)
@claim_options
@parts_option
def command(number: str, parts_folder: Path, **said: Any) -> None:
    """Show what the part NUMBER is said to be, or say it: once, for every unit of that part.

    What is said here is kept in a file of its own in the folder `parts`, beside what was said before. `makebreak test --part NUMBER` then
    takes rated load and system from it, and judges what such a unit must show: its tell-tale, its outage signal, other loads.

    \b
    makebreak part 4711 --rated 2x21 --system 12 --load fixed --terminals 3 --pilot in-step --pilot-lamp-out dead --outage yes
    makebreak part 4711
    makebreak part 4711 --pilot-lamp-out unknown
    makebreak test auto --unit 1 --part 4711
    """
    from dataclasses import replace

    from bench.claims import Claims
    from bench.keeping import make_folder
    from bench.parts import has_part, keep_part, part_number, part_path, read_part

    given = {CLAIMS[name].field: CLAIMS[name].value(text) for name, text in said.items() if text is not None}
    if not given:
        _show(read_part(parts_folder, number), part_path(parts_folder, part_number(number)))
        return
    before = read_part(parts_folder, number) if has_part(parts_folder, number) else Claims(part=part_number(number))
    claims = replace(before, **given)
    make_folder(parts_folder)
    check_target(str(part_path(parts_folder, claims.part)), "part")
    _show(claims, keep_part(parts_folder, claims))


def _show(claims: Claims, path: Path) -> None:
    from bench import files
    from bench.claims import claims_set
    from bench.plain import one_line
    from bench.render.claims import claims_words
    from bench.setup import watts_text

    judged = claims_set(claims, files.limit_sets()[0].averaging)
    rows = [
        ("system", UNKNOWN if claims.system_v is None else f"{claims.system_v:g} V"),
        ("rated load", UNKNOWN if claims.rated is None else watts_text(claims.rated)),
        ("said to be", ", ".join(claims_words(claims)) or UNKNOWN),
        ("so it is judged", "; ".join(one.title for one in judged.requirements) if judged is not None else "by the limit sets alone"),
        ("kept in", str(path)),
    ]
    print_table(("part", one_line(claims.part)), rows)
