"""Where a station keeps its tests: a folder for each day, a record and a capture for each test, from the test's first moment.

The record is there before anything is switched on, and says that the test was not finished, until it is. So a killed program or a
power cut leaves an honest record, and beside it what had come from the board.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from bench.record import TestRecord
from bench.record_json import to_json
from bench.session.keeping import write_whole

_LONGEST = 40


class RawFile(Protocol):
    """A file that is open for writing without a buffer; it may take less than it is given."""

    def write(self, data: bytes | memoryview, /) -> int | None: ...
    def fileno(self) -> int: ...
    def close(self) -> None: ...


class Spool:
    """A file that may fail: what can't be written any more is missing from it, which `problem` says, and nobody else is troubled."""

    def __init__(self, file: RawFile) -> None:
        self._file = file
        self.problem = ""

    def write(self, data: bytes) -> int:
        left = memoryview(data)
        while left and not self.problem:
            try:
                left = left[self._file.write(left) or 0 :]
            except OSError as error:
                self._give_up(error)
        return len(data)

    def flush(self) -> None:
        """Nothing waits."""

    def close(self) -> None:
        try:
            os.fsync(self._file.fileno())
        except OSError as error:
            self._give_up(error)
        finally:
            try:
                self._file.close()
            except OSError as error:
                self._give_up(error)

    def _give_up(self, error: OSError) -> None:
        self.problem = self.problem or f"keeping the trace: {error.strerror or error}; it ends where that happened"


@dataclass
class Place:
    """Where one test is kept. `problem` is why it is not, or not whole."""

    record_path: Path | None
    capture_path: Path | None
    spool: Spool | None
    problem: str = ""

    def keep(self, record: TestRecord) -> None:
        """Write the record over the one before."""
        if self.record_path is None:
            return
        try:
            write_whole(self.record_path, to_json(record) + "\n")
        except OSError as error:
            self.problem = f"keeping the record in {self.record_path}: {error.strerror or error}"

    def discard(self) -> None:
        """Nothing was tested: nothing is kept."""
        self.close()
        for path in (self.record_path, self.capture_path):
            if path is not None:
                path.unlink(missing_ok=True)

    def close(self) -> None:
        """The capture is whole."""
        if self.spool is not None:
            self.spool.close()
            self.problem = self.problem or self.spool.problem


def new_place(folder: Path | None, unit: str, when: str) -> Place:
    """A place for a test that begins at `when` (ISO 8601, with the local offset). Nothing is ever written over."""
    if folder is None:
        return Place(None, None, None)
    day = folder / when[:10]
    name = f"{when[11:19].replace(':', '')}-{file_name(unit)}"
    try:
        day.mkdir(parents=True, exist_ok=True)
        for number in range(1, 1000):
            stem = day / (name if number == 1 else f"{name}-{number}")
            record_path, capture_path = stem.with_name(f"{stem.name}.json"), stem.with_name(f"{stem.name}.capture")
            if record_path.exists():
                continue
            try:
                # Each piece is written at once anyway: a killed program must lose nothing.
                file = capture_path.open("xb", buffering=0)
            except FileExistsError:
                continue
            return Place(record_path, capture_path, Spool(file))
    except OSError as error:
        return Place(None, None, None, f"keeping tests in {day}: {error.strerror or error}; nothing of this test is kept")
    return Place(None, None, None, f"keeping tests in {day}: there are a thousand {name} already")


def file_name(unit: str) -> str:
    """A unit's number as part of a file name: letters, digits, - and _ stay, the rest becomes -."""
    return "".join(c if c.isascii() and (c.isalnum() or c in "-_") else "-" for c in unit)[:_LONGEST] or "unit"
