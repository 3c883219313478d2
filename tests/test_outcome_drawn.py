"""Tests drawn at random: no outcome contradicts its grade, sentence or exit code, and none says more than what was judged allows."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import replace

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from outcome_cases import CLOCK, DEFAULT, KIND, LAMP, LOST, OTHER, PROVED, SAMPLE, SETS, UNPROVED, assert_consistent, count, value

from bench.conditions import Circumstances
from bench.grade import Rule, grade, parse_rule
from bench.limits import choose
from bench.measure import BenchFault, Measured
from bench.outcome import Case, Outcome, conclude, uphold
from bench.record_checks import INVARIANTS
from bench.record_runs import RUNS_AND_FLASHES
from bench.uncertainty import Measurement, NotMeasured
from bench.verdict import Conformity, Verdict, judge, spoiling

STRICT = parse_rule(tomllib.loads("""
format = 2
name = "strict"
title = "rejects what is not perfect"
[[grade]]
name = "1"
title = "perfect"
outcome = "good"
wording = "Sell."
need = "all"
[[grade.condition]]
limits_by_U = 3
[[grade.condition]]
quantity = "stuck"
high = 0
unit = "1"
[[grade]]
name = "9"
title = "lossy"
outcome = "not good"
wording = "Bin."
need = "any"
[[grade.condition]]
quantity = "drop_v"
above = 0.3
unit = "V"
[[grade.condition]]
any_verdict = ["conditional fail", "fail"]
[otherwise]
name = "5"
title = "so-so"
outcome = "not decided"
wording = "Ask the boss."
"""), "strict")  # fmt: skip
SET_NAMES = ("un-r48", "sae-j945", "us-turn", "outage-qct501", "shop-example")
NEAR = {
    "rate_per_min": (60.0, 120.0), "rate_total_per_min": (60.0, 120.0), "on_ratio": (0.3, 0.75), "start_s": (0.0, 1.5),
    "drop_v": (0.0, 0.8), "drop_largest_v": (0.0, 0.8), "first_light_s": (0.0, 1.0), "first_extinction_s": (0.0, 1.5),
    "start_largest_s": (0.0, 2.0), "period_spread": (0.0, 0.05), "outage_ratio": (0.8, 1.4), "outage_rate_per_min": (60.0, 140.0),
    "dark_a": (0.0, 0.01),
}  # fmt: skip
UNITS = {"_per_min": "1/min", "_s": "s", "_v": "V", "_a": "A"}
WORDS = {
    "behaviour": ("flashing", "irregular", "steady on", "dark", "one flash", "too few", "shorted", "no supply"),
    "rest": ("open", "closed", "unknown"), "pilot": ("in step", "antiphase", "steady", "dead", "absent", "unknown"),
    "outage": ("flashing", "steady on", "dark"), "lamp out": ("shown", "not shown", "unknown"), "film": ("none", "recovered", "unknown"),
    "rating": ("known", "unknown"), "insulation": ("good", "bad"), "system": ("6 V", "12 V", "24 V"),
    "mechanism": ("electronic", "hot wire", "two-coil", "thermal, closed at rest", "unknown"),
}  # fmt: skip


def measurements(name: str) -> st.SearchStrategy[Measurement | None]:
    low, high = NEAR[name]
    beyond = min(1.5 * high, 0.95) if name == "on_ratio" else 1.5 * high  # nothing is lit for more than all of the time
    of_unit = next((unit for ending, unit in UNITS.items() if name.endswith(ending)), "1")
    spots = st.sampled_from((low, high, 0.5 * (low + high), beyond)) if low else st.sampled_from((high, 0.4 * high, beyond))
    number = st.tuples(spots, st.sampled_from((-3.0, -1.0, -0.1, 0.0, 0.1, 1.0, 3.0)), st.sampled_from((0.0, 1e-3, 0.02))).map(
        lambda drawn: value(drawn[0] + drawn[1] * drawn[2] * high, drawn[2] * high, of_unit)
    )
    missing = st.sampled_from((None, NotMeasured("not seen"), NotMeasured("samples were lost", "bench"), NotMeasured("no light", "unit")))
    return st.one_of(number, number, missing)


FAULTS = st.lists(st.sampled_from((LAMP, CLOCK, LOST, BenchFault("zero", "the zero moved"))), max_size=2).map(tuple)
COUNTS = (count(0), count(0), count(1), count(0, 8))
DRAWN = st.fixed_dictionaries(
    {
        "values": st.fixed_dictionaries({name: measurements(name) for name in NEAR}),
        "counts": st.fixed_dictionaries(dict.fromkeys(("missed", "stuck", "dropouts"), st.sampled_from((None, *COUNTS)))),
        "facts": st.fixed_dictionaries({name: st.sampled_from(words) for name, words in WORDS.items()}),
        "proofs": st.sampled_from(((), (PROVED,), (UNPROVED,))),
        "faults": st.one_of(st.just(()), st.just(()), FAULTS),
        "of_story": st.one_of(st.just(()), st.just(()), FAULTS),
        "limits": st.lists(st.sampled_from(SET_NAMES), max_size=2, unique=True),
        "rule": st.sampled_from((DEFAULT, DEFAULT, KIND, STRICT, None)),
        "interrupted": st.sampled_from((None, None, None, "cancelled by the operator", "the cable is out.")),
        "starts": st.sampled_from((None, 1, 3)),
        "is_rated": st.sampled_from((True, False, None)),
        "others": st.sampled_from(((), (OTHER,), (replace(OTHER, behaviour="dark"),))),
    }
)


def drawn_case(drawn: Mapping[str, object]) -> Case:
    """As a session makes it: a fault that spoils is among those of the measured too, and verdicts and grade follow from that."""
    values: dict[str, Measurement] = {
        name: found
        for part in ("values", "counts")
        for name, found in drawn[part].items()  # type: ignore[attr-defined]
        if found is not None
    }
    of_story: tuple[BenchFault, ...] = drawn["of_story"]  # type: ignore[assignment]
    faults = tuple(dict.fromkeys((*spoiling(of_story), *drawn["faults"])))  # type: ignore[misc]
    measured = Measured(values, drawn["facts"], faults, drawn["proofs"])  # type: ignore[arg-type]
    circumstances = Circumstances(12.0, supply_v=12.8, starts=drawn["starts"], load_is_rated=drawn["is_rated"])  # type: ignore[arg-type]
    verdicts: list[Verdict] = []
    for name in drawn["limits"]:  # type: ignore[attr-defined]
        facts = {**measured.facts, "rest": "open" if measured.facts["rest"] == "unknown" else measured.facts["rest"]}
        verdicts += judge(measured, choose(SETS, name, facts, 2), circumstances=circumstances)
    rule: Rule | None = drawn["rule"]  # type: ignore[assignment]
    interrupted: str | None = drawn["interrupted"]  # type: ignore[assignment]
    return Case(
        measured, verdicts, grade(rule, measured, verdicts) if rule is not None else None, of_story, interrupted,
        interrupted is not None and "cable" in interrupted, "2 x 21 W", drawn["is_rated"], drawn["others"],  # type: ignore[arg-type]
    )  # fmt: skip


@settings(max_examples=2500, deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large])
@given(drawn=DRAWN)
def test_no_test_contradicts_itself(drawn: Mapping[str, object]) -> None:
    one = drawn_case(drawn)
    found = conclude(one)
    assert_consistent(found, one.interrupted)
    assert found.outcome in permitted(one), (found, permitted(one))
    assert conclude(one) == found
    assert_upheld(uphold(one.verdicts, found.outcome), found.outcome)


@settings(max_examples=600, deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large])
@given(drawn=DRAWN)
def test_no_record_of_a_drawn_test_is_refused(drawn: Mapping[str, object]) -> None:
    """What a record is held to when it is read is true of whatever is concluded; what its runs show is not drawn with it."""
    one = drawn_case(drawn)
    found = conclude(one)
    rule: Rule | None = drawn["rule"]  # type: ignore[assignment]
    cable = (BenchFault("port-lost", "the cable is out", spoils=False),) if one.broken_off_by_bench else ()
    kept_test = replace(
        SAMPLE,
        setup=replace(SAMPLE.setup, grade_rule=None if rule is None else rule.name, limits=tuple({v.limit_set for v in one.verdicts})),
        measured=one.measured,
        verdicts=uphold(one.verdicts, found.outcome),
        conclusion=found,
        bench_faults=tuple(dict.fromkeys((*one.bench_faults, *one.measured.bench_faults, *cable))),
        interrupted=one.interrupted,
    )
    assert [text for rule in INVARIANTS if rule not in RUNS_AND_FLASHES for text in rule(kept_test)] == []


def assert_upheld(verdicts: Sequence[Verdict], outcome: Outcome) -> None:
    """No verdict of a limit, and none inside one that is left open, says what the outcome does not."""
    for verdict in verdicts:
        if outcome is Outcome.BENCH_FAULT:
            assert verdict.conformity is Conformity.NOT_MEASURED and verdict.p_wrong is verdict.p_conform is None, verdict
        if outcome in (Outcome.NOT_DECIDED, Outcome.GOOD):
            assert verdict.conformity is not Conformity.FAIL, verdict
        if verdict.why_open:
            assert_upheld(verdict.parts, outcome)


def permitted(one: Case) -> Sequence[Outcome]:
    """What may be said, from the case alone and by no rule of `conclude` but these."""
    every = (*one.bench_faults, *one.measured.bench_faults)
    if spoiling(every):
        return (Outcome.BENCH_FAULT,)
    failed = any(v.conformity is Conformity.FAIL for v in one.verdicts)
    whole = one.interrupted is None and all(v.conformity is not Conformity.NOT_MEASURED for v in one.verdicts)
    rejected = one.grade is not None and one.grade.outcome == "not good" and (bool(one.grade.charges) or whole)
    if failed or rejected:
        # Not decided if the load may be the reason; the bench's fault if lost samples may be.
        if one.broken_off_by_bench:
            return (Outcome.NOT_GOOD, Outcome.NOT_FOR_LOAD, Outcome.BENCH_FAULT)
        return (Outcome.NOT_GOOD, Outcome.NOT_FOR_LOAD, Outcome.NOT_DECIDED, *((Outcome.BENCH_FAULT,) if LOST in one.bench_faults else ()))
    if one.interrupted is not None:
        return (Outcome.BENCH_FAULT,) if one.broken_off_by_bench else (Outcome.NOT_DECIDED,)
    if one.verdicts and all(v.conformity is Conformity.PASS for v in one.verdicts):
        sold = one.grade is None or one.grade.outcome == "good"
        return (Outcome.GOOD,) if sold else (Outcome.NOT_DECIDED, Outcome.BENCH_FAULT)
    if one.verdicts and all(v.conformity.is_favourable for v in one.verdicts):
        return (Outcome.GOOD, Outcome.NOT_DECIDED, Outcome.BENCH_FAULT)
    return (Outcome.NOT_DECIDED, Outcome.BENCH_FAULT)
