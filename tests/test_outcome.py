"""The one outcome of a test: every branch, with the contradiction that it prevents."""

from __future__ import annotations

import tomllib
from dataclasses import replace

import pytest
from outcome_cases import CLOCK, DEFAULT, FACTS, KIND, LAMP, LOST, OTHER, OWN, PROVED, SETS, UNPROVED, case_of, count, said, unit, value

from bench.conditions import Circumstances
from bench.grade import Grade, Rule, parse_rule
from bench.limits import FactLimit, Limit, LimitSet, Source, choose
from bench.measure import BenchFault, BenchProof, Measured
from bench.outcome import Case, OtherLoad, Outcome, conclude
from bench.uncertainty import Component, Estimate, NotMeasured
from bench.verdict import Conformity, Verdict

# The bench speaks first.


@pytest.mark.parametrize(
    "measured",
    [
        unit(), unit(rate_per_min=value(300.0, 0.1, "1/min")), unit({"behaviour": "dark"}), unit(missed=count(9)),
        unit({"insulation": "bad"}),
    ],
)  # fmt: skip
@pytest.mark.parametrize("of_story", [False, True])
def test_a_bench_fault_outranks_all(measured: Measured, of_story: bool) -> None:
    """Prevents "bench fault, grade R": neither a failed limit nor the shop's rule is heard on a bench that is at fault."""
    faulty = replace(measured, bench_faults=(LAMP,))
    found = said(faulty) if not of_story else conclude(case_of(measured, bench_faults=(LAMP,)))
    assert (found.outcome, found.grade, found.basis) == (Outcome.BENCH_FAULT, None, "")
    assert found.reason == f"The bench is at fault, not the unit: {LAMP.text}."


def test_faults_are_counted_once_and_those_that_spoil_nothing_are_no_reason() -> None:
    other = BenchFault("supply-limited", "use a battery")
    found = conclude(case_of(unit(faults=(LAMP, other)), bench_faults=(LAMP, CLOCK)))
    assert found.reason.endswith(f"{LAMP.text} (and 1 more fault of the bench).")
    assert said(unit(faults=(CLOCK,))).outcome is Outcome.GOOD


def test_lost_samples_take_the_blame_for_what_stays_open_alone() -> None:
    few = unit(rate_per_min=NotMeasured("6 complete cycles seen, 8 needed"))
    assert said(few).outcome is Outcome.NOT_DECIDED
    found = said(few, bench_faults=(LOST,))
    assert (found.outcome, found.reason) == (Outcome.BENCH_FAULT, f"The bench is at fault, not the unit: {LOST.text}.")
    assert said(unit(), bench_faults=(LOST,)).outcome is Outcome.GOOD
    assert said(unit(rate_per_min=value(300.0, 0.1, "1/min")), bench_faults=(LOST,)).outcome is Outcome.NOT_GOOD
    assert conclude(case_of(few, bench_faults=(LOST,), interrupted="cancelled")).outcome is Outcome.NOT_DECIDED


def test_lost_samples_are_named_where_they_kept_something_from_being_measured() -> None:
    """Not what they kept from being measured: nobody can put that right."""
    few = NotMeasured("3 complete cycles seen, 8 needed", "bench")
    found = said(unit(rate_per_min=few), bench_faults=(LOST,))
    assert found.reason == "The bench is at fault, not the unit: 2 % of the samples never came: use another cable."


def test_what_the_bench_kept_from_being_measured_is_its_fault() -> None:
    """Prevents "not decided: test again" where testing again on the same bench shows no more."""
    found = said(unit(rate_per_min=NotMeasured("samples were lost", "bench")))
    assert (found.outcome, found.reason) == (Outcome.BENCH_FAULT, "The bench is at fault, not the unit: samples were lost.")
    assert said(unit(rate_per_min=NotMeasured("too few flashes", "unit"))).outcome is Outcome.NOT_DECIDED


def test_a_test_that_was_broken_off() -> None:
    by_person = conclude(case_of(unit(), interrupted="cancelled by the operator"))
    assert (by_person.outcome, by_person.reason) == (Outcome.NOT_DECIDED, "Not finished: cancelled by the operator.")
    by_bench = conclude(case_of(unit(), interrupted="the cable is out.", broken_off_by_bench=True))
    assert (by_bench.outcome, by_bench.reason) == (Outcome.BENCH_FAULT, "The bench is at fault, not the unit: the cable is out.")
    bad = conclude(case_of(unit(rate_per_min=value(300.0, 0.1, "1/min")), interrupted="cancelled by the operator"))
    assert bad.outcome is Outcome.NOT_GOOD
    assert bad.reason.endswith("(The test was not finished: cancelled by the operator.)")


