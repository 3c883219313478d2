"""Values with a standard uncertainty, after the GUM (JCGM 100:2008).

Every measured value of this package is either an `Estimate` (with its budget) or a
`NotMeasured` (with its reason); there is no third kind, and never a NaN.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal, TypeAlias

INFINITE = math.inf
Shape: TypeAlias = Literal["normal", "rectangular"]


@dataclass(frozen=True, slots=True)
class Component:
    """One line of an uncertainty budget: a contribution to the result, in the result's unit (sensitivity applied).

    `u` is a standard uncertainty (k = 1), `dof` its degrees of freedom, `kind` A (from repeated cycles) or B (from anything
    else: GUM 4.2 and 4.3). `shape` `rectangular`: anywhere within +- u sqrt(3) alike, and never beyond.
    """

    source: str
    u: float
    dof: float = INFINITE
    kind: Literal["A", "B"] = "B"
    shape: Shape = "normal"

    def __post_init__(self) -> None:
        if not (math.isfinite(self.u) and self.u >= 0.0):
            raise ValueError(f"component {self.source!r}: u must be finite and not negative, got {self.u!r}")
        if not self.dof > 0.0:
            raise ValueError(f"component {self.source!r}: dof must be positive, got {self.dof!r}")


@dataclass(frozen=True, slots=True)
class Estimate:
    """A measured value: SI value, unit, budget, and the number of cycles (or starts) behind it.

    Components are independent of each other; what is common to two of them has to be made one component first.
    """

    value: float
    unit: str
    budget: tuple[Component, ...]
    n: int = 1
    note: str = ""

    def __post_init__(self) -> None:
        if not math.isfinite(self.value):
            raise ValueError(f"an estimate must be finite, got {self.value!r}: use NotMeasured")

    @property
    def u(self) -> float:
        """Combined standard uncertainty, in `unit` (GUM 5.1.2)."""
        return math.hypot(*(c.u for c in self.budget))

    @property
    def dof(self) -> float:
        """Effective degrees of freedom (Welch-Satterthwaite, GUM G.4.1), from the unrounded u; infinite if all are."""
        u = self.u
        if u == 0.0:
            return INFINITE
        # Fourth powers are taken of ratios: of bare microvolts they underflow.
        total = math.fsum((c.u / u) ** 4 / c.dof for c in self.budget)
        return 1.0 / total if total > 0.0 else INFINITE

    def coverage_factor(self, level: float = 0.95) -> float:
        """Return the factor for a two-sided interval of `level`: Student's, dof truncated to an integer (GUM G.4.1 note 1).

        Where one rectangular contribution outweighs the rest together, the factor is that of its sum with a normal one (GUM 4.3.9 and
        G.2.3: the normal factor would overstate the interval).
        """
        factor = student_factor(level, self.dof)
        widest = max((c.u for c in self.budget if c.shape == "rectangular"), default=0.0)
        u = self.u
        if widest * widest <= 0.5 * u * u:
            return factor
        rest = math.sqrt(max(u * u - widest * widest, 0.0))
        return factor * rectangular_sum_factor(level, widest / u, rest / u) / student_factor(level)

    def expanded(self, level: float = 0.95) -> float:
        """Return the half-width U of the interval that holds the true value with probability `level`, in `unit`."""
        return self.coverage_factor(level) * self.u

    def interval(self, level: float = 0.95) -> tuple[float, float]:
        """Return the ends of the interval that holds the true value with probability `level`, in `unit`."""
        half = self.expanded(level)
        return self.value - half, self.value + half

    def scaled(self, factor: float, unit: str) -> Estimate:
        """Return the same quantity times an exact factor, in another unit."""
        budget = tuple(Component(c.source, abs(factor) * c.u, c.dof, c.kind, c.shape) for c in self.budget)
        return Estimate(self.value * factor, unit, budget, self.n, self.note)


@dataclass(frozen=True, slots=True)
class NotMeasured:
    """A value that could not be had, and why. `fault` says whose doing it is; the bench's is never counted against the unit."""

    reason: str
    fault: Literal["none", "bench", "unit"] = "none"


Measurement = Estimate | NotMeasured


def student_factor(level: float, dof: float = INFINITE) -> float:
    """Return the two-sided Student factor: P(|t| <= k) = level. `dof` at least 1, truncated; infinite gives the normal factor."""
    if not 0.0 < level < 1.0:
        raise ValueError(f"level must lie between 0 and 1, got {level!r}")
    return student_quantile(0.5 + level / 2.0, dof)


def student_quantile(p: float, dof: float = INFINITE) -> float:
    """Return the quantile of Student's distribution, scipy-free so that a command starts fast.

    Above 200 degrees of freedom the normal quantile with the first two Cornish-Fisher terms (relative error below 5e-6); below, Newton's
    method on the exact closed form of the distribution function for integer degrees of freedom. `p`: probability.
    """
    if not 0.0 < p < 1.0:
        raise ValueError(f"p must lie between 0 and 1, got {p!r}")
    if p == 0.5:
        return 0.0
    if p < 0.5:
        return -student_quantile(1.0 - p, dof)
    z = normal_quantile(p)
    if math.isinf(dof):
        return z
    nu = max(1, math.floor(dof + 1e-9))
    guess = z + (z**3 + z) / (4 * nu) + (5 * z**5 + 16 * z**3 + 3 * z) / (96 * nu**2)
    if nu > 200:
        return guess
    if nu == 1:
        return math.tan(math.pi * (p - 0.5))
    if nu == 2:
        return (2 * p - 1) * math.sqrt(2 / (4 * p * (1 - p)))
    t = guess
    for _ in range(60):
        step = (student_cdf(t, nu) - p) / _student_pdf(t, nu)
        t -= max(min(step, 0.5 * t), -0.5 * t)
        if abs(step) < 1e-12 * max(1.0, t):
            break
    return t


