"""`makebreak show`."""

from __future__ import annotations

from pathlib import Path

import click

from bench.cli.output import budget_option, print_report


@click.command("show")
@click.argument("path", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@budget_option
def command(path: Path, budget: bool) -> int:
    """Show a record that was kept as JSON; the exit code is that of its result.

    \b
    makebreak test --json unit.json
    makebreak show unit.json --budget
    """
    from bench.cli.exit_codes import code_for
    from bench.record_json import RecordError, from_json

    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise RecordError(f"reading {path}: {error}") from error
    record = from_json(text, str(path))
    print_report(record, budget)
    return code_for(record)
