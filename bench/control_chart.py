"""A chart for individual values over time: where they should lie, and whether what makes them has changed.

A change is called a drift only if neither the scatter of the values nor what is stated of them explains it. What the scatter is a few
values hardly tell: one earlier value nothing, three by Student's factor for two degrees of freedom, eight well enough for a chart.

Centre and limits after the NIST/SEMATECH e-Handbook of Statistical Methods, individuals control charts: mean, and mean plus and
minus 3 times the mean moving range over 1.128 (the expected range of two normal values, in standard deviations), which is 2.66 times it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from itertools import pairwise
from statistics import fmean, stdev

from bench.uncertainty import combine, student_factor

RANGE_OF_TWO = 1.128
REFERENCE = 8
"""So many values at the beginning make the chart's limits."""
FEWEST = 3
"""So many earlier values tell what their scatter is; with fewer no drift is told from it."""
_RUN = 8  # in a row on one side of the centre: once in 128 by chance (a common rule of such charts)
_COVERAGE = 2.0  # a change is of weight beyond twice its stated uncertainty, 95 %
_COVERAGE_ALONE = 3.0  # as long as no chart bears it out
_LEVEL_ALONE = 0.99  # likewise of the scatter; a standard has some seven quantities, each looked at every day


class ChartState(StrEnum):
    """Whether what is charted has stayed what it was."""

    STEADY = "steady"
    MOVED = "moved"
    DRIFTED = "drifted"
    UNTOLD = "untold"


@dataclass(frozen=True, slots=True)
class ChartLimits:
    """Where values of a chart should lie, in their unit: from `low` to `high` (both included), about `centre`."""

    low: float
    centre: float
    high: float

    def hold(self, value: float) -> bool:
        """Return whether a value lies within the limits."""
        return self.low <= value <= self.high


@dataclass(frozen=True, slots=True)
class ChartFinding:
    """How the latest value stands. `chart`: limits from the scatter of the first values, None while there are too few; `drift`: beyond them
    it has drifted. `since`: place of the first value that shows the change.

    MOVED is a change that the chart shows and the stated uncertainty still covers; DRIFTED one that it does not cover. UNTOLD: fewer than
    FEWEST earlier values, so that it can't be told; with `since`, the latest differs by more than what is stated.
    """

    state: ChartState
    drift: ChartLimits
    chart: ChartLimits | None = None
    since: int | None = None


def individuals(values: Sequence[float]) -> ChartLimits:
    """Return centre and limits from the values' own scatter. ValueError for fewer than two."""
    if len(values) < 2:
        raise ValueError(f"limits of a chart: {len(values)} value, at least 2 are needed")
    centre = fmean(values)
    reach = 3.0 * fmean(abs(b - a) for a, b in pairwise(values)) / RANGE_OF_TWO
    return _around(centre, reach)


def judge(values: Sequence[float], stated_u: Sequence[float]) -> ChartFinding:
    """Judge the latest value against the first REFERENCE, or against all earlier ones while there are no more, by their scatter and by the
    stated standard uncertainties. ValueError for no values."""
    if not values:
        raise ValueError("judging a chart: it has no values")
    last = len(values) - 1
    if last < REFERENCE:
        return _judge_few(values[:last], stated_u[:last], values[last], stated_u[last])
    reference = values[:REFERENCE]
    chart = individuals(reference)
    drift = _around(chart.centre, _COVERAGE * _u_of_change(stated_u[:REFERENCE], stated_u[last]))
    since = _moved_since(values, chart)
    if since is None:
        return ChartFinding(ChartState.STEADY, drift, chart)
    return ChartFinding(ChartState.MOVED if drift.hold(values[last]) else ChartState.DRIFTED, drift, chart, since)


def _judge_few(earlier: Sequence[float], earlier_u: Sequence[float], value: float, u: float) -> ChartFinding:
    if not earlier:
        return ChartFinding(ChartState.UNTOLD, _around(value, _COVERAGE_ALONE * u))
    centre, stated = fmean(earlier), _COVERAGE_ALONE * _u_of_change(earlier_u, u)
    if len(earlier) < FEWEST:
        drift = _around(centre, stated)
        return ChartFinding(ChartState.UNTOLD, drift, since=None if drift.hold(value) else len(earlier))
    # The latest scatters as much as the earlier ones, of whose mean too little is known (prediction interval of one more normal value).
    scatter = student_factor(_LEVEL_ALONE, len(earlier) - 1) * stdev(earlier) * math.sqrt(1.0 + 1.0 / len(earlier))
    drift = _around(centre, combine(scatter, stated))
    return ChartFinding(ChartState.STEADY, drift) if drift.hold(value) else ChartFinding(ChartState.DRIFTED, drift, since=len(earlier))


def _u_of_change(earlier_u: Sequence[float], u: float) -> float:
    """Return the standard uncertainty of what a value differs by from the mean of earlier ones. What is stated may be the same error in all
    of the earlier ones, so that their mean is known no better than one; and how much of it the latest shares is not known."""
    return combine(math.sqrt(fmean(one * one for one in earlier_u)), u)


def _around(centre: float, reach: float) -> ChartLimits:
    return ChartLimits(centre - reach, centre, centre + reach)


def _moved_since(values: Sequence[float], chart: ChartLimits) -> int | None:
    """Return the first of the latest values that are all outside the limits, or of those that are all on one side of the centre, if
    many."""
    first = len(values)
    while first > REFERENCE and not chart.hold(values[first - 1]):
        first -= 1
    if first < len(values):
        return first
    above = values[-1] > chart.centre
    while first > 0 and values[first - 1] != chart.centre and (values[first - 1] > chart.centre) == above:
        first -= 1
    return first if len(values) - first >= _RUN else None
