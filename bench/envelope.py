"""Samples to their least and greatest values in bins of time: what a trace is drawn from, however long it is.

Bins are counted from the run's start, so a bin holds the same samples however the stream was cut, and a trace that is drawn
from them does not shimmer.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from bench.samples import Array, Block, Trace

BIN_S = 4e-3
"""Some 30 samples of a channel in fast mode, 8 in precise mode."""
_GAP_BINS = 2500  # ten seconds: a longer gap is not drawn, since stamps that jump would make millions of empty bins of it


@dataclass(frozen=True, slots=True)
class Bins:
    """Consecutive bins: bin `first + i` spans `(first + i) * bin_s` to `(first + i + 1) * bin_s` after the run's start.

    `low` and `high` by channel, each of shape (n,), in the channel's unit; NaN where a bin has no sample.
    """

    first: int
    bin_s: float
    low: Mapping[str, Array]
    high: Mapping[str, Array]

    def __len__(self) -> int:
        return len(next(iter(self.low.values()))) if self.low else 0


class Envelope:
    """Blocks in, whole bins out; one verb, `feed`. Of the samples only those of the bin at hand are kept."""

    def __init__(self, bin_s: float = BIN_S) -> None:
        self._bin_s = bin_s
        self._next: int | None = None
        self._kept: dict[str, Trace] = {}

    def feed(self, block: Block) -> Bins | None:
        """Return the bins that this block completes; None if there is none. Bins inside a gap are there, and empty; those of a gap of more
        than ten seconds, and the bin before it that it left unfinished, are left out."""
        begin = self._bin_at(block.begin_s)
        if self._next is None or begin - self._next > _GAP_BINS:
            self._next, self._kept = begin, {}
        for name, trace in block.traces.items():
            kept = self._kept.get(name)
            self._kept[name] = trace if kept is None else _joined(kept, trace)
        end = self._bin_at(block.end_s)
        first, count = self._next, end - self._next
        if count <= 0:
            return None
        edges_s: Array = (first + np.arange(count + 1, dtype=np.float64)) * self._bin_s
        low: dict[str, Array] = {}
        high: dict[str, Array] = {}
        for name, trace in self._kept.items():
            low[name], high[name] = extremes(trace, edges_s)
            rest = int(trace.t_s.searchsorted(edges_s[-1]))
            self._kept[name] = Trace(trace.t_s[rest:], trace.values[rest:])
        self._next = end
        return Bins(first, self._bin_s, low, high)

    def _bin_at(self, t_s: float) -> int:
        """Return the bin that begins at or before the instant. A quotient that was rounded up must not close a bin too soon."""
        number = math.floor(t_s / self._bin_s)
        return number if number * self._bin_s <= t_s else number - 1


def _joined(a: Trace, b: Trace) -> Trace:
    return Trace(np.concatenate((a.t_s, b.t_s)), np.concatenate((a.values, b.values)))


def extremes(trace: Trace, edges_s: Array) -> tuple[Array, Array]:
    """Return least and greatest value of the samples from each edge (included) to the next (excluded): shape (len(edges_s) - 1,) each, NaN
    where there is no sample. `edges_s` must not fall."""
    at = trace.t_s.searchsorted(edges_s)
    low = np.full(len(edges_s) - 1, np.nan)
    high = low.copy()
    some = np.flatnonzero(at[1:] > at[:-1])
    if len(some):
        values = trace.values[: at[-1]]
        # Between the starts of two filled bins lie the samples of the first alone.
        low[some] = np.minimum.reduceat(values, at[some])
        high[some] = np.maximum.reduceat(values, at[some])
    return low, high
