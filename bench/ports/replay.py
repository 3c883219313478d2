"""A recorded stream: the container that a session writes what it received to, and a port that gives it back in virtual time.

Container, format 2. The first line is `makebreak capture 2` and a line feed. Entries follow, each of

| size | content |
|---|---|
| 1 | kind: `R` bytes received from the board, `T` bytes sent to it, `N` a note of the session (UTF-8 JSON) |
| 8 | time in s of the port's clock, IEEE 754 double, little-endian |
| 4 | length n of the payload, unsigned, little-endian, at most 2^24 |
| n | payload |
| 2 | CRC-16 of all before it in this entry (polynomial 0x1021, initial value 0xFFFF), little-endian |

Entries are only ever appended and each is flushed, so that a killed program loses at most the entry it was writing: an unfinished
entry at the end of a file is no error. A damaged one is: a capture with a changed byte is refused, never replayed.

Format 1 differs in its notes, and is read too: `session` does not hold set-up, procedure and time of the test, `board` is texts, and
`closed`, which holds what a session only knows at its end (steps left out and why, counts of the link), is missing.
"""

from __future__ import annotations

import json
import struct
from binascii import crc_hqx
from collections.abc import Iterator, Mapping
from itertools import chain
from pathlib import Path
from typing import Any, BinaryIO, NamedTuple, Protocol

from bench.ports import PortError
from bench.wire import encode_command

MAGIC = b"makebreak capture 2\n"
_OLDER = b"makebreak capture 1\n"
RECEIVED, SENT, NOTE = b"R", b"T", b"N"
_HEAD = struct.Struct("<cdI")
_CRC = struct.Struct("<H")
_LONGEST = 1 << 24
HEARTBEAT = "SYST:BEAT"
_BEAT = encode_command(HEARTBEAT)
NOT_WHOLE = "the capture is not whole"


class Entry(NamedTuple):
    """One entry of a capture: `kind` is RECEIVED, SENT or NOTE."""

    kind: bytes
    t_s: float
    payload: bytes

    @property
    def note(self) -> Mapping[str, Any]:
        """The content of a NOTE."""
        content: Mapping[str, Any] = json.loads(self.payload)
        return content


class CaptureError(Exception):
    """A capture that can't be used: which file, where, what came."""


class ByteSink(Protocol):
    """What a capture is written to: a binary file, or what stands for one."""

    def write(self, data: memoryview, /) -> int | None:
        """How many bytes it took; None is all of them."""

    def flush(self) -> object: ...


class CaptureWriter:
    """Appends entries to a binary file that is open for writing; closing it is its owner's business.

    What can't be written any more is missing from it, which `problem` says in one line, and nobody else is troubled.
    """

    def __init__(self, file: ByteSink) -> None:
        self._file = file
        self.problem = ""
        self._write(MAGIC)

    def received(self, data: bytes, t_s: float) -> None:
        self._append(RECEIVED, t_s, data)

    def sent(self, data: bytes, t_s: float) -> None:
        self._append(SENT, t_s, data)

    def note(self, content: Mapping[str, Any], t_s: float) -> None:
        self._append(NOTE, t_s, json.dumps(content, ensure_ascii=False, separators=(",", ":")).encode())

    def _append(self, kind: bytes, t_s: float, payload: bytes) -> None:
        entry = _HEAD.pack(kind, t_s, len(payload)) + payload
        self._write(entry + _CRC.pack(crc_hqx(entry, 0xFFFF)))

    def _write(self, data: bytes) -> None:
        if self.problem:
            return
        left = memoryview(data)
        try:
            while left:
                # A file without a buffer may take less than it is given.
                left = left[self._file.write(left) or len(left) :]
            self._file.flush()
        except Exception as error:
            # An unfinished entry at the end is no damage: see the container above.
            self.problem = f"{NOT_WHOLE} ({getattr(error, 'strerror', None) or error}): it ends where that happened"


