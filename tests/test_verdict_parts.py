"""Verdicts over alternatives and conjunctions: the risk is that of all parts together, computed by hand from the normal distribution."""

from __future__ import annotations

import math
from collections.abc import Sequence

import pytest
from hand_evidence import near
from scipy import stats
from verdict_cases import DROP, OWN, RATE, START, estimate, limit_set

from bench.limits import AllOf, AnyOf, FactLimit, Limit
from bench.measure import Measured
from bench.uncertainty import NotMeasured
from bench.verdict import Conformity, Verdict, conformance_probability, decide, judge, specific_risk

A = Limit("outage_ratio", None, 10.0, "1", OWN)
B = Limit("outage_rate_per_min", None, 10.0, "1/min", OWN)
LAMP = FactLimit("lamp out", ("shown",), "lamp out", OWN)
LEFT = FactLimit("outage", ("flashing",), "outage", OWN)
PASS, MAYBE, MAYBE_NOT, FAIL, OPEN = (
    Conformity.PASS, Conformity.CONDITIONAL_PASS, Conformity.CONDITIONAL_FAIL, Conformity.FAIL, Conformity.NOT_MEASURED,
)  # fmt: skip


def inside(z: float | None) -> float:
    """A value that lies inside the limit of 10 by z uncertainties of 1; None if it was not measured."""
    return math.nan if z is None else 10.0 - z


def judged(requirement: AnyOf, a: float | None, b: float | None, facts: dict[str, str] | None = None, level: float = 0.95) -> Verdict:
    values = {limit.quantity: NotMeasured("why") if z is None else estimate(inside(z), 1.0, limit.unit) for limit, z in ((A, a), (B, b))}
    (found,) = judge(Measured(values, facts or {}), limit_set(requirement), level)
    return found


def risk(*zs: float) -> Sequence[float]:
    return [float(stats.norm.sf(z)) for z in zs]


BOTH = AnyOf("both", (AllOf("all", (A, B)),))
EITHER = AnyOf("either", (AllOf("a", (A,)), AllOf("b", (B,))))


@pytest.mark.parametrize(
    ("a", "b", "outcome", "wrong"),
    [
        (3.0, 3.0, PASS, sum(risk(3.0, 3.0))),
        (1.7, 1.7, MAYBE, sum(risk(1.7, 1.7))),  # each within 5 %, both together not
        (1.7, 9.0, PASS, sum(risk(1.7, 9.0))),
        (1.0, 3.0, MAYBE, sum(risk(1.0, 3.0))),
        (-1.0, 3.0, MAYBE_NOT, min(risk(1.0, -3.0))),  # wrong only if both are kept: no likelier than the first
        (-1.0, -1.2, MAYBE_NOT, min(risk(1.0, 1.2))),
        (-3.0, 3.0, FAIL, min(risk(3.0, -3.0))),
        (-3.0, -4.0, FAIL, min(risk(3.0, 4.0))),
        (-3.0, None, FAIL, risk(3.0)[0]),
        (3.0, None, OPEN, None),
        (-1.0, None, MAYBE_NOT, risk(1.0)[0]),
    ],
)
def test_all_of_two(a: float, b: float | None, outcome: Conformity, wrong: float | None) -> None:
    found = judged(BOTH, a, b).parts[0]
    assert found.conformity is outcome
    if wrong is None:
        assert found.p_wrong is None and found.p_conform is None
        return
    assert found.p_wrong == near(wrong, abs=1e-12)
    assert found.p_conform == near(1.0 - wrong if outcome.is_favourable else wrong, abs=1e-12)


@pytest.mark.parametrize(
    ("a", "b", "outcome", "wrong"),
    [
        (3.0, -3.0, PASS, risk(3.0)[0]),
        (3.0, 2.0, PASS, min(risk(3.0, 2.0))),
        (3.0, None, PASS, risk(3.0)[0]),
        (1.0, -3.0, MAYBE, risk(1.0)[0]),
        (-3.0, -4.0, FAIL, sum(risk(3.0, 4.0))),
        (-1.7, -1.7, MAYBE_NOT, sum(risk(1.7, 1.7))),  # either may be kept after all
        (-1.7, -9.0, FAIL, sum(risk(1.7, 9.0))),
        (-1.0, -3.0, MAYBE_NOT, sum(risk(1.0, 3.0))),
        (-3.0, None, OPEN, None),
        (0.2, -0.1, MAYBE, risk(0.2)[0]),
    ],
)
def test_any_of_two(a: float, b: float | None, outcome: Conformity, wrong: float | None) -> None:
    found = judged(EITHER, a, b)
    assert found.conformity is outcome
    assert (found.p_wrong is None) if wrong is None else (found.p_wrong == near(wrong, abs=1e-12))


def test_a_risk_is_never_more_than_certainty() -> None:
    assert judged(EITHER, -0.01, -0.01).p_wrong == near(2 * risk(0.01)[0])
    three = AnyOf("three", (AllOf("a", (A,)), AllOf("b", (B,)), AllOf("again", (B,))))
    assert judged(three, -0.01, -0.01).p_wrong == 1.0


def test_the_level_is_that_of_the_whole() -> None:
    assert judged(BOTH, 2.0, 2.0, level=0.95).conformity is PASS
    assert judged(BOTH, 2.0, 2.0, level=0.97).conformity is MAYBE
    assert judged(BOTH, 2.4, 2.4, level=0.99).conformity is MAYBE and judged(BOTH, 2.6, 2.6, level=0.99).conformity is PASS


