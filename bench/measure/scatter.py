"""How values that are read again and again scatter: of the unit, or of the instants at which it was read; and how well that is known."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise

from bench.uncertainty import Component, Estimate, Measurement, NotMeasured, TypeA

_TREND_LEAST = 8  # points of a trend: common practice, no source
_BY_SAMPLES = 0.6  # of an interval: edges that fall on either side of a sample make a period scatter by half of one at the most


def own_u(a: TypeA, instants_u: float) -> float:
    """Return the standard uncertainty of a mean by the unit's own scatter: that of the readings less what their instants add to it.

    What is left is never less than a variance estimated from so few cycles can tell from nothing. `instants_u`: standard uncertainty that
    instants give a single reading, in its unit.
    """
    read, instants = a.s**2, instants_u**2
    least = math.sqrt(2.0 / (a.n - 1)) * min(read, instants) if a.n > 1 else 0.0
    return math.sqrt(max(read - instants, least) / a.n)


def is_in_step(period_s: float, s: float, n: int, interval_s: float) -> bool:
    """Return whether n cycles met the samples nearly alike: the period is so near a whole number of intervals that all of them together
    drift by one at the most (which is read to within one), and what is read scatters by less, s. What an edge is off by is then no chance,
    though it may fall on either side of a sample."""
    if interval_s <= 0.0:
        return False
    intervals = period_s / interval_s
    return n * abs(intervals - round(intervals)) < 2.0 and s < _BY_SAMPLES * interval_s


def kept_by_mean(s: float, u: float, n: int) -> float:
    """Return the part of an instant's uncertainty u that the mean of n cycles keeps: 1 / sqrt(n) if it differs from cycle to cycle, as a
    scatter s of at least u shows; all of it if every cycle met the samples alike."""
    alike = max(0.0, 1.0 - (s / u) ** 2) if u > 0.0 else 0.0
    return math.sqrt(alike + (1.0 - alike) / n)


def neighbours_share(values: Sequence[float]) -> float:
    """Return the variance of a mean over that of independent values: 1 + 2 r with r the correlation of neighbours (GUM F.1.1.2, C.3.5).

    Neighbouring cycles are not independent in their on-time: the instant of closing lengthens the one by what it takes from the
    other. r is estimated from the cycles themselves; the result is kept from going below 0.08, which few cycles can't support.
    """
    n = len(values)
    mean = math.fsum(values) / n
    squares = math.fsum((v - mean) ** 2 for v in values)
    if n < 4 or squares == 0.0:
        return 1.0
    together = math.fsum((a - mean) * (b - mean) for a, b in pairwise(values))
    # Taking the mean off makes the estimate of r low by 1 / n.
    return max(0.08, 1.0 + 2.0 * (together / squares + 1.0 / n))


def scatter_of(u: float, n: int, of: str) -> Component:
    """Return the budget line of a mean's scatter; `u` in the quantity's unit, from n values called `of`."""
    return Component(f"scatter of {n} {of}", u, float(max(n - 1, 1)), "A")


def spread_of(s: float, unit: str, n: int, instants_u: float = 0.0) -> Estimate:
    """Return the standard deviation of normal values of which n were read with a scatter s, each with an uncertainty of instants_u in it.

    The variance read is known to its share sqrt(2 / (n - 1)). The 95 % interval about a standard deviation is not even on both sides; the
    factor makes an even one hold as often (computed from the chi-squared distribution, for 2 to 100 degrees of freedom within 5 %).
    """
    read, dof = s * s, n - 1
    own = math.sqrt(max(read - instants_u**2, 0.0))
    u_variance = math.sqrt(2.0 / dof) * max(read, instants_u**2)
    u = (1.0 + 1.8 / (dof + 0.6)) * min(u_variance / (2.0 * own), math.sqrt(u_variance)) if own > 0.0 else math.sqrt(u_variance)
    return Estimate(own, unit, (Component("number of cycles", u, float(dof), "A"),), n)


def trend_of(points: Sequence[tuple[float, float]], unit: str, reading_u: float) -> Measurement:
    """Return the least-squares slope with its type A uncertainty; `reading_u` of each point counts where their scatter does not show it."""
    n = len(points)
    if n < _TREND_LEAST:
        return NotMeasured(f"{n} cycles are too few for a trend, {_TREND_LEAST} needed")
    mean_x, mean_y = math.fsum(x for x, _ in points) / n, math.fsum(y for _, y in points) / n
    sxx = math.fsum((x - mean_x) ** 2 for x, _ in points)
    slope = math.fsum((x - mean_x) * (y - mean_y) for x, y in points) / sxx
    residuals = [y - mean_y - slope * (x - mean_x) for x, y in points]
    s2 = math.fsum(r * r for r in residuals) / (n - 2)
    scatter = Component(f"scatter of {n} cycles", math.sqrt(s2 * max(1.0, neighbours_share(residuals)) / sxx), float(n - 2), "A")
    unseen = Component("readings of single cycles", math.sqrt(max(reading_u**2 - s2, 0.0) / sxx))
    return Estimate(slope, unit, (scatter, unseen), n)