def is_capture(path: str | Path) -> bool:
    """Whether the file begins as a capture does; one that can't be read does not."""
    try:
        with Path(path).open("rb") as file:
            return file.read(len(MAGIC)).startswith((MAGIC, _OLDER))
    except OSError:
        return False


def read_capture(path: str | Path) -> Iterator[Entry]:
    """The whole entries of a capture, in order and one at a time. Raises CaptureError for what is no capture or is damaged."""
    path = Path(path)
    try:
        with path.open("rb") as file:
            if not file.read(len(MAGIC)).startswith((MAGIC, _OLDER)):
                raise CaptureError(f"capture {path.name}: not a capture of format 1 or 2: it does not begin with its first line")
            yield from _entries(file, path.name)
    except OSError as error:
        raise CaptureError(f"capture {path}: can't be read: {error.strerror or error}") from error


def _entries(file: BinaryIO, name: str) -> Iterator[Entry]:
    place = len(MAGIC)
    while len(head := file.read(_HEAD.size)) == _HEAD.size:
        kind, t_s, length = _HEAD.unpack(head)
        if kind not in (RECEIVED, SENT, NOTE) or length > _LONGEST:
            raise CaptureError(f"capture {name}: damaged at byte {place}: no entry begins there")
        rest = file.read(length + _CRC.size)
        if len(rest) < length + _CRC.size:
            return
        payload, (crc,) = rest[:length], _CRC.unpack_from(rest, length)
        if crc != crc_hqx(payload, crc_hqx(head, 0xFFFF)):
            raise CaptureError(f"capture {name}: damaged at byte {place}: the check sum of the entry is wrong")
        yield Entry(kind, t_s, payload)
        place += _HEAD.size + len(rest)


class ReplayPort:
    """Plays a capture back as if the board were there: bytes come at their recorded times, and time passes by reading only.

    What is written must be what the recorded session wrote, since the board's answers are fixed: any other line raises PortError.
    Heartbeats have no answer and are left out on both sides: when they are sent hangs on how busy the computer is.
    """

    def __init__(self, path: str | Path) -> None:
        self.address = f"replay://{path}"
        try:
            entries = read_capture(path)
            first = next(entries, None)
        except CaptureError as error:
            raise PortError(str(error)) from error
        self._now_s = first.t_s if first is not None else 0.0
        everything = chain((first,) if first is not None else (), entries)
        self._entries = (e for e in everything if e.kind != NOTE and e.payload != _BEAT)
        self._advance()
        self._closed = False

    def now_s(self) -> float:
        return self._now_s

    def write(self, data: bytes) -> None:
        self._need_open("writing")
        if data == _BEAT:
            return
        if self._next is None or self._next.kind != SENT or self._next.payload != data:
            raise PortError(f"replaying {self.address}: {data!r} is not what was sent then: judge the capture instead")
        self._now_s = max(self._now_s, self._next.t_s)
        self._advance()

    def read(self, timeout_s: float) -> bytes:
        self._need_open("reading")
        if self._next is None:
            raise PortError(f"replaying {self.address}: the capture ends here")
        if self._next.kind != RECEIVED or self._next.t_s > self._now_s + timeout_s:
            self._now_s += timeout_s
            return b""
        self._now_s = max(self._now_s, self._next.t_s)
        data = self._next.payload
        self._advance()
        return data

    def close(self) -> None:
        self._closed = True

    def _advance(self) -> None:
        try:
            self._next: Entry | None = next(self._entries, None)
        except CaptureError as error:
            raise PortError(str(error)) from error

    def _need_open(self, doing: str) -> None:
        if self._closed:
            raise PortError(f"{doing} {self.address}: the port is closed")


def open_replay(address: str) -> ReplayPort:
    """The port of an address `replay://FILE`. PortError if there is no such capture."""
    return ReplayPort(address.removeprefix("replay://"))
