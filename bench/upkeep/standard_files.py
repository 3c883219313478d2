"""The readings of a kept standard, one line each in a file of its name. A line is there whole or not at all."""

from __future__ import annotations

import errno
import json
import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from bench.errors import IntakeError, TableError
from bench.intake import STANDARD_MB, read_bytes
from bench.keeping import make_folder
from bench.typed_json import decode_file, encode_file, loads
from bench.upkeep.standard import StandardReading

STANDARD_FORMAT = 1
_LONGEST_NAME = 60
_LONGEST_LINE = 100_000  # a reading has 1,000 characters
_LARGEST = 1e9  # of a value or an uncertainty, in its unit: what no board reads


@dataclass(frozen=True, slots=True)
class KeptReading:
    """A kept standard as it was measured once: values by quantity with their standard uncertainties and units."""

    when: str
    board: str
    calibrated: int
    values: Mapping[str, tuple[float, float, str]]


def standard_path(folder: Path, name: str) -> Path:
    """Return where the readings of the standard of this name are kept. TableError for a name that makes no file name."""
    if not 0 < len(name) <= _LONGEST_NAME or not all(c.isalnum() or c in "-_" for c in name):
        raise TableError(f"kept standard {name!r}: a name is made of 1 to {_LONGEST_NAME} letters, digits, - and _")
    return folder / f"{name}.jsonl"


def append_standard(path: Path, entry: KeptReading) -> None:
    """Add a line at the end of the file, whole or not at all, in the place of one that was not finished. TableError if it can't be
    written."""
    line = json.dumps(encode_file(entry, STANDARD_FORMAT), allow_nan=False)
    make_folder(path.parent)
    try:
        with path.open("a+b", buffering=0) as file:
            file.seek(0)
            before = file.read()
            unfinished = _unfinished(before)
            end = len(before) - len(unfinished)
            if unfinished:  # only then: another program may have added its line since that was read
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
    """Return what to say of a last line that was never finished, because the program was killed or the disk was full; else empty."""
    try:
        found = _unfinished(read_bytes(path, STANDARD_MB))
    except IntakeError:
        return ""
    return f"the last line of {path} was never finished; it counts for nothing, and the next reading takes its place" if found else ""


def _unfinished(content: bytes) -> bytes:
    """Return what stands after the last whole line; a line whose end of line alone is missing is whole."""
    rest = content.rpartition(b"\n")[2]
    if len(rest) > _LONGEST_LINE:
        return b""  # nothing of ours: reading line by line refuses it
    try:
        loads(rest)
    except ValueError:
        return rest
    return b""


def read_standard(path: Path) -> tuple[KeptReading, ...]:
    """Return all that was kept, oldest first; nothing if there is no file yet. A last line that was not finished is left out. TableError
    for any other that can't be read."""
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
            entry = decode_file(KeptReading, loads(line), STANDARD_FORMAT)
            if not all(abs(value) <= _LARGEST and 0.0 <= u <= _LARGEST for value, u, _ in entry.values.values()):
                raise ValueError("a value or an uncertainty that no reading has")
        except ValueError as error:
            raise TableError(f"kept standard {path}, line {number}: not a line of this file ({error}); mend or remove it") from error
        entries.append(entry)
    return tuple(entries)


def entry_of(when: str, reading: StandardReading) -> KeptReading:
    """Return a reading of the standard as it is kept, made at `when` (ISO 8601)."""
    values = {name: (one.value, one.u, one.unit) for name, one in reading.values.items()}
    return KeptReading(when, reading.board, reading.calibrated, values)


def comparable(entries: tuple[KeptReading, ...]) -> tuple[KeptReading, ...]:
    """Return those that can be compared with the last: of the same board, since its last calibration."""
    if not entries:
        return ()
    last = entries[-1]
    first = len(entries) - 1
    while first > 0 and (entries[first - 1].board, entries[first - 1].calibrated) == (last.board, last.calibrated):
        first -= 1
    return entries[first:]
