"""Coverage intervals of budgets that a rectangular part rules, against integrals by scipy; and what scaling keeps."""

from __future__ import annotations

import math

import pytest
from hand_evidence import near
from scipy import integrate, optimize, stats

from bench.uncertainty import (
    Component,
    Estimate,
    TypeA,
    combine,
    normal_cdf,
    normal_quantile,
    quotient,
    rectangular_sum_factor,
    student_cdf,
    student_factor,
    student_quantile,
    type_a,
)


def inside(k: float, half: float, u_normal: float) -> float:
    """P(|X + Y| <= k): the normal part integrated over the rectangular one."""

    def at(x: float) -> float:
        return float(stats.norm.cdf((k - x) / u_normal) - stats.norm.cdf((-k - x) / u_normal))

    return float(integrate.quad(at, -half, half, epsabs=1e-12)[0]) / (2.0 * half)


def budget(u_rectangular: float, *normal: Component) -> Estimate:
    return Estimate(5.0, "V", (Component("limits of error", u_rectangular, shape="rectangular"), *normal), 4)


@pytest.mark.parametrize("level", [0.9, 0.95, 0.99])
@pytest.mark.parametrize("u_normal", [0.01, 0.2, 0.5, 1.0])
def test_the_factor_of_a_rectangular_and_a_normal_part_is_that_of_their_sum(level: float, u_normal: float) -> None:
    half = 0.8 * math.sqrt(3.0)
    k = rectangular_sum_factor(level, 0.8, u_normal)
    assert inside(k, half, u_normal) == near(level, abs=2e-6)
    assert k == near(optimize.brentq(lambda x: inside(x, half, u_normal) - level, 1e-3, half + 9.0 * u_normal), rel=1e-5)


def test_the_factor_does_not_depend_on_the_unit() -> None:
    for unit in (1e-7, 1e6):
        assert rectangular_sum_factor(0.95, 0.8 * unit, 0.3 * unit) == near(unit * rectangular_sum_factor(0.95, 0.8, 0.3), rel=2e-6)


@pytest.mark.parametrize("level", [0.5, 0.95, 0.99])
def test_a_rectangular_part_alone_holds_so_much_of_its_width(level: float) -> None:
    """GUM 4.3.7 and G.2.3: 95 % of a rectangle are 0.95 of its half-width, 1.65 u and not 1.96 u."""
    assert rectangular_sum_factor(level, 1.0, 0.0) == near(level * math.sqrt(3.0), rel=2e-6)
    assert rectangular_sum_factor(level, 1.0, 1e-4) == near(level * math.sqrt(3.0), rel=2e-6)
    alone = budget(0.2)
    assert alone.coverage_factor(level) == near(level * math.sqrt(3.0), rel=2e-6)
    assert alone.interval(level) == near((5.0 - level * 0.2 * math.sqrt(3.0), 5.0 + level * 0.2 * math.sqrt(3.0)), rel=1e-6)


@pytest.mark.parametrize(("part", "rectangular"), [(0.69, False), (0.72, True)])
def test_a_rectangular_part_rules_from_half_of_the_variance(part: float, rectangular: bool) -> None:
    """0.71 squared. Until then the sum is nearly normal."""
    found = budget(part, Component("noise", math.sqrt(1.0 - part**2)))
    half = part * math.sqrt(3.0)
    true = optimize.brentq(lambda x: inside(x, half, math.sqrt(1.0 - part**2)) - 0.95, 1e-3, 9.0)
    assert found.coverage_factor() == near(true if rectangular else 1.959964, rel=1e-5)


def test_the_largest_of_several_rectangular_parts_rules_and_the_others_count_as_normal() -> None:
    found = budget(0.9, Component("smaller", 0.3, shape="rectangular"), Component("noise", 0.1))
    u = math.sqrt(0.81 + 0.09 + 0.01)
    assert found.u == near(u)
    assert found.expanded() == near(optimize.brentq(lambda x: inside(x, 0.9 * math.sqrt(3.0), math.sqrt(0.1)) - 0.95, 1e-3, 9.0), rel=1e-5)
    normal = Estimate(5.0, "V", (Component("wide", 0.9), Component("noise", 0.1)))
    assert normal.coverage_factor() == near(1.959964, rel=1e-6)


def test_few_degrees_of_freedom_widen_the_sum_as_much_as_a_normal_one() -> None:
    few = budget(0.9, Component("repeats", 0.4, 3.0, "A"))
    many = budget(0.9, Component("repeats", 0.4))
    assert few.dof == near(3.0 * (few.u / 0.4) ** 4)
    assert few.coverage_factor() == near(many.coverage_factor() * student_factor(0.95, few.dof) / 1.959964, rel=1e-6)
    assert few.coverage_factor() > many.coverage_factor()


def test_scaling_keeps_everything_but_the_size() -> None:
    parts = (Component("limits", 0.2, shape="rectangular"), Component("repeats", 0.3, 4.0, "A"))
    found = Estimate(5.0, "V", parts, 7, "a note").scaled(-1000.0, "mV")
    assert (found.value, found.unit, found.n, found.note) == (-5000.0, "mV", 7, "a note")
    limits, repeats = found.budget
    assert (limits.u, limits.shape, limits.kind, limits.dof) == (near(200.0), "rectangular", "B", math.inf)
    assert (repeats.u, repeats.shape, repeats.kind, repeats.dof) == (near(300.0), "normal", "A", 4.0)


def test_an_estimate_without_a_budget_is_exact() -> None:
    exact = Estimate(3.0, "1", ())
    assert (exact.u, exact.dof, exact.expanded(), exact.n, exact.note) == (0.0, math.inf, 0.0, 1, "")
    assert exact.interval() == (3.0, 3.0)
    assert Estimate(3.0, "1", (Component("nothing", 0.0, 3.0),)).dof == math.inf
    assert Component("noise", 0.0).u == 0.0, "a part of nothing may be said"


