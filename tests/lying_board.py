"""A simulated bench whose board says something else than it does: its frames are read, changed and written anew, with a right check sum."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import TypeAlias

import numpy as np
import numpy.typing as npt
from bench_port import BenchPort, bench_port

from bench.wire import (
    Decoder,
    EventFrame,
    Reply,
    SampleFrame,
    encode_event,
    encode_reply,
    encode_sample_frame,
    pack_samples,
    unpack_samples,
)

Counts: TypeAlias = npt.NDArray[np.int64]
Lie: TypeAlias = Callable[[SampleFrame | EventFrame], SampleFrame | EventFrame]


@dataclass
class LyingPort:
    """What comes from `bench` goes through `lie`, frame by frame; replies are left alone."""

    bench: BenchPort
    lie: Lie
    address: str = "sim://lying"
    frames: int = 0
    _decoder: Decoder = field(default_factory=Decoder)

    def write(self, data: bytes) -> None:
        self.bench.write(data)

    def read(self, timeout_s: float) -> bytes:
        return b"".join(map(self._encoded, self._decoder.feed(self.bench.read(timeout_s))))

    def now_s(self) -> float:
        return self.bench.now_s()

    def close(self) -> None:
        self.bench.close()

    def _encoded(self, piece: SampleFrame | EventFrame | Reply) -> bytes:
        if isinstance(piece, Reply):
            return encode_reply(piece.text)
        told = self.lie(piece)
        return encode_sample_frame(told) if isinstance(told, SampleFrame) else encode_event(told)


def lying_port(lie: Lie, kind: str = "NC") -> LyingPort:
    return LyingPort(bench_port(kind), lie)


def sampled_while_on(lie: Lie, after: int = 0, times: int = 1 << 30) -> Lie:
    """Lie in sample frames only, with the master switch on and a load closed, `after` so many of them, so many `times`."""
    seen = 0

    def told(frame: SampleFrame | EventFrame) -> SampleFrame | EventFrame:
        nonlocal seen
        if not (isinstance(frame, SampleFrame) and frame.master and frame.loads):
            return frame
        seen += 1
        return lie(frame) if after < seen <= after + times else frame

    return told


def without_noise(bench: BenchPort) -> BenchPort:
    """The same bench on a board whose readings do not scatter, whatever it states."""
    bench.board.rig.hidden = replace(bench.board.rig.hidden, noise_factor=0.0)
    return bench


def channel(slot: int, change: Callable[[Counts], Counts]) -> Lie:
    """The same frame with the counts of one slot of each scan of five changed, and kept within ten bits."""

    def lie(frame: SampleFrame | EventFrame) -> SampleFrame | EventFrame:
        if not isinstance(frame, SampleFrame):
            return frame
        counts = unpack_samples([frame.body])[0].astype(np.int64)
        counts[slot::5] = np.clip(change(counts[slot::5]), 0, 1023)
        return frame._replace(body=pack_samples(counts))

    return lie


def repeating(frames: int = 1) -> Lie:
    """The first so many bodies again and again."""
    kept: list[bytes] = []
    n = 0

    def lie(frame: SampleFrame | EventFrame) -> SampleFrame | EventFrame:
        nonlocal n
        assert isinstance(frame, SampleFrame)
        if len(kept) < frames:
            kept.append(frame.body)
        n += 1
        return frame._replace(body=kept[(n - 1) % frames])

    return lie
