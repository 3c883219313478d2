"""Where one test is kept from its first moment: its record, and a capture of what the board sent.

The record is there before anything is switched on, and says that the test was not finished, until it is. So a killed program or a power
cut leaves an honest record. Blanks at its end keep room for the one that follows: a disk that fills up meanwhile, with the capture or
with something else, can still take it.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import BinaryIO

from bench.keeping import write_whole
from bench.ports.replay import NOT_WHOLE
from bench.record import TestRecord
from bench.record_json import to_json

ROOM_BYTES = 1 << 19
"""A record of a hundred flashes takes 200 kB."""


@dataclass
class KeptTest:
    """`record_path`, `capture_path`: None where that is not kept, or can't be. `capture`: the open file of the capture, new and without a
    buffer, or a killed program would lose what waits in it. `problem` is why something is not kept, or not whole."""

    record_path: Path | None = None
    capture_path: Path | None = None
    capture: BinaryIO | None = None
    problem: str = ""
    _before: bytes | None = field(default=None, repr=False)
    _is_begun: bool = field(default=False, repr=False)

    def begin(self, record: TestRecord) -> None:
        """Keep this record, and room for a better one. What stood there before is written over."""

        def write(path: Path) -> None:
            self._before = path.read_bytes() if path.is_file() else None
            text = to_json(record) + "\n"
            write_whole(path, text + " " * (ROOM_BYTES - len(text)))
            self._is_begun = True

        self._keep(write)
        if self.capture_path is not None and self.capture is None:
            try:
                self.capture = self.capture_path.open("xb", buffering=0)
            except OSError as error:
                why = f"{error.strerror or error}; name a file that is not there yet"
                self.problem = self.problem or f"keeping the capture in {self.capture_path}: {why}"
                self.capture_path = None

    def finish(self, record: TestRecord) -> TestRecord:
        """Keep the record of the whole test, in the room that was kept for it; returned as it is kept."""
        problem = self._close_capture()
        if problem and not any(note.startswith(NOT_WHOLE) for note in record.notes):
            record = replace(record, notes=(*record.notes, problem))

        def write(path: Path) -> None:
            text = to_json(record) + "\n"
            try:
                write_whole(path, text)
            except OSError:
                _give_room(path)
                write_whole(path, text)

        if self.record_path is not None:
            self.problem = next((note for note in record.notes if note.startswith(NOT_WHOLE)), "")
            if not self._keep(write):
                self.record_path = None
        return record

    def discard(self) -> None:
        """Nothing was tested: what was kept of it goes, and what stood there before comes back."""
        self._close_capture()
        if self.capture_path is not None:
            self.capture_path.unlink(missing_ok=True)
        before = self._before

        def put_back(path: Path) -> None:
            if before is None:
                path.unlink(missing_ok=True)
            else:
                _give_room(path)
                write_whole(path, before)

        if self._is_begun:
            self._keep(put_back)

    def _keep(self, write: Callable[[Path], None]) -> bool:
        """Write to the disk; return False, and say why in `problem`, if that can't be done."""
        if self.record_path is None:
            return False
        try:
            write(self.record_path)
        except OSError as error:
            self.problem = f"keeping the record in {self.record_path}: {error.strerror or error}"
            return False
        return True

    def _close_capture(self) -> str:
        """Return why it is not whole, if it can't be known to be on the disk."""
        file, self.capture = self.capture, None
        if file is None:
            return ""
        try:
            with file:
                os.fsync(file.fileno())
        except OSError as error:
            return f"{NOT_WHOLE} ({error.strerror or error}): its end may be missing"
        return ""


def _give_room(path: Path) -> None:
    """Cut off the blanks that kept room."""
    with contextlib.suppress(OSError), path.open("r+b") as file:
        size = len(file.read().rstrip())
        file.truncate(size + 1)