def test_what_decides_nothing_does_not_hide_that_a_test_was_broken_off() -> None:
    """Prevents "not decided: fit the link", with the exit code of a cancelled test, where the board answered too late."""
    dark = replace(unit({"behaviour": "dark"}, rate_per_min=NotMeasured("no cycle")), proofs=(UNPROVED,))
    by_bench = conclude(case_of(dark, interrupted="the cable is out.", broken_off_by_bench=True))
    assert (by_bench.outcome, by_bench.reason) == (Outcome.BENCH_FAULT, "The bench is at fault, not the unit: the cable is out.")
    by_person = conclude(case_of(dark, interrupted="cancelled by the operator"))
    assert (by_person.outcome, by_person.reason) == (Outcome.NOT_DECIDED, "Not finished: cancelled by the operator.")


# What speaks against the unit.


@pytest.mark.parametrize(
    ("measured", "text"),
    [
        (unit(rate_per_min=value(136.8, 0.1, "1/min")), "too fast: 136.80 ± 0.20 flashes a minute, the limit is 120"),
        (unit(rate_per_min=value(58.2, 0.1, "1/min")), "too slow: 58.20 ± 0.20 flashes a minute, the limit is 60"),
        (unit({"behaviour": "steady on"}, rate_per_min=NotMeasured("no cycle")), "it does not flash: the lamps stay lit"),
        (unit({"behaviour": "dark"}, rate_per_min=NotMeasured("no cycle")), "it does not flash: the lamps stay dark"),
        (unit({"behaviour": "shorted"}, rate_per_min=NotMeasured("no cycle")), "it does not flash: it draws more than the bench may give"),
        (unit(stuck=count(1)), "1 long flash in 100; limits on rate are kept"),
        (unit(missed=count(2)), "2 missed flashes in 100; limits on rate are kept"),
        (unit({"insulation": "bad"}), "its insulation is bad; limits on rate are kept"),
        (unit(period_spread=value(0.38, 0.001, "1")), "spread of the period 38.00 ± 0.20 %, the limit is 5; limits on rate are kept"),
    ],
)
def test_a_unit_that_is_not_good(measured: Measured, text: str) -> None:
    """Prevents "pass" beside grade R: a unit that sticks once in a hundred flashes keeps every limit of the rule book."""
    found = said(measured)
    assert (found.outcome, found.letter) == (Outcome.NOT_GOOD, "R")
    assert found.reason.startswith(f"Rejected: {text}"), found.reason
    assert "Good" not in found.reason


def test_without_a_rule_only_limits_reject() -> None:
    assert said(unit(stuck=count(1)), rule=None).outcome is Outcome.GOOD
    assert said(unit(rate_per_min=value(300.0, 0.1, "1/min")), rule=None).advice == "Do not sell or fit it. State the fault."


def limits(*requirements: Limit | FactLimit) -> LimitSet:
    return replace(choose(SETS, "un-r48", FACTS, 2), requirements=requirements, conditions=())


def test_one_fact_is_counted_once() -> None:
    """The limit on the mean drop, that on the worst one, and the rule's on both are one lossy contact."""
    lossy = limits(Limit("drop_v", None, 0.5, "V", OWN), Limit("drop_largest_v", None, 0.8, "V", OWN))
    bad = unit(drop_v=value(0.9, 0.002, "V"), drop_largest_v=value(0.95, 0.002, "V"))
    assert said(bad, limits=lossy).reason == "Rejected: loses too much voltage: 0.9000 ± 0.0040 V, the limit is 0.5."
    two = said(replace(bad, values={**bad.values, "stuck": count(3)}), limits=lossy)
    assert two.reason == "Rejected: loses too much voltage: 0.9000 ± 0.0040 V, the limit is 0.5, and 1 more reason."
    dark = unit({"behaviour": "dark"}, rate_per_min=NotMeasured("x"), start_s=NotMeasured("x"), first_light_s=NotMeasured("x"))
    both = limits(Limit("rate_per_min", 60.0, 120.0, "1/min", OWN), Limit("start_s", None, 1.0, "s", OWN))
    assert said(dark, limits=both).reason == "Rejected: it does not flash: the lamps stay dark."


