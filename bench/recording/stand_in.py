"""A stand-in for the output's voltage, made of the current: without v_out in the file it alone tells when the contact was closed.

Strategy. The current of a flashing unit has two levels, dark and lit. The zero of a probe may lie anywhere, so the stand-in goes from the
one level to the other and not from 0; where only one level is seen, it is told from 0 by what the zero may be off by. Noise that is large
beside the distance of the levels is averaged away first, as far as flashes allow.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from bench.samples import Accuracy, Array, Block, Trace

_BINS = 8192
_EARLY, _LATE = 0.1, 0.9  # parts of the time: a unit that flashes is dark and lit for longer than a tenth of it each
_CURRENT_LEAST = 8.0  # times the noise of one sample: no noise reaches that in a million samples
_NOISE_MOST = 1.0 / 20.0  # of the distance of the levels: three of it stay within the comparator's band
_AVERAGED_MOST_S = 20e-3


@dataclass(frozen=True, slots=True)
class CurrentLevels:
    """Dark and lit level of the current in A; equal if no lamp was ever lit. `averaged`: samples that are averaged into each."""

    dark_a: float
    lit_a: float
    averaged: int = 1

    def lit(self, current: Trace) -> Array:
        """Return how far the current is from the dark to the lit level, 0 to 1, shape (n,)."""
        if self.lit_a <= self.dark_a:
            return np.zeros(len(current.values))
        return np.clip((_averaged(current.values, self.averaged) - self.dark_a) / (self.lit_a - self.dark_a), 0.0, 1.0)


def current_levels(blocks: Iterator[Block], bounds_a: tuple[float, float], accuracy: Accuracy, interval_s: float) -> CurrentLevels:
    """Return the levels of the current in these blocks, which lies between `bounds_a`."""
    low, high = bounds_a
    edges = np.linspace(low, max(high, low + 1e-9), _BINS + 1)
    counts = np.zeros(_BINS, dtype=np.int64)
    for block in blocks:
        counts += np.histogram(block.traces["i_load"].values, edges)[0]
    middles = 0.5 * (edges[1:] + edges[:-1])
    least_a = _CURRENT_LEAST * accuracy.noise
    early, late = _quantile(middles, counts, _EARLY), _quantile(middles, counts, _LATE)
    if late - early > least_a:
        between = 0.5 * (early + late)
        dark_a = _quantile(middles[middles <= between], counts[middles <= between], 0.5)
        lit_a = _quantile(middles[middles > between], counts[middles > between], 0.5)
    elif early > max(least_a, 2.0 * accuracy.u_zero):
        dark_a, lit_a = 0.0, _quantile(middles, counts, 0.5)  # lit all the time
    else:
        dark_a = _quantile(middles, counts, 0.5)
        # Lit for short: the middle of what lies above a twentieth of the largest, for a cold inrush is fifteen times as large and short.
        above = middles > dark_a + max(least_a, 0.05 * (high - dark_a))
        lit_a = _quantile(middles[above], counts[above], 0.5) if counts[above].sum() else dark_a
    distance_a = lit_a - dark_a
    if distance_a <= least_a:
        return CurrentLevels(dark_a, dark_a)
    wanted = math.ceil((accuracy.noise / (_NOISE_MOST * distance_a)) ** 2)
    return CurrentLevels(dark_a, lit_a, max(1, min(wanted, int(_AVERAGED_MOST_S / interval_s))))


def _quantile(values: Array, counts: np.ndarray[tuple[int, ...], np.dtype[np.int64]], part: float) -> float:
    """Return the value below which this part of the counted ones lies."""
    total = np.cumsum(counts)
    return float(values[min(int(np.searchsorted(total, part * total[-1])), len(values) - 1)])


def _averaged(values: Array, count: int) -> Array:
    """Return each value's mean with its neighbours, `count` together; fewer at the ends."""
    if count < 2:
        return values
    window = np.ones(min(count, len(values)))
    return np.convolve(values, window, mode="same") / np.convolve(np.ones(len(values)), window, mode="same")
