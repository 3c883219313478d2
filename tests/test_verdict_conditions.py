"""Verdicts under the conditions of a limit set, and by limits in doubt: what is then open, and what is all the same judged."""

from __future__ import annotations

from dataclasses import replace

import pytest
from verdict_cases import DROP, OUTAGE, OWN, PILOT, RATE, START, concluded, estimate, limit_set, outage

from bench.conditions import Circumstances
from bench.limits import Condition, Limit, LimitSet, Source
from bench.measure import BenchFault, Measured
from bench.outcome import Outcome
from bench.uncertainty import NotMeasured
from bench.verdict import Conformity, Verdict, is_decided, judge

SUPPLY = Condition("12.8 V", OWN, supply_v=(12.5, 13.1))
STARTS = Condition("mean of 3 starts", OWN, starts=3, quantities=("start_s",))
SYSTEM = Condition("drop: 12 V", OWN, system_v=(12.0,), quantities=("drop_v",))
USUAL = Measured(
    {"rate_per_min": estimate(88.0, 0.1), "start_s": estimate(0.7, 0.001, "s"), "drop_v": estimate(0.9, 0.001, "V")},
    {"pilot": "in step", "behaviour": "flashing"},
)
NOMINAL = Circumstances(12.0, supply_v=12.8, starts=3)
LOW = "tested at 10.5 V; the figures are for 12.5 to 13.1 V"


def with_conditions(*conditions: Condition) -> LimitSet:
    return replace(limit_set(RATE, START, DROP, PILOT), conditions=conditions)


def conformities(verdicts: tuple[Verdict, ...]) -> list[str]:
    return [v.conformity.value for v in verdicts]


def test_under_kept_or_unknown_conditions_all_is_judged_as_without() -> None:
    conditions = with_conditions(SUPPLY, STARTS, SYSTEM, Condition("dry", OWN))
    plain = judge(USUAL, conditions)
    assert conformities(plain) == ["pass", "pass", "fail", "pass"]
    assert judge(USUAL, conditions, circumstances=NOMINAL) == plain
    assert judge(USUAL, conditions, circumstances=Circumstances(12.0)) == plain
    assert not any(v.why_open for v in plain)


@pytest.mark.parametrize(
    ("circumstances", "outcomes"),
    [
        (replace(NOMINAL, starts=1), ["pass", "not measured", "fail", "pass"]),
        (replace(NOMINAL, supply_v=10.5), ["not measured"] * 4),
    ],
)
def test_a_condition_not_kept_opens_the_limits_that_it_is_for(circumstances: Circumstances, outcomes: list[str]) -> None:
    verdicts = judge(USUAL, with_conditions(SUPPLY, STARTS, SYSTEM), circumstances=circumstances)
    assert conformities(verdicts) == outcomes
    for verdict in verdicts:
        assert bool(verdict.why_open) == (verdict.conformity is Conformity.NOT_MEASURED)
        if verdict.why_open:
            assert verdict.guard is verdict.p_conform is verdict.p_wrong is None and not verdict.by_fact
            if isinstance(verdict.limit, Limit):
                assert verdict.found == USUAL.values[verdict.limit.quantity], "what was found is kept"
    assert not is_decided(verdicts)


def test_a_limit_for_another_system_is_not_asked_of_the_unit() -> None:
    """Half a volt of drop means something else at 24 V: nothing stays open for want of a figure that nobody gave."""
    verdicts = judge(USUAL, with_conditions(SUPPLY, STARTS, SYSTEM), circumstances=replace(NOMINAL, system_v=24.0, supply_v=25.6))
    assert [v.limit for v in verdicts] == [RATE, START, PILOT]
    assert conformities(verdicts) == ["pass", "pass", "pass"]


def test_why_a_limit_is_open_is_the_conditions_text_and_each_text_once() -> None:
    again = replace(SUPPLY, text="the same again")
    circumstances = Circumstances(12.0, supply_v=10.5, starts=1)
    rate, start, _, pilot = judge(USUAL, with_conditions(SUPPLY, STARTS, again), circumstances=circumstances)
    assert rate.why_open == pilot.why_open == LOW
    assert start.why_open == f"{LOW}; tested with 1 start; the figures are for 3"


