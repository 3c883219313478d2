"""`makebreak units`."""

from __future__ import annotations

import click

from bench.cli.output import print_table


@click.command("units")
def command() -> None:
    """List the simulated units: invented ones, each behaving as its mechanism makes it.

    \b
    makebreak units
    makebreak test sim://NAME
    """
    from bench.simboard import catalogue

    print_table(("name", "mechanism", "what it is"), [(u.name, u.mechanism, u.text) for u in map(catalogue.unit, catalogue.names())])
