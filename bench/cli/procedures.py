"""`makebreak procedures`."""

from __future__ import annotations

import click

from bench.cli.completion import names_of
from bench.cli.output import console, print_table


@click.command("procedures")
@click.argument("name", required=False, shell_complete=names_of("procedures"))
def command(name: str | None) -> None:
    """List the procedures, or show the steps of the one called NAME (or of the file at that path).

    \b
    makebreak procedures
    makebreak procedures full
    """
    from bench import files

    if name is None:
        print_table(("name", "what it does"), [(n, files.procedure(n).title) for n in files.shipped("procedures")])
        return
    from bench.plain import one_line
    from bench.render.steps import step_text

    procedure = files.procedure(name)
    console().print(one_line(procedure.title), style="bold")
    console().print(one_line(procedure.text))
    print_table(("step", "what", "how"), [(step.name, step.title, step_text(step)) for step in procedure.steps])
