"""Verdicts to the last digit: on the edges of their regions, and what settles alternatives."""

from __future__ import annotations

import math

import pytest
from test_verdict_parts import FAIL, LAMP, LEFT, MAYBE, MAYBE_NOT, PASS, A, judged

from bench.limits import AllOf, AnyOf
from bench.verdict import decide, guard_band

INF = math.inf


@pytest.mark.parametrize("dof", [1.0, 2.0, 5.0, 9.0, 40.0, INF])
@pytest.mark.parametrize("u", [0.3, 1.0])
def test_the_guard_band_itself_belongs_to_what_is_definite(u: float, dof: float) -> None:
    """Inside a limit by w or more passes, outside by w or more fails; a digit less is neither."""
    w = guard_band(u, dof)
    less = math.nextafter(w, 0.0)
    assert [decide(v, u, dof, 0.0, None) for v in (w, less, -less, -w)] == [PASS, MAYBE, MAYBE_NOT, FAIL]
    assert [decide(v, u, dof, None, 0.0) for v in (-w, -less, less, w)] == [PASS, MAYBE, MAYBE_NOT, FAIL]


def test_what_settles_alternatives_is_the_fact_that_holds() -> None:
    """Not a number beside it, whose risk then counts no more, and not a fact that does not hold."""
    number_first = AnyOf("x", (AllOf("a", (A,)), AllOf("lamp", (LAMP,))))
    found = judged(number_first, 3.0, None, {"lamp out": "shown"})
    assert (found.conformity, found.by_fact, found.p_wrong) == (PASS, "shown", None)
    other_first = AnyOf("x", (AllOf("left", (LEFT,)), AllOf("lamp", (LAMP,))))
    found = judged(other_first, None, None, {"outage": "dark", "lamp out": "shown"})
    assert (found.conformity, found.by_fact) == (PASS, "shown")