def student_cdf(t: float, dof: float) -> float:
    """Return the distribution function of Student's t for whole degrees of freedom (closed form: Abramowitz and Stegun 26.7.3, 26.7.4)."""
    if math.isinf(dof):
        return normal_cdf(t)
    nu = max(1, math.floor(dof + 1e-9))
    if nu > 200:
        # Hill's normal transform (first terms): error below 1e-7 here.
        g = nu - 0.5
        z2 = math.log1p(t * t / nu) * g
        z = math.sqrt(z2)
        z += (z**3 + 3 * z) / (48 * g * g)
        return normal_cdf(math.copysign(z, t))
    theta = math.atan2(t, math.sqrt(nu))
    c, s = math.cos(theta), math.sin(theta)
    if nu % 2:
        term, total = c, c if nu > 1 else 0.0
        for k in range(3, nu - 1, 2):
            term *= c * c * (k - 1) / k
            total += term
        area = 2 / math.pi * (theta + (s * total if nu > 1 else 0.0))
    else:
        term, total = 1.0, 1.0
        for k in range(2, nu - 1, 2):
            term *= c * c * (k - 1) / k
            total += term
        area = s * total
    return min(max(0.5 + 0.5 * area, 0.0), 1.0)  # far out, rounding alone would pass the ends


def _student_pdf(t: float, nu: float) -> float:
    log_c = math.lgamma((nu + 1) / 2) - math.lgamma(nu / 2) - 0.5 * math.log(nu * math.pi)
    return math.exp(log_c - (nu + 1) / 2 * math.log1p(t * t / nu))


def rectangular_sum_factor(level: float, u_rectangular: float, u_normal: float) -> float:
    """Return k with P(|X + Y| <= k) = level, X rectangular and Y normal with these standard uncertainties, by bisection to 1e-6.

    `level`: a probability; k, `u_rectangular` and `u_normal` in one unit.
    """
    half = u_rectangular * math.sqrt(3.0)

    def integral(z: float) -> float:
        """Return the integral of the normal distribution function from minus infinity to z."""
        return z * normal_cdf(z) + math.exp(-0.5 * z * z) / math.sqrt(2.0 * math.pi)

    def inside(k: float) -> float:
        if u_normal < 1e-3 * half:
            return min(k / half, 1.0)
        return u_normal / half * (integral((k + half) / u_normal) - integral((k - half) / u_normal)) - 1.0

    low, high = 0.0, half + 10.0 * u_normal
    while high - low > 1e-6 * high:
        middle = 0.5 * (low + high)
        low, high = (middle, high) if inside(middle) < level else (low, middle)
    return 0.5 * (low + high)


def normal_cdf(z: float) -> float:
    """Return the normal distribution function at z. `z` in standard deviations."""
    return 0.5 * math.erfc(-z / math.sqrt(2.0))


def normal_quantile(p: float) -> float:
    """Return z of the normal distribution function p, 0 < p < 1. `p` is a probability."""
    from statistics import NormalDist

    return NormalDist().inv_cdf(p)


@dataclass(frozen=True, slots=True)
class TypeA:
    """Mean of repeated readings and the standard uncertainty of that mean (GUM 4.2.3). `mean`, s and `u` in the unit of the readings."""

    mean: float
    s: float
    n: int
    u: float = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "u", self.s / math.sqrt(self.n))

    def component(self, source: str) -> Component:
        """Return the budget line of this mean; of a single reading there is none to be had (ValueError)."""
        if self.n < 2:
            raise ValueError(f"{source}: one reading has no type A uncertainty")
        return Component(source, self.u, float(self.n - 1), "A")


def type_a(readings: Sequence[float] | Iterable[float]) -> TypeA:
    """Return the type A evaluation of independent repeated readings; at least one. s of a single reading is 0 and carries no weight."""
    values = [float(v) for v in readings]
    if not values:
        raise ValueError("type A evaluation of no readings")
    mean = math.fsum(values) / len(values)
    s = math.sqrt(math.fsum((v - mean) ** 2 for v in values) / (len(values) - 1)) if len(values) > 1 else 0.0
    return TypeA(mean, s, len(values))


def rectangular(half_width: float) -> float:
    """Return the standard uncertainty of a quantity known only to lie within +- half_width (GUM 4.3.7).

    `half_width` in the quantity's unit.
    """
    return half_width / math.sqrt(3.0)


def is_common(source: str) -> bool:
    """Return whether a line of this source is one error in every value of the same channel or clock: of its scale, its zero, its rate."""
    return source.endswith((": scale", ": zero", ": zero (taken at rest)")) or "clock" in source


def quotient(a: Estimate, b: Estimate, unit: str = "1") -> Estimate:
    """Return a / b. An error that is common to both (one clock, one channel's scale) cancels as far as it is the same part of each."""
    value = a.value / b.value
    upper, lower = ({c.source: c for c in e.budget} for e in (a.scaled(1.0 / b.value, unit), b.scaled(value / b.value, unit)))
    budget = []
    for source in dict.fromkeys((*upper, *lower)):
        lines = [side[source] for side in (upper, lower) if source in side]
        if len(lines) == 1:
            budget += lines
        else:
            first, second = lines
            common = is_common(source)
            alike = common and first.shape == second.shape
            u = abs(first.u - second.u) if common else math.hypot(first.u, second.u)
            budget.append(replace(first, u=u, dof=min(first.dof, second.dof), shape=first.shape if alike else "normal"))
    return Estimate(value, unit, tuple(budget), min(a.n, b.n))


def combine(*parts: float) -> float:
    """Return the root sum of squares of independent standard uncertainties in one unit."""
    return math.sqrt(math.fsum(p * p for p in parts))
