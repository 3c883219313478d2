"""`makebreak faults`."""

from __future__ import annotations

import click

from bench.cli.output import print_table


@click.command("faults")
def command() -> None:
    """List the faults that a simulated bench can have: in the unit, at the bench, in the board, on the link.

    \b
    makebreak test "sim://bench-nc-2x21?fault=contact-burnt"
    makebreak test "sim://bench-nc-2x21?fault=lamp-dead,bytes-lost"
    """
    from bench.simboard.faults import FAULTS
    from bench.simboard.hidden import RIG_FAULTS
    from bench.simboard.link import LINK_FAULTS

    rows: list[tuple[str, str, str, str]] = [(f.name, f.side, f.title, f.see) for f in FAULTS.values()]
    rows += [(f.name, "board", f.text, "") for f in RIG_FAULTS.values()]
    rows += [(f.name, "link", f.text, "") for f in LINK_FAULTS.values()]
    print_table(("name", "of", "what is wrong", "what one should see"), rows)