def test_what_is_the_units_alone_is_said_first() -> None:
    """A rate may be the load's doing, a lossy contact is not."""
    found = said(unit(rate_per_min=value(300.0, 0.1, "1/min"), drop_v=value(0.9, 0.002, "V")))
    assert found.reason == "Rejected: contact drop 0.9000 ± 0.0040 V, the limit is 0.8, and 1 more reason."


def test_a_function_that_does_not_work_is_named() -> None:
    tell_tale = limits(FactLimit("pilot", ("in step",), "tell-tale in step with the lamps", OWN))
    found = said(unit({"pilot": "dead"}), limits=tell_tale)
    assert found.reason == 'Rejected: tell-tale in step with the lamps: found "dead", required "in step".'


# The lamps.


@pytest.mark.parametrize("behaviour", ["dark", "steady on", "flashing"])
def test_nothing_of_the_load_is_charged_on_lamps_that_were_not_proved(behaviour: str) -> None:
    """Prevents "reject: dark" where a lamp is dead."""
    rate = value(300.0, 0.1, "1/min") if behaviour == "flashing" else NotMeasured("no cycle")
    measured = replace(unit({"behaviour": behaviour}, rate_per_min=rate), proofs=(UNPROVED,))
    found = said(measured)
    assert (found.outcome, found.grade) == (Outcome.NOT_DECIDED, None)
    assert found.reason.endswith("but the lamps were not proved (nothing lit them).")
    assert "shorting link" in found.advice
    assert said(replace(measured, proofs=(PROVED,))).outcome is Outcome.NOT_GOOD


def test_what_is_the_units_own_needs_no_proof_of_the_lamps() -> None:
    measured = replace(unit(stuck=count(1)), proofs=(UNPROVED,))
    assert said(measured).outcome is Outcome.NOT_GOOD


RATE_RULE = parse_rule(tomllib.loads("""
format = 2
name = "rate"
title = "rejects by the rate"
[[grade]]
name = "9"
title = "fast"
outcome = "not good"
wording = "Bin."
need = "any"
[[grade.condition]]
quantity = "rate_per_min"
above = 100
unit = "1/min"
[otherwise]
name = "1"
title = "good"
outcome = "good"
wording = "Sell."
"""), "rate")  # fmt: skip


@pytest.mark.parametrize("rate", [110.0, 130.0])
def test_a_rule_that_rejects_by_the_rate_needs_proved_lamps_too(rate: float) -> None:
    """Whether the limit set rejects the rate as well or not."""
    fast = unit(rate_per_min=value(rate, 0.1, "1/min"))
    found = said(replace(fast, proofs=(UNPROVED,)), rule=RATE_RULE)
    assert found.outcome is Outcome.NOT_DECIDED and "were not proved" in found.reason
    found = said(fast, rule=RATE_RULE)
    assert (found.outcome, found.letter) == (Outcome.NOT_GOOD, "9")
    assert found.reason.count("flashes a minute") == 1 and "more" not in found.reason


STEADY = unit({"behaviour": "steady on"}, rate_per_min=NotMeasured("no cycle"), on_ratio=NotMeasured("no cycle"))


def test_a_unit_for_another_load() -> None:
    """Prevents a reject of a sound unit that was put on the wrong lamps."""
    found = said(STEADY, others=(OTHER,))
    assert (found.outcome, found.grade) == (Outcome.NOT_FOR_LOAD, None)
    assert found.reason == (
        "Not for 2 x 21 W: it does not flash: the lamps stay lit. It flashes right on 3 x 21 W (90.00 ± 0.20 flashes a minute)."
    )
    assert "Sell it for lamps on which it flashed right" in found.advice


@pytest.mark.parametrize(
    "other",
    [
        replace(OTHER, behaviour="irregular"),
        replace(OTHER, values=(("rate_per_min", value(130.0, 0.1, "1/min")),)),
        replace(OTHER, values=(("rate_per_min", value(119.99, 0.1, "1/min")),)),
        replace(OTHER, values=(("rate_per_min", value(90.0, 0.1, "1/min")), ("on_ratio", value(0.9, 0.001, "1")))),
        replace(OTHER, values=()),
    ],
)
def test_another_load_must_be_flashed_right_beyond_doubt(other: OtherLoad) -> None:
    banded = limits(Limit("rate_per_min", 60.0, 120.0, "1/min", OWN), Limit("on_ratio", 0.3, 0.75, "%", OWN))
    assert said(STEADY, others=(other,), limits=banded).outcome is Outcome.NOT_GOOD
    assert said(STEADY, others=(other, OTHER), limits=banded).outcome is Outcome.NOT_FOR_LOAD


