"""What commands print: reports and tables to the standard output, JSON where it was asked for."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from rich.console import Console

    from bench.record import TestRecord

json_option = click.option(
    "--json",
    "json_path",
    metavar="FILE",
    help="Also write the whole record as JSON to FILE; - writes it to the standard output instead of the report.",
)
budget_option = click.option("--budget", is_flag=True, help="Also show what each uncertainty is made of; with --full.")
full_option = click.option("--full", is_flag=True, help="Show everything: every value, verdict, source and run. Else fourteen lines.")
WIDEST = 100
"""A report in a wide terminal is no easier to read than at this width."""
_NARROWEST_PIPE = 80


def console(stderr: bool = False) -> Console:
    """A console that takes nothing for markup. It keeps to NO_COLOR, and to 80 columns where there is no terminal."""
    from rich.console import Console

    class _Console(Console):
        def on_broken_pipe(self) -> None:
            raise BrokenPipeError  # rich would leave with 1, which says of a unit that it is not good

    made = _Console(stderr=stderr, markup=False, highlight=False, emoji=False, soft_wrap=False)
    made.width = min(made.width, WIDEST) if made.is_terminal else _NARROWEST_PIPE
    return made


def print_report(record: TestRecord, full: bool, budget: bool, kept_in: str = "") -> None:
    """The report in a few lines, or in full; a budget belongs to the full one. `kept_in`: where the record is."""
    from bench.render.brief import brief_lines
    from bench.render.report import OUTCOME_STYLES, headline, report, report_text

    out = console()
    if full or budget:
        if out.is_terminal:
            out.print(report(record, budget))
            # What counts must not have scrolled away.
            out.print()
            out.print(headline(record))
        else:
            click.echo(report_text(record, out.width, budget), nl=False)
        return
    from rich.text import Text

    first, *rest = brief_lines(record, out.width, kept_in)
    out.print(Text(first, style=OUTCOME_STYLES[record.outcome]))
    for line in rest:
        out.print(Text(line))


def refuse_no_folder(json_path: str | None) -> None:
    """Before a test is made: a record that can't be kept would be lost."""
    if json_path not in (None, "-") and not Path(json_path).parent.is_dir():
        raise click.ClickException(f"writing the record to {json_path}: there is no folder {Path(json_path).parent}; make it first")


def deliver(record: TestRecord, json_path: str | None, full: bool, budget: bool) -> None:
    """Keep the record in a file, if it was asked for, and show it."""
    from bench.record_json import to_json
    from bench.session.keeping import write_whole

    if json_path not in (None, "-"):
        try:
            write_whole(Path(json_path), to_json(record) + "\n")
        except OSError as error:
            show_result(record, None, full, budget)
            raise click.ClickException(f"writing the record to {json_path}: {error.strerror or error}") from error
    show_result(record, json_path, full, budget)


def show_result(record: TestRecord, json_path: str | None, full: bool, budget: bool) -> None:
    """The record as it was asked for: JSON alone on the standard output, or the report. `json_path`: where it is kept."""
    from bench.record_json import to_json

    if json_path == "-":
        click.echo(to_json(record))
    else:
        print_report(record, full, budget, json_path or "")


def print_table(titles: Sequence[str], rows: Iterable[Sequence[Any]]) -> None:
    """A plain table; every cell is outside text until proven otherwise."""
    from rich.table import Table
    from rich.text import Text

    from bench.render.plain import one_line

    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="bold")
    for title in titles:
        table.add_column(title, overflow="fold")
    for row in rows:
        table.add_row(*(Text(one_line(str(cell))) for cell in row))
    console().print(table)
