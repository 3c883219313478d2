"""`makebreak units`."""

from __future__ import annotations

import click

from bench.cli.output import print_table, say


@click.command("units")
def command() -> None:
    """List the simulated units: invented ones, each behaving as its mechanism makes it.

    \b
    makebreak units
    makebreak test sim://bench-nc-2x21
    makebreak faults bench-nc-2x21      (the faults that it can have)
    """
    from bench.render.names import legend
    from bench.simboard import catalogue
    from bench.simboard.units import MECHANISM_TITLES

    entries = [catalogue.entry(name) for name in catalogue.names()]
    print_table(("name", "mechanism", "what it is"), [(e.name, e.kind, e.title) for e in entries])
    say(f"Mechanisms. {legend(MECHANISM_TITLES, [e.kind for e in entries])}.")