def test_a_dark_or_lossy_unit_is_for_no_load() -> None:
    dark = unit({"behaviour": "dark"}, rate_per_min=NotMeasured("no cycle"))
    assert said(dark, others=(OTHER,)).outcome is Outcome.NOT_GOOD
    lossy = replace(STEADY, values={**STEADY.values, "drop_v": value(0.9, 0.002, "V")})
    assert said(lossy, others=(OTHER,)).outcome is Outcome.NOT_GOOD


def test_on_a_load_that_it_is_not_for_nothing_is_charged() -> None:
    fast = unit(rate_per_min=value(300.0, 0.1, "1/min"))
    wrong = said(fast, is_rated=False)
    assert wrong.outcome is Outcome.NOT_DECIDED
    assert wrong.reason.startswith("Not decided: on 2 x 21 W, not the load that it is for: too fast: ")
    assert said(fast, is_rated=False, others=(OTHER,)).outcome is Outcome.NOT_FOR_LOAD
    unknown = said(STEADY, is_rated=None)
    assert unknown.outcome is Outcome.NOT_DECIDED and "its rating is not known" in unknown.reason
    lossy = unit(drop_v=value(0.9, 0.002, "V"))
    assert said(lossy, is_rated=False).outcome is Outcome.NOT_DECIDED, "more lamps raise the drop of the best contact"
    assert said(lossy, is_rated=False, others=(OTHER,)).outcome is Outcome.NOT_FOR_LOAD
    assert said(lossy, is_rated=False, others=(replace(OTHER, rejected=True),)).outcome is Outcome.NOT_DECIDED
    assert said(unit({"insulation": "bad"}), is_rated=False).outcome is Outcome.NOT_GOOD


def test_which_lamps_it_is_for_may_not_be_known() -> None:
    found = said(unit({"rating": "unknown"}, rate_per_min=value(300.0, 0.1, "1/min")), is_rated=False)
    assert found.outcome is Outcome.NOT_DECIDED
    assert found.reason.endswith("; which lamps it is for is not known.") and "Read on the unit" in found.advice


def test_sense_leads_may_explain_a_drop_and_nothing_else() -> None:
    lossy = unit(drop_v=value(0.9, 0.002, "V"), drop_largest_v=value(0.95, 0.002, "V"))
    assert said(lossy, leads_may_explain=True).outcome is Outcome.NOT_DECIDED
    assert said(lossy).outcome is Outcome.NOT_GOOD
    assert said(replace(lossy, values={**lossy.values, "stuck": count(1)}), leads_may_explain=True).outcome is Outcome.NOT_GOOD


def test_at_an_odd_supply_the_load_charges_nothing() -> None:
    fast = unit(rate_per_min=value(300.0, 0.1, "1/min"))
    found = said(fast, odd_supply="7 V", others=(OTHER,))
    assert found.outcome is Outcome.NOT_DECIDED and found.reason.endswith("at 7 V.")
    assert said(unit(stuck=count(1)), odd_supply="7 V").outcome is Outcome.NOT_GOOD


def test_at_an_odd_supply_no_unit_is_good() -> None:
    """What it does at the volts of another system says nothing of it at its own."""
    found = said(unit(), odd_supply="7 V")
    assert (found.outcome, found.grade) == (Outcome.NOT_DECIDED, None)
    assert found.reason == "Not decided: within the limits, but at 7 V." and found.advice == "Test it at the voltage of its system."
    assert said(unit()).outcome is Outcome.GOOD


# Nothing speaks against it.


def test_a_good_unit_with_its_grade() -> None:
    found = said(unit())
    assert (found.outcome, found.letter, found.basis) == (Outcome.GOOD, "A", "read")
    assert found.reason == "Good: 88.20 ± 0.20 flashes a minute, the limits are 60 and 120; all 3 limits are kept."
    assert found.advice == found.grade.wording if found.grade else False
    lesser = said(unit(drop_v=value(0.5, 0.002, "V")))
    assert lesser.letter == "B" and "not A: contact drop 0.5000 ± 0.0040 V" in lesser.reason
    usable = said(unit({"film": "recovered"}))
    assert usable.letter == "C" and "; C, because: " in usable.reason


