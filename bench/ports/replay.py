"""A recorded stream: the container that a session writes what it received to, and a port that gives it back in virtual time.

Container, format 3. The first line is `makebreak capture 3` and a line feed. Entries follow, each of

| size | content |
|---|---|
| 1 | kind: `R` bytes received from the board, `T` bytes sent to it, `N` a note of the session (UTF-8 JSON) |
| 8 | time in s of the port's clock, IEEE 754 double, little-endian |
| 4 | length n of the payload, unsigned, little-endian, at most 2^24, of a note 2^20 |
| 2 | CRC-16 of the 13 bytes before it (polynomial 0x1021, initial value 0xFFFF), little-endian |
| n | payload |
| 2 | CRC-16 of all before it in this entry, little-endian |

Times never go back. Entries are only ever appended and each is flushed, so that a killed program loses at most the entry it was writing:
an unfinished entry at the end of a file is no error. A damaged one is: a capture with a changed byte is refused, never replayed. The first
CRC tells the two apart: a length that reaches beyond the end of the file is to be believed only if nothing changed it.

Formats 1 and 2 have no first CRC, and are read too. There an entry that reaches beyond the end is damaged if what is left of the file is
the whole of it by its CRC, were its length another, or if another entry begins in it. Format 1 also differs in its notes: `session` does
not hold set-up, procedure and time of the test, `board` is texts, and `closed` is missing. The notes: `bench.judging.capture_notes`.
"""

from __future__ import annotations

import contextlib
import json
import math
import re
import struct
from binascii import crc_hqx
from collections.abc import Iterator, Mapping
from itertools import chain
from pathlib import Path
from typing import Any, BinaryIO, NamedTuple, Protocol

from bench.errors import AddressError, CaptureError, ContentError, IntakeError, PortError
from bench.intake import RECORDING_MB, open_file
from bench.ports import Port
from bench.typed_json import loads
from bench.wire import encode_command

FORMAT = 3
_FIRST_LINES = tuple(b"makebreak capture %d\n" % number for number in range(1, FORMAT + 1))
MAGIC = _FIRST_LINES[-1]
RECEIVED, SENT, NOTE = b"R", b"T", b"N"
_HEAD, _SUMMED_HEAD = struct.Struct("<cdI"), struct.Struct("<cdIH")
_CRC = struct.Struct("<H")
_LONGEST = {RECEIVED: 1 << 24, SENT: 1 << 24, NOTE: 1 << 20}
_SEARCHED, _NEXT = 1 << 16, 1 << 12
"""Bytes of the end of an older file in which another entry is looked for, and the longest that it may be."""
HEARTBEAT = "SYST:BEAT"
_BEAT = encode_command(HEARTBEAT)
NOT_WHOLE = "the capture is not whole"


class CaptureEntry(NamedTuple):
    """One entry of a capture: `kind` is RECEIVED, SENT or NOTE."""

    kind: bytes
    t_s: float
    payload: bytes

    @property
    def note(self) -> Mapping[str, Any]:
        """The content of a NOTE. ContentError, in one line, if it is no JSON object."""
        content: Mapping[str, Any] = loads(self.payload)
        if not isinstance(content, dict):
            raise ContentError(f"got {type(content).__name__}; it must be an object")
        return content


class ByteSink(Protocol):
    """What a capture is written to: a binary file, or what stands for one."""

    def write(self, data: memoryview, /) -> int | None:
        """Return how many bytes it took; None is all of them."""

    def flush(self) -> object:
        """Pass on what was written."""


class CaptureWriter:
    """Appends entries to a binary file that is open for writing; closing it is its owner's business.

    What can't be written any more is missing from it, which `problem` says in one line; nothing is raised.
    """

    def __init__(self, file: ByteSink) -> None:
        self._file = file
        self.problem = ""
        self._write(MAGIC)

    def received(self, data: bytes, t_s: float) -> None:
        """Keep bytes that came at t_s."""
        self._append(RECEIVED, t_s, data)

    def sent(self, data: bytes, t_s: float) -> None:
        """Keep bytes that were sent at t_s."""
        self._append(SENT, t_s, data)

    def note(self, content: Mapping[str, Any], t_s: float) -> None:
        """Keep a note, as JSON, of t_s."""
        self._append(NOTE, t_s, json.dumps(content, ensure_ascii=False, separators=(",", ":")).encode(errors="backslashreplace"))

    def _append(self, kind: bytes, t_s: float, payload: bytes) -> None:
        head = _HEAD.pack(kind, t_s, len(payload))
        entry = head + _CRC.pack(_crc(head)) + payload
        self._write(entry + _CRC.pack(_crc(entry)))

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


