"""The tests of a day as they are kept on disk: what a screen that was started again has forgotten."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from pathlib import Path

from bench import files
from bench.errors import RecordError
from bench.station import PRACTICE
from bench.tui.state import Tested


def today() -> str:
    """The day as the folders of the tests are named: `2026-11-25`, in local time."""
    return datetime.now().astimezone().date().isoformat()


def tests_of(folder: Path, day: str, given_up: Callable[[], bool] = lambda: False) -> tuple[list[Tested], str]:
    """Return the tests kept below `folder` on this day, real and practice, in order of time; and a line on the records that can't be read,
    empty if all can. `given_up` is asked between records: a screen that ends waits for no more of them."""
    found, unread = [], []
    for path in sorted(path for place in (folder / day, folder / PRACTICE / day) for path in place.glob("*.json")):
        if given_up():
            break
        try:
            record = files.record(path)
        except RecordError:
            unread.append(path.name)
            continue
        capture = path.with_suffix(".capture")
        found.append(Tested(record, path, capture if capture.exists() else None))
    return sorted(found, key=lambda tested: tested.record.when), _unread_line(unread)


def _unread_line(names: list[str]) -> str:
    if not names:
        return ""
    more = ", ..." if len(names) > 1 else ""
    return f"{len(names)} {'record' if len(names) == 1 else 'records'} of today can't be read ({names[0]}{more}): not counted here."