@pytest.mark.parametrize("behaviour", ["dark", "steady on", "one flash"])
def test_a_unit_that_stands_still_under_other_conditions_is_not_judged(behaviour: str) -> None:
    measured = Measured({"rate_per_min": NotMeasured("no cycle", "unit")}, {"behaviour": behaviour})
    rate = judge(measured, with_conditions(SUPPLY), circumstances=replace(NOMINAL, supply_v=10.5))[0]
    assert rate.conformity is Conformity.NOT_MEASURED and rate.why_open == LOW and not rate.by_fact
    assert rate.found == measured.values["rate_per_min"]


def test_a_bench_fault_comes_before_the_conditions() -> None:
    measured = replace(USUAL, bench_faults=(BenchFault("lamp-open", "lamp 2 draws nothing: replace it"),))
    verdicts = judge(measured, with_conditions(SUPPLY), circumstances=replace(NOMINAL, supply_v=10.5))
    assert {v.conformity for v in verdicts} == {Conformity.NOT_MEASURED} and not any(v.why_open for v in verdicts)


@pytest.mark.parametrize("rate", [30.0, 130.0, 198.0])
def test_alternatives_say_why_they_are_open(rate: float) -> None:
    conditions = replace(limit_set(OUTAGE), conditions=(SUPPLY,))
    (verdict,) = judge(outage(rate, 90.0), conditions, circumstances=replace(NOMINAL, supply_v=10.5))
    assert verdict.conformity is Conformity.NOT_MEASURED and verdict.why_open == LOW
    assert all(part.why_open == LOW for way in verdict.parts for part in way.parts)


def test_an_alternative_that_holds_needs_no_other() -> None:
    """A condition that is only for one way of showing it leaves the verdict of the other."""
    ratio = replace(SUPPLY, quantities=("outage_ratio",))
    conditions = replace(limit_set(OUTAGE), conditions=(ratio,))
    off = replace(NOMINAL, supply_v=10.5)
    (verdict,) = judge(outage(198.0, 90.0, fact="dark"), conditions, circumstances=off)
    assert verdict.conformity is Conformity.PASS and verdict.by_fact == "dark" and not verdict.why_open
    (verdict,) = judge(outage(198.0, 90.0), conditions, circumstances=off)
    assert verdict.conformity is Conformity.NOT_MEASURED and verdict.why_open == LOW


DOUBTFUL = Limit("rate_per_min", 90.0, None, "1/min", Source("read", "a letter", note="the chart could not be read"), doubtful=True)


@pytest.mark.parametrize(
    ("rate", "outcome"),
    [
        (75.0, Conformity.NOT_MEASURED),
        (89.9, Conformity.NOT_MEASURED),
        (90.0, Conformity.CONDITIONAL_PASS),
        (90.1, Conformity.CONDITIONAL_PASS),
        (100.0, Conformity.PASS),
    ],
)
def test_a_limit_in_doubt_can_be_kept_but_fails_nobody(rate: float, outcome: Conformity) -> None:
    measured = Measured({"rate_per_min": estimate(rate, 0.1)}, {"behaviour": "flashing"})
    doubtful, plain = judge(measured, limit_set(DOUBTFUL, RATE))
    assert (doubtful.conformity, plain.conformity) == (outcome, Conformity.PASS)
    assert doubtful.found == measured.values["rate_per_min"]
    if outcome is Conformity.NOT_MEASURED:
        assert doubtful.why_open == "the limit is in doubt: the chart could not be read"
        assert doubtful.p_wrong is None and doubtful.guard is None
        assert concluded((doubtful, plain)) is Outcome.NOT_DECIDED
    else:
        assert not doubtful.why_open and doubtful.p_wrong is not None


def test_a_unit_that_stands_still_fails_by_the_limit_that_is_not_in_doubt() -> None:
    doubtful, plain = judge(Measured({}, {"behaviour": "dark"}), limit_set(DOUBTFUL, RATE))
    assert doubtful.conformity is Conformity.NOT_MEASURED and doubtful.why_open and not doubtful.by_fact
    assert plain.conformity is Conformity.FAIL and concluded((doubtful, plain)) is Outcome.NOT_GOOD


def test_doubt_is_not_the_reason_where_nothing_was_measured() -> None:
    (verdict,) = judge(Measured({"rate_per_min": NotMeasured("too few")}), limit_set(DOUBTFUL))
    assert verdict.conformity is Conformity.NOT_MEASURED and not verdict.why_open
