"""What commands print: reports and tables to the standard output, JSON where it was asked for."""

from __future__ import annotations

import os
import shutil
import stat
import sys
import tempfile
import unicodedata
from collections.abc import Collection, Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from bench.cli.options import refuse_unused
from bench.cli.streams import bare
from bench.intake import kind_of

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
WIDEST = 120
"""Columns of a report: in a wider terminal it is no easier to read. Tables of lists are as wide as the terminal."""
_LONGEST_NAME = 200  # bytes of a file's name: a file system takes 255, and a temporary file has a longer one


def console(widest: int | None = None) -> Console:
    """Return a console that takes nothing for markup, and lets no text reach the terminal that it might obey.

    It keeps to NO_COLOR and COLUMNS; where there is no terminal it has 80 columns.
    """
    from rich.console import Console, ConsoleOptions, RenderableType
    from rich.segment import Segment

    from bench.plain import plain_text

    class _Console(Console):
        def render(self, renderable: RenderableType, options: ConsoleOptions | None = None) -> Iterable[Segment]:
            for segment in super().render(renderable, options):
                yield segment if segment.control else Segment(plain_text(segment.text), segment.style)

    made = _Console(file=bare(sys.stdout), markup=False, highlight=False, emoji=False, soft_wrap=False)
    columns = shutil.get_terminal_size().columns
    made.width = columns if widest is None else min(columns, widest)
    return made


def print_report(record: TestRecord, full: bool, budget: bool, kept_in: str = "") -> None:
    """Print the report in a few lines, or in full; a budget belongs to the full one. `kept_in`: where the record is."""
    from bench.render.brief import brief_lines
    from bench.render.report import OUTCOME_STYLES, headline, report, report_text

    out = console(WIDEST)
    if full or budget:
        if out.is_terminal:
            out.print(report(record, budget))
            # What counts must not have scrolled away.
            out.print()
            out.print(headline(record))
        else:
            print(report_text(record, out.width, budget), end="")
        return
    from rich.text import Text

    first, *rest = brief_lines(record, out.width, kept_in)
    out.print(Text(first, style=OUTCOME_STYLES[record.outcome]))
    for line in rest:
        out.print(Text(line))


def refuse_with_json_alone(json_path: str | None) -> None:
    """Raise UsageError for what belongs to the report, where JSON is written instead of it."""
    if json_path == "-":
        refuse_unused(("full", "budget"), "--json - writes the whole record instead of the report")


def check_target(path: str | None, what: str, besides: Sequence[Path] = ()) -> None:
    """See that FILE can be written (`-` is the standard output), before any work is done: what can't be kept would be lost.

    A link, a device, a pipe or a folder is never replaced, nor is any of `besides`, which the same command reads or writes.
    """
    if path == "-" and getattr(sys.stdout, "name", "") == os.devnull:  # as `main` opens it in place of one that was closed
        raise click.ClickException(f"writing the {what} to the standard output: it is closed; name a file")
    if path in (None, "-"):
        return
    target = Path(path)
    doing = f"writing the {what} to {path}"
    try:
        if not target.name or len(os.fsencode(target.name)) > _LONGEST_NAME:
            raise click.ClickException(f"{doing}: a file's name has 1 to {_LONGEST_NAME} bytes")
        if not target.parent.is_dir():
            raise click.ClickException(f"{doing}: there is no folder {target.parent}; make it first")
        _check_replaceable(target, doing)
        if any(_is_same(target, other) for other in besides):
            raise click.ClickException(f"{doing}: this command reads or writes that file itself; name another")
        _try_to_write(target.parent)
    except OSError as error:
        raise click.ClickException(f"{doing}: {error.strerror or error}; name a file that can be written") from error
    except ValueError as error:
        raise click.ClickException(f"{doing}: no file can have this name") from error


def check_folder(folder: Path) -> None:
    """See that files can be written into this folder, before any work is done whose result is to be kept there."""
    try:
        _try_to_write(folder)
    except OSError as error:
        raise click.ClickException(f"keeping files in {folder}: {error.strerror or error}; name a folder that can be written") from error


def paths_among(*names: str | None) -> tuple[Path, ...]:
    """Return those of the names of limit sets, procedures and so on that are paths of files."""
    from bench.files import is_path

    return tuple(Path(name) for name in names if name is not None and is_path(name))


def _check_replaceable(target: Path, doing: str) -> None:
    try:
        mode = target.lstat().st_mode
    except FileNotFoundError:
        return
    kind = "a symbolic link" if stat.S_ISLNK(mode) else kind_of(mode)
    if kind:
        raise click.ClickException(f"{doing}: it is {kind}, which is not replaced; name a file, or - for the standard output")
    if not os.access(target, os.W_OK):
        raise click.ClickException(f"{doing}: it may not be written over; name another")


def _is_same(one: Path, other: Path) -> bool:
    """Return whether both are one file, by whatever way they are named, there or not yet."""
    try:
        return one.samefile(other)
    except FileNotFoundError:
        names = [unicodedata.normalize("NFC", path.name).casefold() for path in (one, other)]
        return names[0] == names[1] and one.parent.resolve() == other.parent.resolve()


def _try_to_write(folder: Path) -> None:
    with tempfile.NamedTemporaryFile(dir=folder, prefix=".makebreak-"):
        pass


def deliver(record: TestRecord, json_path: str | None, full: bool, budget: bool) -> None:
    """Keep the record in a file, if it was asked for, and show it."""
    from bench.keeping import write_whole
    from bench.record_json import to_json

    if json_path not in (None, "-"):
        try:
            write_whole(Path(json_path), to_json(record) + "\n")
        except OSError as error:
            show_result(record, None, full, budget)
            raise click.ClickException(f"writing the record to {json_path}: {error.strerror or error}") from error
    show_result(record, json_path, full, budget)


def show_result(record: TestRecord, json_path: str | None, full: bool, budget: bool) -> None:
    """Print the record as it was asked for: JSON alone on the standard output, or the report. `json_path`: where it is kept."""
    from bench.record_json import to_json

    if json_path == "-":
        print(to_json(record))
    else:
        print_report(record, full, budget, json_path or "")


def print_table(titles: Sequence[str], rows: Iterable[Sequence[Any]], numbers: Collection[str] = ()) -> None:
    """Print a table as wide as the terminal, its first column unbroken.

    Every cell is outside text until proven otherwise. Blanks that begin a cell indent it.
    """
    from rich.padding import Padding
    from rich.text import Text

    from bench.plain import one_line
    from bench.render.tables import table

    made = table(*titles, numbers=numbers, whole=titles[:1])
    for row in rows:
        texts = [str(cell) for cell in row]
        made.add_row(*(Padding(Text(one_line(text)), (0, 0, 0, len(text) - len(text.lstrip(" ")))) for text in texts))
    console().print(made)


def say(text: str) -> None:
    """Print a paragraph below a table."""
    from rich.text import Text

    from bench.plain import one_line

    console(WIDEST).print(Text(one_line(text)))
