"""`makebreak show`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from bench.cli.options import refuse_unused
from bench.cli.output import budget_option, check_target, full_option, print_report, print_table
from bench.cli.streams import say_error

if TYPE_CHECKING:
    from bench.record import TestRecord


@click.command("show")
@click.argument("paths", nargs=-1, required=True, metavar="FILE...", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@full_option
@budget_option
@click.option(
    "--flashes", "flashes_path", metavar="FILE",
    help="Write the flashes of every run one by one as CSV to FILE; - writes them to the standard output instead of the report.",
)  # fmt: skip
def command(paths: tuple[Path, ...], full: bool, budget: bool, flashes_path: str | None) -> int:
    """Show a record that was kept as JSON; the exit code is that of its result. Of several, a line for each.

    \b
    makebreak test --json unit.json
    makebreak show unit.json --flashes flashes.csv
    makebreak show unit.json --budget
    makebreak show returns/*.json
    """
    from bench.cli.exit_codes import GOOD, USAGE, code_for

    if flashes_path is not None and len(paths) > 1:
        raise click.BadParameter(f"got {len(paths)} records; name one", param_hint="--flashes")
    if len(paths) > 1:
        refuse_unused(("full", "budget"), "of several records a line each is shown; name one")
    if flashes_path == "-":
        refuse_unused(("full", "budget"), "--flashes - writes the flashes instead of the report")
    check_target(flashes_path, "flashes", paths)
    if len(paths) > 1:
        return USAGE if _show_several(paths) else GOOD
    record = _record(paths[0])
    if flashes_path is not None:
        _write_flashes(record, flashes_path)
        if flashes_path == "-":
            return code_for(record)
    print_report(record, full, budget, str(paths[0]))
    return code_for(record)


def _show_several(paths: tuple[Path, ...]) -> int:
    """Print a line for each record, and one on the standard error for each that can't be shown; return how many of those."""
    from bench.errors import RecordError

    rows, refused = [], []
    for path in paths:
        try:
            record = _record(path)
        except RecordError as error:
            refused.append(str(error))
            continue
        older = f" (format {record.older_format}: no check sum)" if record.older_format is not None else ""
        rows.append((record.unit, record.outcome.value, record.conclusion.letter or "-", f"{record.reason}{older}"))
    print_table(("unit", "outcome", "grade", "why"), rows)
    for text in refused:
        say_error(f"makebreak show: {text}")
    return len(refused)


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


def _record(path: Path) -> TestRecord:
    from bench.errors import IntakeError, RecordError
    from bench.intake import RECORD_MB, read_json_text
    from bench.record_json import from_json

    try:
        text = read_json_text(path, RECORD_MB)
    except IntakeError as error:
        raise RecordError(f"reading {path}: {error}") from error
    return from_json(text, str(path))