def test_what_a_fact_decides_is_certain() -> None:
    either = AnyOf("either", (AllOf("a", (A,)), AllOf("lamp", (LAMP,))))
    shown, not_shown = {"lamp out": "shown"}, {"lamp out": "not shown"}
    passed = judged(either, -3.0, 0.0, shown)
    assert (passed.conformity, passed.by_fact, passed.p_wrong) == (PASS, "shown", None)
    failed = judged(either, -3.0, 0.0, not_shown)
    assert (failed.conformity, failed.by_fact, failed.p_wrong) == (FAIL, "", near(risk(3.0)[0]))
    kept = judged(either, 3.0, 0.0, not_shown)
    assert (kept.conformity, kept.p_wrong) == (PASS, near(risk(3.0)[0]))
    open_ = judged(either, -3.0, 0.0)
    assert (open_.conformity, open_.by_fact) == (OPEN, "")
    both = AnyOf("both", (AllOf("a and lamp", (A, LAMP)),))
    assert judged(both, 3.0, 0.0, not_shown).parts[0].by_fact == "not shown"
    whole = judged(both, 3.0, 0.0, shown).parts[0]
    assert (whole.conformity, whole.by_fact, whole.p_wrong) == (PASS, "", near(risk(3.0)[0]))
    facts = AnyOf("facts", (AllOf("two", (LAMP, LEFT)),))
    two = judged(facts, None, None, {"lamp out": "shown", "outage": "flashing"})
    assert (two.conformity, two.by_fact) == (PASS, "shown")
    none = AnyOf("none", (AllOf("x", (LAMP,)), AllOf("y", (LEFT,))))
    gone = judged(none, None, None, {"lamp out": "not shown", "outage": "dark"})
    assert (gone.conformity, gone.by_fact) == (FAIL, "not shown")


def test_a_conjunction_inside_alternatives_may_be_kept_no_likelier_than_its_least_likely_part() -> None:
    """Fails: a at -3 and b at -2 in one alternative, b alone in the other."""
    requirement = AnyOf("x", (AllOf("both", (A, B)), AllOf("b", (B,))))
    found = judged(requirement, -3.0, -2.0)
    assert (found.conformity, found.p_wrong) == (FAIL, near(min(risk(3.0, 2.0)) + risk(2.0)[0]))
    # Passes: both kept with all the risk of both, or b alone.
    kept = judged(requirement, 2.5, 2.0)
    assert (kept.conformity, kept.p_wrong) == (PASS, near(min(sum(risk(2.5, 2.0)), risk(2.0)[0])))


# Single limits with both ends near.


@pytest.mark.parametrize("u", [0.3, 0.6, 1.0, 3.0])
@pytest.mark.parametrize("value", [-1.4, -0.9, 0.0, 0.4, 0.99, 1.01, 2.7])
def test_both_tails_count(value: float, u: float) -> None:
    """Limits -1 and 1: a value inside passes only if what lies beyond both ends is 5 % at most."""
    below, above = float(stats.norm.cdf((-1.0 - value) / u)), float(stats.norm.sf((1.0 - value) / u))
    within = abs(value) <= 1.0
    assert conformance_probability(value, u, math.inf, -1.0, 1.0) == near(1.0 - below - above, abs=1e-12)
    assert specific_risk(value, u, math.inf, -1.0, 1.0) == near(below + above if within else 1.0 - below - above, abs=1e-12)
    found = decide(value, u, math.inf, -1.0, 1.0)
    if within:
        assert found is (PASS if below + above <= 0.05 else MAYBE)
    else:
        assert found is (FAIL if abs(value) - 1.0 >= 1.6448536 * u else MAYBE_NOT)


def test_exact_values_have_no_risk() -> None:
    assert [conformance_probability(v, 0.0, math.inf, 0.0, 1.0) for v in (-0.1, 0.0, 0.5, 1.0, 1.1)] == [0.0, 1.0, 1.0, 1.0, 0.0]
    assert [specific_risk(v, 0.0, math.inf, 0.0, 1.0) for v in (-0.1, 0.5)] == [0.0, 0.0]
    assert conformance_probability(0.5, 0.1, math.inf, None, None) == 1.0 and specific_risk(0.5, 0.1, math.inf, None, None) == 0.0


def test_which_words_are_definite_or_favourable() -> None:
    assert [c.is_definite for c in Conformity] == [True, False, False, False, True]
    assert [c.is_favourable for c in Conformity] == [False, False, False, True, True]


def test_a_verdict_names_its_set_and_carries_its_measurement() -> None:
    rate = estimate(88.0, 0.1)
    found, drop = judge(Measured({"rate_per_min": rate}, {}), limit_set(RATE, DROP))
    assert (found.limit_set, found.limit, found.found, found.conformity) == ("set", RATE, rate, PASS)
    assert found.guard == near(0.1 * stats.norm.ppf(0.95))
    assert (drop.conformity, drop.found, drop.guard) == (OPEN, NotMeasured("not part of this test"), None)


def test_a_dark_unit_fails_its_start_unless_the_bench_lost_it() -> None:
    for found, outcome in ((NotMeasured("no light came"), FAIL), (NotMeasured("samples were lost", "bench"), OPEN)):
        (verdict,) = judge(Measured({"start_s": found}, {"behaviour": "dark"}), limit_set(START))
        assert verdict.conformity is outcome


def test_a_unit_with_a_short_inside_fails_its_rate_and_its_start() -> None:
    shorted = judge(Measured({}, {"behaviour": "shorted"}), limit_set(RATE, START, DROP))
    assert [v.conformity for v in shorted] == [FAIL, FAIL, OPEN]
    assert shorted[0].by_fact == shorted[1].by_fact == "it draws more than the bench may give: a short inside"
