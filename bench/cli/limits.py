"""`makebreak limits`."""

from __future__ import annotations

from collections.abc import Iterator

import click

from bench.cli.completion import limits_offered
from bench.cli.output import console, print_table, say


@click.command("limits")
@click.argument("name", required=False, shell_complete=limits_offered)
def command(name: str | None) -> None:
    """List the limit sets by families, or show the one called NAME (a family, or the file at that path) with the source of every number.

    \b
    makebreak limits
    makebreak limits us-turn-open
    makebreak limits my-shop.toml
    """
    from bench import files
    from bench.render.limit_set import limit_set_report
    from bench.render.names import AVERAGING, capitalised, legend

    if name is None:
        sets = files.limit_sets()
        print_table(("name", "for", "flash rate", "edition"), _rows())
        rules = legend(AVERAGING, [one.averaging.rule for one in sets])
        say(f"Flash rate: how it is averaged. {capitalised(rules)}. A family is chosen as one: the set for the unit's kind judges.")
        return
    for limit_set in files.named_limits(name)[1]:
        console().print(limit_set_report(limit_set))


def _rows() -> Iterator[tuple[str, str, str, str]]:
    """Yield limit sets by what they are for, a family of several before its members."""
    from itertools import groupby

    from bench import files
    from bench.render.names import USES

    uses = list(USES)
    sets = sorted(files.limit_sets(), key=lambda one: (uses.index(one.use), one.family))
    for (use, family), found in groupby(sets, key=lambda one: (one.use, one.family)):
        if use in uses:
            uses.remove(use)
            yield f"{USES[use]}:", "", "", ""
        of_family = list(found)
        is_one = len(of_family) == 1
        if not is_one:
            yield f"  {family}", f"family of {len(of_family)} sets", "", ""
        for one in of_family:
            yield f"{'  ' if is_one else '    '}{one.name}", one.title, one.averaging.rule, one.edition
