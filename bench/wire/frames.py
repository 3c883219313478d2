"""Frames as values, and their bytes: header, body, CRC, byte stuffing (firmware/PROTOCOL.md section 3).

Reading a stream of such bytes is `bench.wire.decoder`; what frames say together is `bench.wire.sequence`.
"""

from __future__ import annotations

import struct
from binascii import crc_hqx
from collections.abc import Sequence
from dataclasses import dataclass
from enum import IntEnum
from typing import NamedTuple, TypeAlias

import numpy as np
import numpy.typing as npt
from cobs import cobs

from bench.wire.header import Header

SAMPLES_PER_FRAME = 160
SAMPLE_BODY = SAMPLES_PER_FRAME * 3 // 2
STAMP_MODULUS = 1 << 32
TYPE_SAMPLES = 1
TYPE_EVENT = 2
CRC_INITIAL = 0xFFFF

_HEADER = struct.Struct("<BBIBBBB")
_EVENT_BODY = struct.Struct("<BBHH")
SAMPLE_FRAME_LENGTH = _HEADER.size + SAMPLE_BODY + 2
EVENT_FRAME_LENGTH = _HEADER.size + _EVENT_BODY.size + 2


class EventKind(IntEnum):
    """What an event says (firmware/PROTOCOL.md section 3)."""

    SWITCHED = 1
    BURST = 2
    TRIP = 3
    STOPPED = 4
    STARTED = 5


class TripCause(IntEnum):
    """Why a board opened everything; the names are the short words of `SYSTem:CAUSe?`."""

    NONE = 0
    CURR = 1
    LATC = 2
    SIL = 3
    TIME = 4
    SUPP = 5


class ResetCause(IntEnum):
    """Why a board last started; the names are the short words of `SYSTem:CAUSe?`."""

    POW = 1
    BROW = 2
    WATC = 3
    EXT = 4


def cause_word(causes: type[IntEnum], code: int) -> str:
    """Return the short word of a trip or reset cause; of one that is not known, what a newer board may send, its code: `code 9`."""
    return causes(code).name if code in set(causes) else f"code {code}"


class _SampleFields(NamedTuple):
    sequence: int
    stamp: int
    loads: int
    state: int
    flags: int
    edges: int
    body: bytes


class SampleFrame(_SampleFields, Header):
    """160 consecutive samples, still packed in `body` (240 bytes); `stamp` is that of the first."""

    __slots__ = ()


class _EventFields(NamedTuple):
    sequence: int
    stamp: int
    loads: int
    state: int
    flags: int
    edges: int
    kind: int
    reason: int
    ticks: int
    value: int


class EventFrame(_EventFields, Header):
    """Something happened `ticks` clock periods after sample `stamp`; `reason`, `value`: PROTOCOL.md section 3."""

    __slots__ = ()


@dataclass(frozen=True, slots=True)
class Reply:
    """One line of text, without its end."""

    text: str


Frame: TypeAlias = SampleFrame | EventFrame
Piece: TypeAlias = SampleFrame | EventFrame | Reply


def crc16(data: bytes) -> int:
    """Return the CRC-16, polynomial 0x1021, initial value 0xFFFF, not reflected; 0 over data followed by its own CRC, high byte first."""
    return crc_hqx(data, CRC_INITIAL)


def pack_samples(samples: Sequence[int] | npt.NDArray[np.integer]) -> bytes:
    """Return samples of 12 bits, an even number of them, packed two in three bytes. ValueError for a sample outside 0..4095."""
    values = np.asarray(samples)
    if values.size % 2 or (values.size and (values.min() < 0 or values.max() > 0xFFF)):
        raise ValueError("samples to pack must be of an even number and within 0..4095")
    pairs = values.astype(np.uint16).reshape(-1, 2)
    a, b = pairs[:, 0], pairs[:, 1]
    packed = np.empty((len(pairs), 3), dtype=np.uint8)
    packed[:, 0] = a & 0xFF
    packed[:, 1] = a >> 8 | (b & 0xF) << 4
    packed[:, 2] = b >> 4
    return packed.tobytes()


def unpack_samples(bodies: Sequence[bytes]) -> npt.NDArray[np.uint16]:
    """Return the counts of many sample frames' bodies at once, shape (frames, 160): far cheaper than frame by frame."""
    packed = np.frombuffer(b"".join(bodies), dtype=np.uint8).reshape(len(bodies), SAMPLES_PER_FRAME // 2, 3).astype(np.uint16)
    counts = np.empty((len(bodies), SAMPLES_PER_FRAME // 2, 2), dtype=np.uint16)
    middle = packed[:, :, 1]
    counts[:, :, 0] = packed[:, :, 0] | (middle & 0xF) << 8
    counts[:, :, 1] = middle >> 4 | packed[:, :, 2] << 4
    return counts.reshape(len(bodies), SAMPLES_PER_FRAME)


def _encode(kind: int, frame: Frame, body: bytes) -> bytes:
    head = _HEADER.pack(kind, frame.sequence, frame.stamp, frame.loads, frame.state, frame.flags, frame.edges)
    content = head + body
    stuffed: bytes = cobs.encode(content + crc16(content).to_bytes(2, "big"))
    return stuffed + b"\0"


def encode_sample_frame(frame: SampleFrame) -> bytes:
    """Return the bytes on the wire with their zero byte; 254 of them at most."""
    if len(frame.body) != SAMPLE_BODY:
        raise ValueError(f"a sample frame's body has {SAMPLE_BODY} bytes, got {len(frame.body)}")
    return _encode(TYPE_SAMPLES, frame, frame.body)


def encode_event(frame: EventFrame) -> bytes:
    """Return the bytes on the wire with their zero byte."""
    return _encode(TYPE_EVENT, frame, _EVENT_BODY.pack(frame.kind, frame.reason, frame.ticks, frame.value))


def encode_reply(text: str) -> bytes:
    """Return a reply line on the wire: printable ASCII, line feed, zero byte."""
    if not (text.isascii() and text.isprintable()):
        raise ValueError(f"a reply is printable ASCII, got {text!r}")
    return text.encode("ascii") + b"\n\0"


def parse_samples(content: bytes) -> SampleFrame:
    """Return a sample frame from its content before byte stuffing (header, body, CRC), whose type, length and CRC are right."""
    _, sequence, stamp, loads, state, flags, edges = _HEADER.unpack_from(content)
    return SampleFrame(sequence, stamp, loads, state, flags, edges, content[_HEADER.size : -2])


def parse_event(content: bytes) -> EventFrame:
    """Return an event from its content before byte stuffing (header, body, CRC), whose type, length and CRC are right."""
    _, sequence, stamp, loads, state, flags, edges = _HEADER.unpack_from(content)
    kind, reason, ticks, value = _EVENT_BODY.unpack_from(content, _HEADER.size)
    return EventFrame(sequence, stamp, loads, state, flags, edges, kind, reason, ticks, value)
