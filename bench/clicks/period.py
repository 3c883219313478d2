"""The period at which onsets that sound alike come again."""

from __future__ import annotations

import numpy as np

from bench.clicks.onsets import Onsets

SHORTEST_S, LONGEST_S = 0.22, 2.2  # half a flash of 136 a minute; 27 a minute: wider than any flasher unit (40 to 160, common practice)
_WIDTH = 0.02  # of the interval: what a period varies by from flash to flash, as a standard deviation
_GRID = 0.005
_ALIKE = 0.9  # natural logarithm of energy: the same click differs from itself by so much in a band
_NEARLY = 0.7  # of the best: the shortest interval that comes so near it is taken, multiples of it come again too
_SHARE = 25.0  # strength above which an onset counts for no more


def likely_periods(onsets: Onsets, step_s: float, most: int = 6) -> list[float]:
    """Return periods in s, the likeliest first; empty without onsets."""
    grid = np.exp(np.arange(np.log(SHORTEST_S), np.log(LONGEST_S), _GRID))
    score = np.zeros(len(grid))
    times = onsets.steps * step_s
    weight = np.sqrt(np.clip(onsets.strength, 0.0, _SHARE))
    last = np.searchsorted(times, times + LONGEST_S * 1.1)
    for i in range(len(times)):
        j = np.arange(i + 1, last[i])
        interval = times[j] - times[i]
        j, interval = j[interval > 0.9 * SHORTEST_S], interval[interval > 0.9 * SHORTEST_S]
        if not len(j):
            continue
        apart = np.mean((onsets.rises[j] - onsets.rises[i]) ** 2, axis=1)
        worth = weight[i] * weight[j] * np.exp(-apart / (2.0 * _ALIKE**2))
        place = (np.log(interval) - np.log(SHORTEST_S)) / _GRID
        np.add.at(score, np.clip(np.round(place).astype(int), 0, len(grid) - 1), worth)
    reach = round(3.0 * _WIDTH / _GRID)
    kernel = np.exp(-0.5 * (np.arange(-reach, reach + 1) * _GRID / _WIDTH) ** 2)
    # By chance an interval comes the more often the longer it is, since the kernel is a part of it.
    smooth = np.convolve(score, kernel, mode="same") / np.sqrt(grid)
    inner = smooth[1:-1]
    tops = np.flatnonzero((inner >= smooth[:-2]) & (inner > smooth[2:])) + 1
    ranked = sorted(tops.tolist(), key=lambda k: -smooth[k])[:most]
    if not ranked:
        return []
    near = [k for k in ranked if smooth[k] >= _NEARLY * smooth[ranked[0]]]
    first = min(near)
    return [float(grid[k]) for k in (first, *(k for k in ranked if k != first))]
