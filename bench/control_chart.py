"""A chart for individual values over time: where they should lie, and whether what makes them has changed.

Pure. Centre and limits after the NIST/SEMATECH e-Handbook of Statistical Methods, individuals control charts: mean, and mean plus and
minus 3 times the mean moving range over 1.128 (the expected range of two normal values, in standard deviations).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from itertools import pairwise
from statistics import fmean

RANGE_OF_TWO = 1.128
FEWEST = 8
_RUN = 8  # so many in a row on one side: once in 128 by chance (common practice of such charts)


class State(StrEnum):
    """Whether what is charted has stayed what it was."""

    STEADY = "steady"
    OUT = "out of its limits"
    DRIFTING = "drifting"


@dataclass(frozen=True, slots=True)
class Limits:
    """`own`: from the scatter of the values themselves; else from the uncertainty that is stated for each."""

    low: float
    centre: float
    high: float
    own: bool


@dataclass(frozen=True, slots=True)
class Finding:
    """How the values stand; `since` is the place of the first value that shows it."""

    state: State
    limits: Limits
    since: int | None = None


def individuals(values: Sequence[float]) -> Limits:
    """Centre and limits from the values' own scatter. ValueError for fewer than two."""
    if len(values) < 2:
        raise ValueError(f"limits of a chart: {len(values)} value, at least 2 are needed")
    centre = fmean(values)
    reach = 3.0 * fmean(abs(b - a) for a, b in pairwise(values)) / RANGE_OF_TWO
    return Limits(centre - reach, centre, centre + reach, True)


def judge(values: Sequence[float], stated_u: Sequence[float]) -> Finding:
    """The latest values against the first FEWEST, or against the first value and its stated uncertainty as long as there are fewer.

    The limits never lie closer than what is stated for one value allows: a chart of very steady values must not cry wolf over a
    reading that is well within its uncertainty. ValueError for no values.
    """
    if not values:
        raise ValueError("judging a chart: it has no values")
    stated = 3.0 * math.sqrt(fmean(u * u for u in stated_u))
    if len(values) < FEWEST + 1:
        centre = fmean(values[:-1]) if len(values) > 1 else values[0]
        limits = Limits(centre - stated, centre, centre + stated, False)
    else:
        own = individuals(values[:FEWEST])
        reach = max(own.high - own.centre, stated)
        limits = Limits(own.centre - reach, own.centre, own.centre + reach, own.high - own.centre >= stated)
    last = len(values) - 1
    if not limits.low <= values[last] <= limits.high:
        first = last
        while first > 0 and not limits.low <= values[first - 1] <= limits.high:
            first -= 1
        return Finding(State.OUT, limits, first)
    if len(values) >= FEWEST + _RUN:
        sides = [v > limits.centre for v in values[-_RUN:]]
        third = (limits.high - limits.centre) / 3.0
        if len(set(sides)) == 1 and abs(fmean(values[-_RUN:]) - limits.centre) > third:
            return Finding(State.DRIFTING, limits, len(values) - _RUN)
    return Finding(State.STEADY, limits)
