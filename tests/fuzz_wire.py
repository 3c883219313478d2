"""Feeds a decoder mutated streams by the million: `python tests/fuzz_wire.py --chunks 1000000 --seed 1`.

A chunk is some hundred bytes of a good stream with something done to it. What comes out is checked by a second way: a frame that
the decoder accepts must encode to bytes that stand in the damaged stream, CRC and all, and be computed right by a bitwise CRC.
"""

from __future__ import annotations

import argparse
import random
import time
import tracemalloc
from collections.abc import Callable
from dataclasses import dataclass

from cobs import cobs

from bench.wire import (
    Decoder,
    EventFrame,
    Reply,
    SampleFrame,
    encode_event,
    encode_reply,
    encode_sample_frame,
    pack_samples,
)

_TABLE: list[int] = []
for _byte in range(256):
    _register = _byte << 8
    for _ in range(8):
        _register = (_register << 1 ^ 0x1021 if _register & 0x8000 else _register << 1) & 0xFFFF
    _TABLE.append(_register)


def plain_crc(data: bytes) -> int:
    """The CRC of PROTOCOL.md section 3 by polynomial division, sharing nothing with the decoder's."""
    register = 0xFFFF
    for byte in data:
        register = (register << 8 & 0xFF00) ^ _TABLE[register >> 8 ^ byte]
    return register


@dataclass(frozen=True)
class FuzzResult:
    chunks: int
    bytes_fed: int
    accepted: int
    replies: int
    damaged: int
    wrong: int
    peak_bytes: int
    took_s: float


def _good_pieces(rng: random.Random) -> list[bytes]:
    """A stock of good frames and replies to damage."""
    pieces = []
    for k in range(64):
        counts = [rng.randrange(4096) for _ in range(160)] if k % 2 else [rng.choice((0, 1, 256, 1023))] * 160
        header = (k, rng.randrange(1 << 32), rng.randrange(256), rng.randrange(256), rng.randrange(8), rng.randrange(256))
        pieces.append(encode_sample_frame(SampleFrame(*header, pack_samples(counts))))
        pieces.append(encode_event(EventFrame(*header, rng.randrange(6), rng.randrange(6), rng.randrange(416), rng.randrange(1 << 16))))
        pieces.append(encode_reply("x" * rng.randrange(78)))
    return pieces


def _flip(rng: random.Random, chunk: bytearray) -> None:
    chunk[rng.randrange(len(chunk))] ^= 1 << rng.randrange(8)


def _replace(rng: random.Random, chunk: bytearray) -> None:
    chunk[rng.randrange(len(chunk))] = rng.choice((0, 1, 2, 0x0A, 0xFF, rng.randrange(256)))


def _drop(rng: random.Random, chunk: bytearray) -> None:
    begin = rng.randrange(len(chunk))
    del chunk[begin : begin + rng.randrange(1, 30)]


def _double(rng: random.Random, chunk: bytearray) -> None:
    begin = rng.randrange(len(chunk))
    chunk[begin:begin] = chunk[begin : begin + rng.randrange(1, 60)]


def _noise(rng: random.Random, chunk: bytearray) -> None:
    begin = rng.randrange(len(chunk))
    chunk[begin:begin] = rng.randbytes(rng.randrange(1, 20))


def _no_zeros(rng: random.Random, chunk: bytearray) -> None:
    chunk[:] = chunk.replace(b"\0", b"\x01")


def _swap(rng: random.Random, chunk: bytearray) -> None:
    middle = rng.randrange(len(chunk))
    chunk[:] = chunk[middle:] + chunk[:middle]


_MUTATIONS: tuple[Callable[[random.Random, bytearray], None], ...] = (
    _flip,
    _flip,
    _replace,
    _drop,
    _double,
    _noise,
    _no_zeros,
    _swap,
)
_LONGEST_PIECE = 300


def _right(frame: SampleFrame | EventFrame, around: bytes) -> bool:
    encoded = encode_sample_frame(frame) if isinstance(frame, SampleFrame) else encode_event(frame)
    content = cobs.decode(encoded[:-1])
    if plain_crc(content[:-2]) != int.from_bytes(content[-2:], "big"):
        return False
    # Stuffing is not unique: a piece may be written with a needless last code. So each piece is unstuffed here.
    return any(_unstuffed(piece) == content for piece in around.split(b"\0"))


def _unstuffed(piece: bytes) -> bytes | None:
    try:
        return bytes(cobs.decode(piece))
    except cobs.DecodeError:
        return None


def fuzz(chunks: int, seed: int) -> FuzzResult:
    """Feed that many mutated chunks to one decoder, cut anywhere."""
    rng = random.Random(seed)
    pieces = _good_pieces(rng)
    decoder = Decoder()
    accepted = replies = wrong = fed = 0
    recent = b""
    begin = time.perf_counter()
    traced = tracemalloc.is_tracing()
    if not traced:
        tracemalloc.start()
    base, peak = tracemalloc.get_traced_memory()[0], 0
    for k in range(chunks):
        chunk = bytearray(rng.choice(pieces))
        if rng.random() < 0.3:
            chunk += rng.choice(pieces)
        for _ in range(rng.choice((0, 1, 1, 1, 2, 3))):
            if chunk:
                rng.choice(_MUTATIONS)(rng, chunk)
        data = bytes(chunk)
        fed += len(data)
        recent = recent[-_LONGEST_PIECE - 1 :] + data
        place = rng.randrange(len(data) + 1)
        for piece in decoder.feed(data[:place]) + decoder.feed(data[place:]):
            if isinstance(piece, Reply):
                replies += 1
            else:
                accepted += 1
                wrong += not _right(piece, recent)
        if k % 1000 == 0:
            peak = max(peak, tracemalloc.get_traced_memory()[1] - base)
    if not traced:
        tracemalloc.stop()
    return FuzzResult(chunks, fed, accepted, replies, decoder.damage.pieces, wrong, peak, time.perf_counter() - begin)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--chunks", type=int, default=1_000_000)
    parser.add_argument("--seed", type=int, default=1)
    arguments = parser.parse_args()
    result = fuzz(arguments.chunks, arguments.seed)
    print(f"chunks            {result.chunks}")
    print(f"bytes fed         {result.bytes_fed}")
    print(f"frames accepted   {result.accepted}")
    print(f"reply lines       {result.replies}")
    print(f"damaged pieces    {result.damaged}")
    print(f"wrong accepts     {result.wrong}")
    print(f"peak memory       {result.peak_bytes} bytes above the start")
    print(f"time              {result.took_s:.1f} s")
    if result.wrong:
        raise SystemExit(1)


if __name__ == "__main__":
    main()
