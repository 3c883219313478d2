"""Bytes to pieces: the stream up is split at zero bytes, and each piece is a frame, text, or damage to be counted.

Total: no input raises, none makes it keep more than an unfinished piece, and how the input was cut changes nothing.
The work is done by four C loops (split, COBS, CRC, struct); a frame costs some microseconds and its samples stay packed.
"""

from __future__ import annotations

from binascii import crc_hqx
from dataclasses import dataclass, fields

from cobs import cobs

from bench.wire.frames import (
    CRC_INITIAL,
    EVENT_FRAME_LENGTH,
    SAMPLE_FRAME_LENGTH,
    TYPE_EVENT,
    TYPE_SAMPLES,
    Piece,
    Reply,
    parse_event,
    parse_samples,
)

LONGEST_PIECE = 300
_PRINTABLE = bytes(range(0x20, 0x7F)) + b"\r\n"
_FRAME_TYPES = range(0x01, 0x09)


@dataclass(frozen=True, slots=True)
class DamageCount:
    """Pieces that were neither a good frame nor text, by what was wrong, and the bytes they held."""

    bad_cobs: int = 0
    bad_crc: int = 0
    bad_length: int = 0
    unknown_type: int = 0
    unprintable: int = 0
    overlong: int = 0
    bytes_dropped: int = 0

    @property
    def pieces(self) -> int:
        """Number of pieces dropped."""
        return self.bad_cobs + self.bad_crc + self.bad_length + self.unknown_type + self.unprintable + self.overlong


class Decoder:
    """Feed it bytes as they come; it gives the pieces that are whole. `damage` says what was dropped so far."""

    def __init__(self) -> None:
        self._tail = b""
        self._skipping = False
        self._damage = dict.fromkeys((f.name for f in fields(DamageCount)), 0)

    @property
    def damage(self) -> DamageCount:
        """What was dropped so far."""
        return DamageCount(**self._damage)

    def feed(self, data: bytes) -> list[Piece]:
        """Take bytes as they came; return the pieces that they complete."""
        pieces: list[Piece] = []
        first, *rest = data.split(b"\0")
        chunk = self._tail + first
        for following in rest:
            if chunk:
                self._piece(chunk, pieces)
            self._skipping = False
            chunk = following
        if self._skipping:
            self._damage["bytes_dropped"] += len(chunk)
            chunk = b""
        elif len(chunk) > LONGEST_PIECE:
            self._drop("overlong", chunk)
            self._skipping = True
            chunk = b""
        self._tail = chunk
        return pieces

    def _piece(self, piece: bytes, pieces: list[Piece]) -> None:
        if self._skipping:
            self._damage["bytes_dropped"] += len(piece)
        elif len(piece) > LONGEST_PIECE:
            self._drop("overlong", piece)
        elif len(piece) > 1 and piece[1] in _FRAME_TYPES:
            self._frame(piece, pieces)
        elif piece[-1] == 0x0A and not piece.translate(None, _PRINTABLE):
            lines = piece.replace(b"\r", b"").decode("ascii").split("\n")
            pieces.extend(Reply(line) for line in lines[:-1])
        else:
            self._drop("unprintable", piece)

    def _frame(self, piece: bytes, pieces: list[Piece]) -> None:
        try:
            content = cobs.decode(piece)
        except cobs.DecodeError:
            self._drop("bad_cobs", piece)
            return
        if crc_hqx(content, CRC_INITIAL):
            self._drop("bad_crc", piece)
            return
        if len(content) == SAMPLE_FRAME_LENGTH and content[0] == TYPE_SAMPLES:
            pieces.append(parse_samples(content))
        elif len(content) == EVENT_FRAME_LENGTH and content[0] == TYPE_EVENT:
            pieces.append(parse_event(content))
        else:
            self._drop("bad_length" if content[0] in (TYPE_SAMPLES, TYPE_EVENT) else "unknown_type", piece)

    def _drop(self, reason: str, piece: bytes) -> None:
        self._damage[reason] += 1
        self._damage["bytes_dropped"] += len(piece)
