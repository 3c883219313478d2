"""Files that a bench keeps of itself: calibrations, one file each, and the readings of a kept standard, one line each.

Whatever is written is there whole or not at all, whether the disk is full or the program is killed.
"""

from __future__ import annotations

import contextlib
import errno
import json
import math
import os
import re
import secrets
import time
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from bench.intake import STANDARD_MB, IntakeError, read_bytes
from bench.session.calibrate import Calibration
from bench.table import TableError
from bench.uncertainty import Estimate

CALIBRATION_FORMAT = 1
STANDARD_FORMAT = 1
_LONGEST_NAME = 60
_LONGEST_LINE = 100_000  # a reading has 1,000 characters
_STORED = "stored_in_board"
_PART = re.compile(r"\.[0-9a-f]{16}\.part")
_LEFT_S = 3600.0  # a part is written in seconds: one so old was left by a program that was killed meanwhile


@dataclass(frozen=True, slots=True)
class Entry:
    """A kept standard as it was measured once: values by quantity with their standard uncertainties and units."""

    when: str
    board: str
    calibrated: int
    values: Mapping[str, tuple[float, float, str]]


def write_whole(path: Path, content: str | bytes) -> None:
    """The whole content or nothing: a full disk or a kill leaves what stood there before, never half a record.

    OSError if it can't be written, also where something stands that is no ordinary file: a device, a folder, a symbolic link. A hidden part
    that a kill may leave is removed by a later write in the same folder.
    """
    if path.is_symlink():
        raise OSError("it is a symbolic link, which would be replaced; name the file that it leads to")
    if path.exists() and not path.is_file():
        raise OSError("it is no ordinary file; name one, or one that is not there yet")
    _clear_parts(path.parent)
    part = path.with_name(f".{secrets.token_hex(8)}.part")
    try:
        _write_new(part, content)
        part.replace(path)
    except BaseException:
        part.unlink(missing_ok=True)
        raise


def _clear_parts(folder: Path) -> None:
    """Remove what killed programs have left of files that they were writing in this folder; what can't be removed stays, without a word."""
    with contextlib.suppress(OSError), os.scandir(folder) as entries:
        for entry in entries:
            if _PART.fullmatch(entry.name) and entry.is_file(follow_symlinks=False):
                with contextlib.suppress(OSError):
                    if time.time() - entry.stat(follow_symlinks=False).st_mtime > _LEFT_S:
                        os.unlink(entry.path)


def _write_new(path: Path, content: str | bytes) -> None:
    """A file that was not there before, on the disk when this returns."""
    with path.open("xb") as file:
        file.write(content.encode() if isinstance(content, str) else content)
        file.flush()
        os.fsync(file.fileno())


def make_folder(folder: Path) -> None:
    """See that the folder is there, before any work is done whose result could not be kept. TableError if it can't be had."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise TableError(f"keeping files in {folder}: {error.strerror or error}; name a folder that can be written") from error


def keep_calibration(folder: Path, calibration: Calibration, when: str, software: str) -> Path:
    """A new file in `folder`, named for the board's serial number and the time, which says that the board has nothing of it yet.
    TableError if it can't be written."""
    serial = "".join(c for c in calibration.board.split(",")[2] if c.isalnum())
    stamp = "".join(c for c in when[:19] if c.isalnum())
    path = folder / f"{serial}-{stamp}.json"
    content: dict[str, Any] = {"schema": "makebreak-calibration-1", "format": CALIBRATION_FORMAT, "when": when, "software": software}
    content |= {_STORED: False, **_plain(asdict(calibration))}
    make_folder(folder)
    try:
        _write_new(path, json.dumps(content, indent=2, allow_nan=False) + "\n")
    except FileExistsError as error:
        raise TableError(f"keeping the calibration in {path}: there is one already") from error
    except OSError as error:
        path.unlink(missing_ok=True)
        raise TableError(f"keeping the calibration in {path}: {error.strerror or error}; name a folder that can be written") from error
    return path


def mark_stored(path: Path) -> None:
    """Have the file of a calibration say that the board has it. TableError if that can't be written.

    In place and no longer than before, so that a full disk can't prevent it.
    """
    no, yes = (f'"{_STORED}": {word}'.encode() for word in ("false", "true "))
    try:
        with path.open("r+b", buffering=0) as file:
            file.seek(file.read().index(no))
            file.write(yes)
            os.fsync(file.fileno())
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or error
        raise TableError(f"noting in {path} that the board has stored it: {why}; it has all the same") from error


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
    """One more line at the end of the file, whole or not at all, in the place of one that was not finished. TableError if it can't be
    written."""
    line = json.dumps({"format": STANDARD_FORMAT, **asdict(entry)}, allow_nan=False)
    make_folder(path.parent)
    try:
        with path.open("a+b", buffering=0) as file:
            file.seek(0)
            before = file.read()
            end = len(before) - len(_unfinished(before))
            file.truncate(end)
            try:
                data = f"{line}\n".encode("ascii")
                if end and before[end - 1] != ord("\n"):
                    data = b"\n" + data
                if file.write(data) != len(data):
                    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
                os.fsync(file.fileno())
            except BaseException:
                file.truncate(end)
                raise
    except OSError as error:
        raise TableError(f"keeping the standard in {path}: {error.strerror or error}; name a folder that can be written") from error


def unfinished_line(path: Path) -> str:
    """What to say of a last line that was never finished, because the program was killed or the disk was full; else empty."""
    try:
        found = _unfinished(path.read_bytes())
    except OSError:
        return ""
    return f"the last line of {path} was never finished; it counts for nothing, and the next reading takes its place" if found else ""


def _unfinished(content: bytes) -> bytes:
    """What stands after the last whole line; a line whose end of line alone is missing is whole."""
    rest = content.rpartition(b"\n")[2]
    if len(rest) > _LONGEST_LINE:
        return b""  # nothing of ours: for whoever reads line by line
    try:
        json.loads(rest)
    except (ValueError, RecursionError):
        return rest
    return b""


def read_standard(path: Path) -> tuple[Entry, ...]:
    """All that was kept, oldest first; nothing if there is no file yet. A last line that was not finished is left out. TableError for any
    other that can't be read."""
    if not path.exists():
        return ()
    entries = []
    try:
        content = read_bytes(path, STANDARD_MB)
        lines = content.removesuffix(_unfinished(content)).decode("utf-8-sig").splitlines()
    except (IntakeError, UnicodeDecodeError) as error:
        raise TableError(f"kept standard {path}: cannot be read: {error}") from error
    for number, line in enumerate(lines, 1):
        try:
            if len(line) > _LONGEST_LINE:
                raise ValueError(f"{len(line)} characters, at most {_LONGEST_LINE}")
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
