"""`makebreak parts`."""

from __future__ import annotations

from pathlib import Path

import click

from bench.cli.options import parts_option
from bench.cli.output import print_table


@click.command("parts")
@parts_option
def command(parts_folder: Path) -> None:
    """List the parts that something is kept of, and what each is said to be.

    \b
    makebreak parts
    makebreak part 4711 --rated 2x21 --terminals 3 --pilot in-step
    """
    from bench.parts import all_parts
    from bench.render.claims import claims_words
    from bench.setup import watts_text

    found = all_parts(parts_folder)
    if not found:
        print(f"Nothing is kept in the folder {parts_folder}; `makebreak part --help` says how to enter a part.")
        return
    rows = [
        (
            claims.part,
            "" if claims.system_v is None else f"{claims.system_v:g} V",
            "" if claims.rated is None else watts_text(claims.rated),
            ", ".join(claims_words(claims)),
        )
        for claims in found
    ]
    print_table(("part", "system", "rated", "said to be"), rows)
