"""`makebreak show`."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from bench.cli.options import refuse_unused
from bench.cli.output import budget_option, check_target, full_option, print_report, print_table, say
from bench.cli.streams import say_error

if TYPE_CHECKING:
    from bench.record import TestRecord


@click.command("show")
@click.argument("paths", nargs=-1, required=True, metavar="FILE|FOLDER...", type=click.Path(exists=True, path_type=Path))
@full_option
@budget_option
@click.option(
    "--flashes",
    "flashes_path",
    metavar="FILE",
    help="Write the flashes of every run one by one as CSV to FILE; - writes them to the standard output instead of the report.",
)
def command(paths: tuple[Path, ...], full: bool, budget: bool, flashes_path: str | None) -> int:
    """Show a record that was kept as JSON; the exit code is that of its result.

    Of several, or of all in a FOLDER and the folders in it: a line each, the oldest first, and counts by outcome and grade.

    \b
    makebreak test --json unit.json
    makebreak show unit.json --flashes flashes.csv
    makebreak show unit.json --budget
    makebreak show records/2031-05-06
    makebreak show returns/*.json
    """
    from bench import files
    from bench.cli.exit_codes import GOOD, USAGE, code_for

    is_one = len(paths) == 1 and not paths[0].is_dir()
    if not is_one:
        if flashes_path is not None:
            raise click.BadParameter("got several records, or a folder of them; name one record", param_hint="--flashes")
        refuse_unused(("full", "budget"), "of several records a line each is shown; name one")
        return USAGE if _show_several(_records_among(paths)) else GOOD
    if flashes_path == "-":
        refuse_unused(("full", "budget"), "--flashes - writes the flashes instead of the report")
    check_target(flashes_path, "flashes", paths)
    record = files.record(paths[0])
    if flashes_path is not None:
        _write_flashes(record, flashes_path)
        if flashes_path == "-":
            return code_for(record)
    print_report(record, full, budget, str(paths[0]))
    return code_for(record)


def _records_among(paths: Iterable[Path]) -> list[Path]:
    """Return the files, and in place of a folder all JSON files in it. UsageError for a folder without any."""
    found: list[Path] = []
    for path in paths:
        inside = sorted(path.rglob("*.json")) if path.is_dir() else [path]
        if not inside:
            raise click.UsageError(f"{path}: no record in this folder; records are files that end in .json")
        found += inside
    return list(dict.fromkeys(found))


def _show_several(paths: Sequence[Path]) -> int:
    """Print a line for each record, and one on the standard error for each that can't be shown; return how many of those."""
    from bench import files
    from bench.errors import RecordError

    records, refused = [], []
    for path in paths:
        try:
            records.append(files.record(path))
        except RecordError as error:
            refused.append(str(error))
    records.sort(key=lambda record: record.when)
    if records:
        print_table(("tested", "unit", "outcome", "grade", "why"), [_row(record) for record in records])
        say(_counts_text(records))
    for text in refused:
        say_error(f"makebreak show: {text}")
    return len(refused)


def _row(record: TestRecord) -> tuple[str, ...]:
    older = f" (format {record.older_format}: no check sum)" if record.older_format is not None else ""
    when = record.when[:16].replace("T", " ")
    return when, record.unit, record.outcome.value, record.conclusion.letter or "-", f"{record.reason}{older}"


def _counts_text(records: Sequence[TestRecord]) -> str:
    """Return how many there are of each outcome and grade: `3 records: good 2, not good 1. Grades: A (as new) 2, R (reject) 1.`"""
    from collections import Counter

    from bench.outcome import Outcome
    from bench.render.names import grade_text

    outcomes = Counter(record.outcome for record in records)
    grades = Counter(grade_text(record.conclusion.grade) or "not graded" for record in records)
    by_outcome = ", ".join(f"{outcome.value} {outcomes[outcome]}" for outcome in Outcome if outcomes[outcome])
    by_grade = ", ".join(f"{grade} {count}" for grade, count in sorted(grades.items()))
    return f"{len(records)} record{'s' if len(records) > 1 else ''}: {by_outcome}. Grades: {by_grade}."


def _write_flashes(record: TestRecord, path: str) -> None:
    from bench.keeping import write_whole
    from bench.render.flashes import flashes_csv

    if path == "-":
        print(flashes_csv(record), end="")
        return
    try:
        write_whole(Path(path), flashes_csv(record))
    except OSError as error:
        raise click.ClickException(f"writing the flashes to {path}: {error.strerror or error}") from error