def test_good_without_a_grade() -> None:
    few = said(unit(missed=count(0, 8), stuck=count(0, 8)))
    assert (few.outcome, few.letter) == (Outcome.GOOD, "")
    assert "not graded: not known for C: missed flashes: 8 flashes seen, 60 needed" in few.reason
    assert said(unit(), rule=None).advice == "Within all limits, guard band included; no grade was asked for."


@pytest.mark.parametrize(
    ("measured", "text"),
    [
        (unit(rate_per_min=value(119.999, 0.1, "1/min")), "just inside, too near to be sure: 119.999 ± 0.20 flashes a minute"),
        (unit(rate_per_min=value(120.001, 0.1, "1/min")), "just outside, too near to be sure: 120.001 ± 0.20 flashes a minute"),
        (unit(rate_per_min=NotMeasured("no flash")), "flash rate not measured (no flash)"),
    ],
)
@pytest.mark.parametrize("rule", [DEFAULT, None])
def test_what_is_near_a_limit_or_not_measured_is_not_decided(measured: Measured, text: str, rule: Rule | None) -> None:
    """Prevents "conditional pass, grade B" as well as a reject by a coin's toss."""
    found = said(measured, rule=rule)
    assert (found.outcome, found.grade) == (Outcome.NOT_DECIDED, None)
    assert found.reason.startswith(f"Not decided: {text}")


def test_a_condition_not_kept_and_a_limit_in_doubt_say_so() -> None:
    measured = unit()
    start = said(measured, limits="sae-j945", circumstances=Circumstances(12.0, supply_v=12.8, starts=1))
    assert start.reason.startswith("Not decided: starting time: tested with 1 start; the figures are for 3")
    assert start.advice == "Test under the conditions that the limit asks for."
    doubt = said(measured, limits="us-turn")
    assert "the limit is in doubt" in doubt.reason and doubt.advice == "Judge by a limit set without this figure."


def test_nothing_judged_is_nothing_decided() -> None:
    assert conclude(Case(unit(), (), None)).reason == "Not decided: no limit was judged."


def test_a_rule_cannot_make_a_failing_unit_good() -> None:
    """Neither by a grade nor by its last word."""
    for measured in (unit(rate_per_min=value(300.0, 0.1, "1/min")), unit({"behaviour": "dark"}, rate_per_min=NotMeasured("x"))):
        found = said(measured, rule=KIND)
        assert (found.outcome, found.grade) == (Outcome.NOT_GOOD, None)
    for measured in (unit(rate_per_min=value(120.001, 0.1, "1/min")), unit(rate_per_min=NotMeasured("x"))):
        assert said(measured, rule=KIND).outcome is Outcome.NOT_DECIDED


RATE_LIMIT = Limit("rate_per_min", 60.0, 120.0, "1/min", Source("own", "invented"))


def test_a_rule_may_reject_for_a_conditional_verdict_and_never_for_what_is_open() -> None:
    """A grade without a charge of its own: the rule's words are the reason, if the test was whole."""
    near = Verdict("x", RATE_LIMIT, Conformity.CONDITIONAL_FAIL, Estimate(121.0, "1/min", (Component("u", 1.0),)))
    strict = Grade("X", "too near", "strict", ("flash rate: conditional fail",), "Bin.", outcome="not good")
    proved = Measured({}, {"behaviour": "flashing"}, (), (BenchProof("lamps", True, "lit"),))
    found = conclude(Case(proved, (near,), strict, load="2 x 21 W", is_rated=True))
    assert (found.outcome, found.letter) == (Outcome.NOT_GOOD, "X")
    assert found.reason.startswith("Rejected: by the rule strict: flash rate: conditional fail")
    assert conclude(Case(proved, (near,), strict, interrupted="cancelled", is_rated=True)).outcome is Outcome.NOT_DECIDED
    open_one = Verdict("x", RATE_LIMIT, Conformity.NOT_MEASURED, NotMeasured("not seen"))
    assert conclude(Case(proved, (near, open_one), strict, is_rated=True)).outcome is Outcome.NOT_DECIDED
