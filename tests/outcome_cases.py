"""Cases of which an outcome is made, and what must hold of whatever is said of one: for the tests of the outcome."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import replace

from sample_records import record

from bench.cli import exit_codes
from bench.conditions import Circumstances
from bench.files import grade_rule, limit_sets
from bench.grade import Rule, grade, parse_rule
from bench.limits import LimitSet, Source, choose
from bench.measure import BenchFault, BenchProof, Measured
from bench.outcome import Case, Conclusion, OtherLoad, Outcome, conclude
from bench.record import TestRecord
from bench.uncertainty import Component, Estimate, Measurement
from bench.verdict import judge

SETS = limit_sets()
DEFAULT = grade_rule()
OWN = Source("own", "this test")
PREFIX: Mapping[Outcome, tuple[str, ...]] = {
    Outcome.GOOD: ("Good: ",),
    Outcome.NOT_GOOD: ("Rejected: ",),
    Outcome.NOT_FOR_LOAD: ("Not for ",),
    Outcome.NOT_DECIDED: ("Not decided: ", "Not finished: "),
    Outcome.BENCH_FAULT: ("The bench is at fault, not the unit: ",),
}
LAMP = BenchFault("lamp-current", "the lamps take 50 % of what they should: replace one")
CLOCK = BenchFault("clock-off", "the clock was off: corrected", spoils=False)
LOST = BenchFault("samples-lost", "2 % of the samples never came: use another cable", spoils=False)
PROVED = BenchProof("lamps", True, "100 % of the expected current")
UNPROVED = BenchProof("lamps", False, "nothing lit them")


def value(number: float, u: float, unit: str, n: int = 50) -> Estimate:
    return Estimate(number, unit, (Component("u", u),), n)


def count(number: int, n: int = 100) -> Estimate:
    return Estimate(float(number), "1", (), n)


VALUES: Mapping[str, Measurement] = {
    "rate_per_min": value(88.2, 0.1, "1/min"), "rate_total_per_min": value(88.2, 0.1, "1/min"), "on_ratio": value(0.51, 0.001, "1"),
    "start_s": value(0.69, 0.001, "s"), "first_light_s": value(0.0, 0.0, "s"), "first_extinction_s": value(0.69, 0.001, "s"),
    "drop_v": value(0.36, 0.002, "V"), "drop_largest_v": value(0.37, 0.002, "V"), "drop_trend_v_per_min": value(0.0, 0.01, "V/min"),
    "period_spread": value(0.01, 0.001, "1"), "missed": count(0), "stuck": count(0),
}  # fmt: skip
FACTS = {"rest": "closed", "behaviour": "flashing", "pilot": "in step", "rating": "known", "film": "none", "system": "12 V"}


OTHER = OtherLoad("3 x 21 W", "flashing", (("rate_per_min", value(90.0, 0.1, "1/min")), ("on_ratio", value(0.5, 0.001, "1"))))
KIND = parse_rule(tomllib.loads("""
format = 2
name = "kind"
title = "calls everything good"
[[grade]]
name = "A"
title = "good"
outcome = "good"
wording = "Sell."
need = "any"
[[grade.condition]]
any_verdict = ["pass", "conditional pass", "conditional fail", "fail", "not measured"]
[otherwise]
name = "B"
title = "good"
outcome = "good"
wording = "Sell."
"""), "kind")  # fmt: skip


def unit(facts: Mapping[str, str] | None = None, faults: tuple[BenchFault, ...] = (), **values: Measurement) -> Measured:
    return Measured({**VALUES, **values}, {**FACTS, **(facts or {})}, faults, (PROVED,))


def case_of(
    measured: Measured,
    limits: str | LimitSet = "un-r48",
    rule: Rule | None = DEFAULT,
    circumstances: Circumstances | None = None,
    **more: object,
) -> Case:
    chosen = choose(SETS, limits, measured.facts, 2) if isinstance(limits, str) else limits
    verdicts = judge(measured, chosen, circumstances=circumstances)
    given: dict[str, object] = {"load": "2 x 21 W", "is_rated": True}
    graded = grade(rule, measured, verdicts) if rule is not None else None
    return Case(measured, verdicts, graded, **(given | more))  # type: ignore[arg-type]


def said(measured: Measured, **options: object) -> Conclusion:
    found = conclude(case_of(measured, **options))  # type: ignore[arg-type]
    assert_consistent(found)
    return found


def assert_consistent(found: Conclusion, interrupted: str | None = None) -> None:
    """Outcome, grade, sentence and exit code say the same."""
    assert found.reason.startswith(PREFIX[found.outcome]), found
    assert found.reason.endswith((".", ".)")) and "\n" not in found.reason and found.advice
    for outcome, others in PREFIX.items():
        if outcome is not found.outcome:
            assert not found.reason.startswith(others)
    if found.grade is not None:
        assert {Outcome.GOOD: "good", Outcome.NOT_GOOD: "not good"}.get(found.outcome) == found.grade.outcome, found
    code = exit_codes.code_for(kept(found, interrupted))
    codes = {
        Outcome.GOOD: {0}, Outcome.NOT_GOOD: {1}, Outcome.NOT_FOR_LOAD: {5}, Outcome.BENCH_FAULT: {4},
        Outcome.NOT_DECIDED: {3} if interrupted is None else {130},
    }  # fmt: skip
    assert code in codes[found.outcome]


SAMPLE = record()


def kept(found: Conclusion, interrupted: str | None) -> TestRecord:
    return replace(SAMPLE, conclusion=found, interrupted=interrupted)
