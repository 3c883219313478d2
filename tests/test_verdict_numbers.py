"""Verdicts to the last digit: on the edges of their regions, and risks whose closed form is known."""

from __future__ import annotations

import math

import pytest
from hand_evidence import near
from scipy import stats
from test_verdict_parts import FAIL, LAMP, LEFT, MAYBE, MAYBE_NOT, PASS, A, judged

from bench.limits import AllOf, AnyOf
from bench.verdict import decide, global_risk, guard_band, guard_for_consumer_risk

INF = math.inf


@pytest.mark.parametrize("dof", [1.0, 2.0, 5.0, 9.0, 40.0, INF])
@pytest.mark.parametrize("u", [0.3, 1.0])
def test_the_guard_band_itself_belongs_to_what_is_definite(u: float, dof: float) -> None:
    """Inside a limit by w or more passes, outside by w or more fails; a digit less is neither."""
    w = guard_band(u, dof)
    less = math.nextafter(w, 0.0)
    assert [decide(v, u, dof, 0.0, None) for v in (w, less, -less, -w)] == [PASS, MAYBE, MAYBE_NOT, FAIL]
    assert [decide(v, u, dof, None, 0.0) for v in (-w, -less, less, w)] == [PASS, MAYBE, MAYBE_NOT, FAIL]


@pytest.mark.parametrize("u", [1e-3, 0.01, 0.1, 1.0, 3.0])
def test_a_limit_that_parts_the_units_in_two_halves(u: float) -> None:
    """Units N(5, 1), limit 5, error u: the true value and the reading lie on unlike sides of it in atan(u) / pi of all, half of it each way
    (the angle between the two in the plane of two normal variables)."""
    for low, high in ((None, 5.0), (5.0, None)):
        assert global_risk(stats.norm(5.0, 1.0), u, low, high) == near((math.atan(u) / (2.0 * math.pi),) * 2, rel=1e-10)


def test_units_spread_evenly_are_accepted_wrongly_by_the_error_alone() -> None:
    """Units between 0 and 2, limit 1: those above it read below by u / sqrt(2 pi) times their density of 1/2; a guard band of g takes
    that to u (phi(g/u) - g/u Q(g/u)) / 2."""
    u, prior = 0.01, stats.uniform(0.0, 2.0)
    for g in (0.0, 0.5, 2.0, -1.0):
        bad = u * (stats.norm.pdf(g) - g * stats.norm.sf(g)) / 2.0
        good = u * (stats.norm.pdf(g) + g * stats.norm.cdf(g)) / 2.0
        assert global_risk(prior, u, None, 1.0, g * u) == near((bad, good), rel=1e-9)


@pytest.mark.parametrize("u", [1e-6, 0.1, 1e4])
def test_a_guard_band_does_not_depend_on_the_unit_of_length(u: float) -> None:
    """Units N(0, 10 u), limit 10 u: with a guard band of 0.7 u to 1e-8 of u, whatever u is."""
    prior = stats.norm(0.0, 10.0 * u)
    asked = global_risk(stats.norm(0.0, 10.0), 1.0, None, 10.0, 0.7).consumer
    assert guard_for_consumer_risk(prior, u, None, 10.0 * u, asked) / u == near(0.7, abs=1e-8)
    with pytest.raises(ValueError, match="no guard band within 8 u"):
        guard_for_consumer_risk(prior, u, None, 10.0 * u, global_risk(stats.norm(0.0, 10.0), 1.0, None, 10.0, 9.0).consumer)


def test_what_settles_alternatives_is_the_fact_that_holds() -> None:
    """Not a number beside it, whose risk then counts no more, and not a fact that does not hold."""
    number_first = AnyOf("x", (AllOf("a", (A,)), AllOf("lamp", (LAMP,))))
    found = judged(number_first, 3.0, None, {"lamp out": "shown"})
    assert (found.conformity, found.by_fact, found.p_wrong) == (PASS, "shown", None)
    other_first = AnyOf("x", (AllOf("left", (LEFT,)), AllOf("lamp", (LAMP,))))
    found = judged(other_first, None, None, {"outage": "dark", "lamp out": "shown"})
    assert (found.conformity, found.by_fact) == (PASS, "shown")
