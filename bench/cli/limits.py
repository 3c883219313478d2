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
    chosen, sets = files.named_limits(name)
    shown = [s for s in sets if chosen in (s.name, s.family)]
    if not shown:
        from bench.table import TableError

        raise TableError(f"limit set {name}: no such name; `makebreak limits` lists them, or give the path of a .toml file")
    from bench.render.limit_set import limit_set_report

    for limit_set in shown:
        console().print(limit_set_report(limit_set))
