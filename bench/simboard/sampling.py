"""A run of sampling on the simulated board: instants and stamps of samples, bodies of frames, bursts of the comparator."""

from __future__ import annotations

import math
from bisect import bisect_right
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from bench.simboard.rig import Rig
from bench.wire import SAMPLES_PER_FRAME, STAMP_MODULUS, HeaderState, pack_samples

BURST_OVER_S = 0.02


class BoardState(NamedTuple):
    """The closed loads and the rest of the board's state at a moment, as a frame's header states them."""

    loads: int
    state: HeaderState


@dataclass(frozen=True, slots=True)
class FullFrame:
    """160 samples, ready at `ready_s`; `board` is its state at the first of them."""

    ready_s: float
    stamp: int
    board: BoardState
    body: bytes


@dataclass(frozen=True, slots=True)
class FinishedBurst:
    """`count` changes of the comparator, the first at `first_s`. At `ready_s` the burst is known to be over; then it is `high` or not."""

    ready_s: float
    first_s: float
    count: int
    high: bool


class SamplingRun:
    """A run, from INITiate to ABORt. `clock_hz`: true frequency of the board's clock; sample 0 is held at `begun_s`."""

    def __init__(self, rig: Rig, begun_s: float, clock_hz: float, ticks_per_sample: int, first_stamp: int) -> None:
        self._rig = rig
        self._begun_s = begun_s
        self._clock_hz = clock_hz
        self._ticks_per_sample = ticks_per_sample
        self._period_s = ticks_per_sample / clock_hz
        self._first_stamp = first_stamp
        self._taken = 0
        self._pending: npt.NDArray[np.uint16] = np.empty(0, np.uint16)
        self._state_at_first = BoardState(0, HeaderState())
        self._burst: tuple[float, float, int] | None = None

    def stamp_at(self, t_s: float) -> tuple[int, int]:
        """Return stamp and ticks of a moment."""
        # A moment computed from a sample's own instant must not fall a tick before it by rounding.
        samples, ticks = divmod(math.floor((t_s - self._begun_s) * self._clock_hz + 1e-3), self._ticks_per_sample)
        return (self._first_stamp + samples) % STAMP_MODULUS, ticks

    def end_stamp(self) -> int:
        """Return how many samples were taken, as an event of kind 4 states it."""
        return (self._first_stamp + self._taken) % STAMP_MODULUS

    def step(self, stop_s: float, changes: list[float], before: BoardState) -> list[FullFrame | FinishedBurst]:
        """Return what is ready by stop_s, in the order of time. `changes`: moments of the comparator's changes in this step.

        Loads and state change only between steps; the comparator begins the step as `before` has it.
        """
        ready: list[FullFrame | FinishedBurst] = [
            *self._bursts(stop_s, changes, before.state.comparator),
            *self._samples(stop_s, changes, before),
        ]
        return sorted(ready, key=lambda item: item.ready_s)

    def _bursts(self, stop_s: float, changes: list[float], level: bool) -> list[FinishedBurst]:
        over = []
        for t in (*changes, math.inf):
            if self._burst is not None and min(t, stop_s) - self._burst[1] >= BURST_OVER_S:
                first, last, count = self._burst
                over.append(FinishedBurst(last + BURST_OVER_S, first, count, level))
                self._burst = None
            if t < math.inf:
                first, _, count = self._burst or (t, t, 0)
                self._burst = first, t, count + 1
                level = not level
        return over

    def _samples(self, stop_s: float, changes: list[float], before: BoardState) -> list[FullFrame]:
        end = math.floor((stop_s - self._begun_s) / self._period_s) + 1
        if end <= self._taken:
            return []

        def state_at(t_s: float) -> BoardState:
            comparator = before.state.comparator ^ bool(bisect_right(changes, t_s) & 1)
            return before._replace(state=before.state._replace(comparator=comparator))

        t = self._begun_s + np.arange(self._taken, end, dtype=np.float64) * self._period_s
        if not len(self._pending):
            self._state_at_first = state_at(float(t[0]))
        counts = np.concatenate((self._pending, self._rig.counts(t, self._first_stamp + self._taken)))
        begin, self._taken = end - len(counts), end
        whole = len(counts) // SAMPLES_PER_FRAME * SAMPLES_PER_FRAME
        bodies, self._pending = pack_samples(counts[:whole]), counts[whole:]
        frames = []
        for k in range(0, whole, SAMPLES_PER_FRAME):
            following = begin + k + SAMPLES_PER_FRAME
            ready_s = self._begun_s + (following - 1) * self._period_s
            stamp = (self._first_stamp + begin + k) % STAMP_MODULUS
            body = bodies[k * 3 // 2 : (k + SAMPLES_PER_FRAME) * 3 // 2]
            frames.append(FullFrame(ready_s, stamp, self._state_at_first, body))
            self._state_at_first = state_at(ready_s + self._period_s)
        return frames
