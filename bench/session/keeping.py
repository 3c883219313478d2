"""Files that a bench keeps of itself: calibrations, one file each, and the readings of a kept standard, one line each.

Nothing that was written is ever written over.
"""

from __future__ import annotations

import json
import math
import os
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from bench.intake import STANDARD_MB, IntakeError, read_json_text
from bench.session.calibrate import Calibration
from bench.table import TableError
from bench.uncertainty import Estimate

CALIBRATION_FORMAT = 1
STANDARD_FORMAT = 1
_LONGEST_NAME = 60


@dataclass(frozen=True, slots=True)
class Entry:
    """A kept standard as it was measured once: values by quantity with their standard uncertainties and units."""

    when: str
    board: str
    calibrated: int
    values: Mapping[str, tuple[float, float, str]]


def write_whole(path: Path, text: str) -> None:
    """The whole text or nothing: a full disk or a kill leaves what stood there before, never half a record."""
    part = path.with_name(f"{path.name}.part")
    try:
        with part.open("w", encoding="utf-8") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        part.replace(path)
    finally:
        part.unlink(missing_ok=True)


def make_folder(folder: Path) -> None:
    """See that the folder is there, before any work is done whose result could not be kept. TableError if it can't be had."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise TableError(f"keeping files in {folder}: {error.strerror or error}; name a folder that can be written") from error


def keep_calibration(folder: Path, calibration: Calibration, stored: bool, when: str, software: str) -> Path:
    """A new file in `folder`, named for the board's serial number and the time. TableError if it can't be written."""
    serial = "".join(c for c in calibration.board.split(",")[2] if c.isalnum())
    stamp = "".join(c for c in when[:19] if c.isalnum())
    path = folder / f"{serial}-{stamp}.json"
    content: dict[str, Any] = {"schema": "makebreak-calibration-1", "format": CALIBRATION_FORMAT, "when": when, "software": software}
    content |= {"stored_in_board": stored, **_plain(asdict(calibration))}
    make_folder(folder)
    try:
        with path.open("x", encoding="ascii") as file:
            file.write(json.dumps(content, indent=2, allow_nan=False) + "\n")
    except OSError as error:
        raise TableError(f"keeping the calibration in {path}: {error.strerror or error}; name a folder that can be written") from error
    return path


def _plain(value: Any) -> Any:
    """As JSON has it: an uncertainty that could not be had is null."""
    if isinstance(value, dict):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    return None if isinstance(value, float) and value in (float("inf"), float("-inf")) else value


def standard_path(folder: Path, name: str) -> Path:
    """Where the readings of the standard of this name are kept. TableError for a name that makes no file name."""
    if not 0 < len(name) <= _LONGEST_NAME or not all(c.isalnum() or c in "-_" for c in name):
        raise TableError(f"kept standard {name!r}: a name is made of 1 to {_LONGEST_NAME} letters, digits, - and _")
    return folder / f"{name}.jsonl"


def append_standard(path: Path, entry: Entry) -> None:
    """One more line at the end of the file. TableError if it can't be written."""
    line = json.dumps({"format": STANDARD_FORMAT, **asdict(entry)}, allow_nan=False)
    make_folder(path.parent)
    try:
        with path.open("a", encoding="ascii") as file:
            file.write(line + "\n")
    except OSError as error:
        raise TableError(f"keeping the standard in {path}: {error.strerror or error}; name a folder that can be written") from error


def read_standard(path: Path) -> tuple[Entry, ...]:
    """All that was kept, oldest first; nothing if there is no file yet. TableError for a line that can't be read."""
    if not path.exists():
        return ()
    entries = []
    try:
        lines = read_json_text(path, STANDARD_MB).splitlines()
    except IntakeError as error:
        raise TableError(f"kept standard {path}: cannot be read: {error}") from error
    for number, line in enumerate(lines, 1):
        try:
            content = json.loads(line)
            if content["format"] != STANDARD_FORMAT:
                raise ValueError(f"format {content['format']}, this version reads {STANDARD_FORMAT}")
            values = {name: (float(value), float(u), str(unit)) for name, (value, u, unit) in content["values"].items()}
            if not all(math.isfinite(number) for value, u, _ in values.values() for number in (value, u)):
                raise ValueError("a value that is no finite number")
            entries.append(Entry(str(content["when"]), str(content["board"]), int(content["calibrated"]), values))
        except (ValueError, KeyError, TypeError, AttributeError, OverflowError, RecursionError) as error:
            raise TableError(f"kept standard {path}, line {number}: not a line of this file ({error}); mend or remove it") from error
    return tuple(entries)


def entry_of(when: str, board: str, calibrated: int, found: Mapping[str, Estimate]) -> Entry:
    return Entry(when, board, calibrated, {name: (one.value, one.u, one.unit) for name, one in found.items()})


def comparable(entries: tuple[Entry, ...]) -> tuple[Entry, ...]:
    """Those that can be compared with the last: of the same board, since its last calibration."""
    if not entries:
        return ()
    last = entries[-1]
    first = len(entries) - 1
    while first > 0 and (entries[first - 1].board, entries[first - 1].calibrated) == (last.board, last.calibrated):
        first -= 1
    return entries[first:]
