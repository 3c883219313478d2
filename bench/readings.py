"""Samples to readings: levels of a noisy signal, with their random uncertainty.

The lowest of many noisy samples is too low, so a block is chosen by one half of its samples and valued by the other.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from bench.samples import Array

LINE_LEAST = 8  # samples that carry a straight line


@dataclass(frozen=True, slots=True)
class Reading:
    """A value in the channel's unit with the standard uncertainty of its random part, from n samples. `u` is in that unit too."""

    value: float
    u: float
    n: int


def mean_reading(v: Array) -> Reading | None:
    """Return the mean of the samples with its standard uncertainty from their scatter; None without samples."""
    n = len(v)
    if not n:
        return None
    mean = float(v.sum()) / n
    x = v - mean
    return Reading(mean, math.sqrt(float(x @ x) / (n - 1) / n) if n > 1 else 0.0, n)


def end_reading(t_s: Array, v: Array, at_s: float) -> Reading | None:
    """Return the value at `at_s`, the end of these samples, by a straight line through them; their mean if they are fewer than
    LINE_LEAST."""
    n = len(v)
    if n < LINE_LEAST:
        return mean_reading(v)
    mean_t, mean = float(t_s.sum()) / n, float(v.sum()) / n
    x = t_s - mean_t
    sxx = float(x @ x)
    slope = float(x @ v) / sxx
    residual = v - mean - slope * x
    s2 = float(residual @ residual) / (n - 2)
    reach = at_s - mean_t
    return Reading(mean + slope * reach, math.sqrt(s2 * (1.0 / n + reach * reach / sxx)), n)


def lowest_reading(t_s: Array, v: Array) -> tuple[Reading, int, int] | None:
    """Return the lowest level of a noisy signal, not biased by the noise: reading, and the samples [i, j) it stands on.

    Blocks of about 5 ms are compared by their even samples and valued by their odd ones, then the other way round. Where the chosen
    block slopes by more than its noise, the value is that at its lower end.
    """
    n = len(v)
    if n < 8:
        return None
    width = min(max(n // 6, 8), 40) // 2 * 2
    blocks = n // width
    tail = v[n - blocks * width :].reshape(blocks, width)
    even, odd = tail[:, ::2].mean(axis=1), tail[:, 1::2].mean(axis=1)
    by_even, by_odd = int(even.argmin()), int(odd.argmin())
    readings = []
    for chosen, half in ((by_even, 1), (by_odd, 0)):
        start = n - (blocks - chosen) * width
        readings.append(_sloped(t_s[start + half : start + width : 2], v[start + half : start + width : 2]))
    u = math.hypot(readings[0].u, readings[1].u) / 2.0
    start = n - (blocks - by_even) * width
    return Reading((readings[0].value + readings[1].value) / 2.0, u, width), start, start + width


def _sloped(t_s: Array, v: Array) -> Reading:
    """Return the level of a short block: its mean, or its lower end if it slopes beyond doubt."""
    n = len(v)
    x = t_s - t_s.mean()
    sxx = float(x @ x)
    slope = float(x @ v) / sxx
    residual = v - v.mean() - slope * x
    s2 = float(residual @ residual) / (n - 2) if n > 2 else 0.0
    u_mean = math.sqrt(s2 / n)
    if abs(slope) <= 4.0 * math.sqrt(s2 / sxx):
        return Reading(float(v.mean()), u_mean, n)
    reach = float(x[-1])
    return Reading(float(v.mean()) - abs(slope) * reach, math.hypot(u_mean, math.sqrt(s2 / sxx) * reach), n)
