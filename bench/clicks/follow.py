"""One click of every period, chosen among candidates by dynamic programming: the train that is likeliest as a whole.

A candidate is worth what it is alike to a click (0 to 1). A period that differs costs, one that is a whole multiple costs for each click
that did not come, and one that fits nothing (a long flash, a click of the switch) costs as much as a click and a half is worth.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from bench.samples import Array

Steps = npt.NDArray[np.int64]

_VARIES = 0.035  # of the period, from flash to flash, as a standard deviation: good units 1 %, bad ones 5 % (common practice, no source)
_LACKS, _BREAKS = 0.25, 1.5
_SHORTEST, _FURTHEST = 0.75, 4.5  # periods between one click and the next that are looked at
_DIFFERS = 0.5
_SETTLES = 9  # clicks over which the period of the moment is the middle one


def follow(times_s: Array, worth: Array, period_s: Array, likeness: npt.NDArray[np.float32] | None = None) -> tuple[Steps, float]:
    """Return the places of the clicks of the best train among the candidates, and what it is worth. `period_s`: what it is at each
    candidate.

    `likeness`: what each sounds like, shape (n, bands); consecutive clicks that differ are worth less. None if `worth` has that in it.
    """
    n = len(times_s)
    if n == 0:
        return np.zeros(0, dtype=np.int64), 0.0
    total, came_from = worth.astype(np.float64).copy(), np.full(n, -1, dtype=np.int64)
    best_before, best_place = np.full(n, -np.inf), np.full(n, -1, dtype=np.int64)  # of the trains that end at a candidate or before it
    firsts = np.searchsorted(times_s, times_s - _FURTHEST * period_s)
    lasts = np.searchsorted(times_s, times_s - _SHORTEST * period_s, side="right")
    for i in range(n):
        first, last = int(firsts[i]), int(lasts[i])
        if last > first:
            periods = (times_s[i] - times_s[first:last]) / period_s[i]
            whole = np.maximum(np.round(periods), 1.0)
            cost = np.minimum(((periods - whole) / _VARIES) ** 2 / 8.0 + _LACKS * (whole - 1.0), _BREAKS)
            value = total[first:last] - cost
            if likeness is not None:
                apart = np.mean((likeness[first:last] - likeness[i]) ** 2, axis=1)
                value = value - _DIFFERS * np.minimum(apart, 2.0)
            j = int(np.argmax(value))
            if value[j] > 0.0:
                total[i], came_from[i] = worth[i] + value[j], first + j
        if first > 0 and best_before[first - 1] - _BREAKS > total[i] - worth[i]:
            total[i], came_from[i] = worth[i] + best_before[first - 1] - _BREAKS, best_place[first - 1]
        earlier = best_before[i - 1] if i else -np.inf
        best_before[i], best_place[i] = (total[i], i) if total[i] > earlier else (earlier, best_place[i - 1])
    place = int(best_place[-1])
    train = []
    while place >= 0:
        train.append(place)
        place = int(came_from[place])
    return np.array(train[::-1], dtype=np.int64), float(best_before[-1])


def period_of_moment(clicks_s: Array, usual_s: float, times_s: Array) -> Array:
    """Return the period at each of `times_s`: the middle one of the clicks around, where there are any of about the usual."""
    gaps = np.diff(clicks_s)
    single = np.abs(gaps / usual_s - 1.0) < 0.15
    if np.count_nonzero(single) < 3:
        return np.full(len(times_s), usual_s)
    gaps, at = gaps[single], clicks_s[1:][single]
    reach = _SETTLES // 2
    middle = np.array([np.median(gaps[max(0, k - reach) : k + reach + 1]) for k in range(len(gaps))])
    return np.asarray(np.interp(times_s, at, middle))