@pytest.mark.parametrize("dof", [0.0, -1.0, math.nan])
def test_degrees_of_freedom_are_above_nothing(dof: float) -> None:
    with pytest.raises(ValueError, match="dof must be positive"):
        Component("noise", 1.0, dof)
    assert Component("noise", 1.0, 0.5).dof == 0.5


@pytest.mark.parametrize("value", [math.inf, -math.inf, math.nan])
def test_an_infinite_value_is_none(value: float) -> None:
    with pytest.raises(ValueError, match="must be finite"):
        Estimate(value, "V", ())


@pytest.mark.parametrize("level", [0.0, -0.1, 1.0, 1.1])
def test_a_level_lies_between_nothing_and_certainty(level: float) -> None:
    with pytest.raises(ValueError, match="level must lie between 0 and 1"):
        student_factor(level, 5.0)
    with pytest.raises(ValueError, match="p must lie between 0 and 1"):
        student_quantile(level, 5.0)


@pytest.mark.parametrize("dof", [1.0, 2.0, 3.0, 4.0, 5.0, 8.0, 30.0, 31.0, 199.0, 200.0, 201.0, 1000.0])
@pytest.mark.parametrize("p", [0.001, 0.4, 0.5, 0.6, 0.975, 0.9999])
def test_quantile_and_distribution_of_student_are_those_of_scipy(p: float, dof: float) -> None:
    """From 201 degrees of freedom on by series, whose error is stated: below 5e-6 of the quantile, and 1e-7 of the probability."""
    assert student_quantile(p, dof) == near(stats.t.ppf(p, dof), rel=1e-9 if dof <= 200 else 5e-6, abs=1e-9)
    for t in (-3.0, -0.5, 0.0, 0.5, 3.0):
        assert student_cdf(t, dof) == near(stats.t.cdf(t, dof), abs=1e-12 if dof <= 200 else 1e-7)


def test_degrees_of_freedom_are_cut_to_whole_ones_but_not_by_rounding() -> None:
    """GUM G.4.1 note 1; 3.9999999999 came from a sum that is 4."""
    assert student_quantile(0.975, 4.9) == student_quantile(0.975, 4.0)
    assert student_quantile(0.975, 4.0 - 1e-11) == student_quantile(0.975, 4.0) != student_quantile(0.975, 4.0 - 1e-6)
    assert student_cdf(1.0, 4.9) == student_cdf(1.0, 4.0) == student_cdf(1.0, 4.0 - 1e-11) != student_cdf(1.0, 3.99)
    assert student_quantile(0.975, 0.3) == student_quantile(0.975, 1.0) and student_cdf(1.0, 0.3) == student_cdf(1.0, 1.0)


def test_the_normal_distribution_is_that_of_scipy() -> None:
    for z in (-8.0, -1.0, 0.0, 0.3, 2.0):
        assert normal_cdf(z) == near(stats.norm.cdf(z), rel=1e-12)
    assert normal_quantile(0.975) == near(stats.norm.ppf(0.975), rel=1e-12)
    assert student_quantile(0.9) == near(stats.norm.ppf(0.9), rel=1e-12)


def test_repeated_readings() -> None:
    values = [1.0, 1.2, 1.1, 1.3]
    found = type_a(v for v in values)
    assert (found.mean, found.s, found.n, found.u) == (near(1.15), near(stats.tstd(values)), 4, near(stats.sem(values)))
    assert type_a([3.0]) == TypeA(3.0, 0.0, 1)
    two = type_a([1.0, 2.0])
    assert (two.s, two.component("x").dof) == (near(math.sqrt(0.5)), 1.0)
    assert combine(3.0, 4.0, 12.0) == near(13.0) and combine() == 0.0


def test_what_is_common_to_both_sides_of_a_quotient_cancels_and_nothing_else_does() -> None:
    """A scale of 1 % against one of 0.4 % of the same channel leaves 0.6 %; scatter and linearity of each stay."""
    a = Estimate(20.0, "A", (
        Component("i: scale", 0.2, shape="rectangular"), Component("i: linearity", 0.06), Component("scatter", 0.1, 9.0, "A"),
        Component("clock", 0.02), Component("own", 0.04, shape="rectangular"),
    ), 9)  # fmt: skip
    b = Estimate(10.0, "A", (
        Component("i: scale", 0.04, shape="rectangular"), Component("i: linearity", 0.04), Component("scatter", 0.02, 4.0, "A"),
        Component("clock", 0.03, shape="rectangular"),
    ), 5)  # fmt: skip
    found = quotient(a, b)
    lines = {c.source: c for c in found.budget}
    assert (found.value, found.unit, found.n, len(lines), len(found.budget)) == (2.0, "1", 5, 5, 5)
    assert (lines["i: scale"].u, lines["i: scale"].shape) == (near(2.0 * 0.006), "rectangular")
    assert (lines["clock"].u, lines["clock"].shape) == (near(2.0 * 0.002), "normal")
    turned = {c.source: c for c in quotient(b, a).budget}
    assert turned["clock"].shape == "normal" and turned["clock"].u == near(0.5 * 0.002)
    assert lines["i: linearity"].u == near(2.0 * math.hypot(0.003, 0.004))
    assert (lines["scatter"].u, lines["scatter"].dof, lines["scatter"].kind) == (near(2.0 * math.hypot(0.005, 0.002)), 4.0, "A")
    assert (lines["own"].u, lines["own"].shape) == (near(2.0 * 0.002), "rectangular")
