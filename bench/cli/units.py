"""`makebreak units`."""

from __future__ import annotations

import click

from bench.cli.output import print_table


@click.command("units")
def command() -> None:
    """List the simulated units: invented ones, each behaving as its mechanism makes it.

    \b
    makebreak units
    makebreak test sim://bench-nc-2x21
    """
    from bench.simboard import catalogue

    entries = [catalogue.entry(name) for name in catalogue.names()]
    print_table(("name", "mechanism", "what it is"), [(e.name, e.kind, e.title) for e in entries])