@contextlib.contextmanager
def _opened(path: str | Path) -> Iterator[BinaryIO]:
    """Open the file of a capture for reading. CaptureError if it can't be opened or read."""
    try:
        with open_file(path, RECORDING_MB) as file:
            yield file
    except IntakeError as error:
        raise CaptureError(f"capture {path}: can't be read: {error}") from error
    except OSError as error:
        raise CaptureError(f"capture {path}: can't be read: {error.strerror or error}") from error


def is_capture(path: str | Path) -> bool:
    """Return whether the file begins as a capture does; one that can't be read does not."""
    try:
        with _opened(path) as file:
            return file.read(len(MAGIC)) in _FIRST_LINES
    except CaptureError:
        return False


def format_of(path: str | Path) -> int:
    """Return the number of the format of a capture. CaptureError if it can't be read, or is none."""
    with _opened(path) as file:
        return _format_of(file, Path(path).name)


def _format_of(file: BinaryIO, name: str) -> int:
    """Read the first line."""
    first = file.read(len(MAGIC))
    if first not in _FIRST_LINES:
        raise CaptureError(f"capture {name}: not a capture of format 1 to {FORMAT}: it does not begin with its first line")
    return _FIRST_LINES.index(first) + 1


def read_capture(path: str | Path) -> Iterator[CaptureEntry]:
    """Return the whole entries of a capture, in order and one at a time. Raises CaptureError for what is no capture or is damaged."""
    with _opened(path) as file:
        name = Path(path).name
        yield from _entries(file, name, has_head_sum=_format_of(file, name) >= 3)


def _entries(file: BinaryIO, name: str, has_head_sum: bool) -> Iterator[CaptureEntry]:
    place, last_s = len(MAGIC), -math.inf
    form = _SUMMED_HEAD if has_head_sum else _HEAD
    while len(head := file.read(form.size)) == form.size:
        kind, t_s, length, *sums = form.unpack(head)
        if sums and sums[0] != _crc(head[: _HEAD.size]):
            raise CaptureError(f"capture {name}: damaged at byte {place}: the check sum of the entry's head is wrong")
        if length > _LONGEST.get(kind, -1):
            raise CaptureError(f"capture {name}: damaged at byte {place}: no entry begins there")
        rest = file.read(length + _CRC.size)
        if len(rest) < length + _CRC.size:
            if not has_head_sum and _is_damaged(head, rest):
                raise CaptureError(f"capture {name}: damaged at byte {place}: the length of the entry is wrong")
            return
        payload, (crc,) = rest[:length], _CRC.unpack_from(rest, length)
        if crc != crc_hqx(payload, _crc(head)):
            raise CaptureError(f"capture {name}: damaged at byte {place}: the check sum of the entry is wrong")
        if not last_s <= t_s < math.inf:
            raise CaptureError(f"capture {name}: damaged at byte {place}: got the time {t_s!r} s after {last_s!r} s")
        yield CaptureEntry(kind, t_s, payload)
        place, last_s = place + form.size + len(rest), t_s


def _is_damaged(head: bytes, rest: bytes) -> bool:
    """Return whether an entry of an older format whose length reaches beyond the end of the file was not cut off, but has a wrong length:
    the rest is the whole of it, or holds another entry."""
    kind, t_s, _ = _HEAD.unpack(head)
    if len(rest) >= _CRC.size and _is_whole(_HEAD.pack(kind, t_s, len(rest) - _CRC.size), rest):
        return True
    for found in re.finditer(rb"[RTN]", rest[:_SEARCHED]):
        begin = found.start() + _HEAD.size
        if begin > len(rest):
            return False
        length = _HEAD.unpack_from(rest, found.start())[2]
        if length <= _NEXT and _is_whole(rest[found.start() : begin], rest[begin : begin + length + _CRC.size]):
            return True
    return False


def _is_whole(head: bytes, rest: bytes) -> bool:
    """Return whether payload and CRC, which are `rest`, belong to this head."""
    length = _HEAD.unpack(head)[2]
    return len(rest) == length + _CRC.size and _CRC.unpack_from(rest, length) == (crc_hqx(rest[:length], _crc(head)),)


def _crc(data: bytes) -> int:
    return crc_hqx(data, 0xFFFF)


class ReplayPort(Port):
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
            raise AddressError(str(error)) from error
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
            self._next: CaptureEntry | None = next(self._entries, None)
        except CaptureError as error:
            raise PortError(str(error)) from error

    def _need_open(self, doing: str) -> None:
        if self._closed:
            raise PortError(f"{doing} {self.address}: the port is closed")


def open_replay(address: str) -> ReplayPort:
    """Return the port of an address `replay://FILE`. AddressError if there is no such capture."""
    return ReplayPort(address.removeprefix("replay://"))
