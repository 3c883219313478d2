"""`makebreak limits`."""

from __future__ import annotations

import click

from bench.cli.output import console, print_table


@click.command("limits")
@click.argument("name", required=False)
def command(name: str | None) -> None:
    """List the limit sets, or show the one called NAME (or the file at that path) with the source of every number.

    \b
    makebreak limits
    makebreak limits us-turn-open
    makebreak limits my-shop.toml
    """
    from bench import files

    if name is None:
        rows = [(s.name, s.title, s.averaging.rule, s.edition) for s in files.limit_sets()]
        print_table(("name", "for", "rate", "edition"), rows)
        return
    from bench.render.limit_set import limit_set_report

    for limit_set in files.named_limits(name)[1]:
        console().print(limit_set_report(limit_set))
