"""A chart for individual values over time: where they should lie, and whether what makes them has changed.

Pure. Centre and limits after the NIST/SEMATECH e-Handbook of Statistical Methods, individuals control charts: mean, and mean plus and
minus 3 times the mean moving range over 1.128 (the expected range of two normal values, in standard deviations), which is 2.66 times it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from itertools import pairwise
from statistics import fmean

RANGE_OF_TWO = 1.128
REFERENCE = 8
"""So many values at the beginning make the chart's limits."""
_RUN = 8  # in a row on one side of the centre: once in 128 by chance (a common rule of such charts)
_COVERAGE = 2.0  # a change is of weight beyond twice the stated uncertainty, 95 %
_COVERAGE_ALONE = 3.0  # as long as no chart bears it out


class State(StrEnum):
    """Whether what is charted has stayed what it was."""

    STEADY = "steady"
    MOVED = "moved"
    DRIFTED = "drifted"


@dataclass(frozen=True, slots=True)
class Limits:
    low: float
    centre: float
    high: float

    def hold(self, value: float) -> bool:
        return self.low <= value <= self.high


@dataclass(frozen=True, slots=True)
class Finding:
    """How the latest value stands. `chart`: limits from the scatter of the first values, None while there are too few; `stated`: from the
    uncertainty that is stated of the values. `since`: place of the first value that shows the change.

    MOVED is a change that the chart shows and the stated uncertainty still covers; DRIFTED one that it does not cover.
    """

    state: State
    stated: Limits
    chart: Limits | None = None
    since: int | None = None


def individuals(values: Sequence[float]) -> Limits:
    """Centre and limits from the values' own scatter. ValueError for fewer than two."""
    if len(values) < 2:
        raise ValueError(f"limits of a chart: {len(values)} value, at least 2 are needed")
    centre = fmean(values)
    reach = 3.0 * fmean(abs(b - a) for a, b in pairwise(values)) / RANGE_OF_TWO
    return Limits(centre - reach, centre, centre + reach)


def judge(values: Sequence[float], stated_u: Sequence[float]) -> Finding:
    """The latest value against the first ones: against their scatter once there are REFERENCE of them, and against the stated standard
    uncertainties always. ValueError for no values."""
    if not values:
        raise ValueError("judging a chart: it has no values")
    enough = len(values) > REFERENCE
    reference = values[:REFERENCE] if enough else values[:-1] or values
    centre = fmean(reference)
    reach = (_COVERAGE if enough else _COVERAGE_ALONE) * math.sqrt(fmean(u * u for u in stated_u))
    stated = Limits(centre - reach, centre, centre + reach)
    if not enough:
        outside = not stated.hold(values[-1])
        return Finding(State.DRIFTED if outside else State.STEADY, stated, None, len(values) - 1 if outside else None)
    chart = individuals(reference)
    since = _moved_since(values, chart)
    if since is None:
        return Finding(State.STEADY, stated, chart)
    return Finding(State.MOVED if stated.hold(values[-1]) else State.DRIFTED, stated, chart, since)


def _moved_since(values: Sequence[float], chart: Limits) -> int | None:
    """The first of the latest values that are all outside the limits, or of those that are all on one side of the centre, if many."""
    first = len(values)
    while first > REFERENCE and not chart.hold(values[first - 1]):
        first -= 1
    if first < len(values):
        return first
    above = values[-1] > chart.centre
    while first > 0 and values[first - 1] != chart.centre and (values[first - 1] > chart.centre) == above:
        first -= 1
    return first if len(values) - first >= _RUN else None
