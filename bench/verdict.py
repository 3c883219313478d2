"""A measurement against a limit: pass, conditional pass, conditional fail, fail or not measured, and the risk of being wrong.

Strategy. The decision rule is non-binary with a guard band (ILAC-G8:09/2019; JCGM 106:2012): with w = k u, k the one-sided Student
quantile of the level, a value inside every limit by w or more passes, one outside a limit by w or more fails, and between the two the
verdict is conditional, on the side where the value lies. The risk is the probability, given this value alone (no prior knowledge of the
population), that the true value lies on the other side. No definite verdict carries a risk above 1 - level.

Before any number is compared, what forbids a comparison is asked, in this order: a fault of the bench that spoils the values, a condition
of the limit set that was not kept, a unit that stands still (which fails limits on flashing without a number), a value that was not
measured. The first two and the last leave "not measured", each with its reason. A limit that is itself in doubt fails no unit.

Facts are definite: what was seen is allowed or not. Alternatives follow Kleene's logic on their parts, and their risk is bounded whatever
the parts have in common: a verdict on several is never surer than its parts allow.

The numbers come first (any value, any limits: also the ball bearings of JCGM 106), then what is judged by them.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import NamedTuple

from bench.conditions import Circumstances, ConditionVerdict, Kept, is_for_system, judge_conditions
from bench.limits import AllOf, AnyOf, FactLimit, Limit, LimitSet, Requirement
from bench.measure import UNKNOWN, BenchFault, FactName, Measured, UnitBehaviour
from bench.uncertainty import Estimate, Measurement, NotMeasured, student_cdf, student_quantile

LEVEL = 0.95
"""Probability with which a definite verdict is right, given the value alone: common practice."""


class Conformity(StrEnum):
    """What can be said, from bad to good: the worst of several is "all of" them, the best is "any of" them."""

    FAIL = "fail"
    CONDITIONAL_FAIL = "conditional fail"
    NOT_MEASURED = "not measured"
    CONDITIONAL_PASS = "conditional pass"
    PASS = "pass"

    @property
    def is_definite(self) -> bool:
        """Whether it is pass or fail without condition."""
        return self in (Conformity.PASS, Conformity.FAIL)

    @property
    def is_favourable(self) -> bool:
        """Whether it speaks for the unit."""
        return self in (Conformity.PASS, Conformity.CONDITIONAL_PASS)


@dataclass(frozen=True)
class Verdict:
    """One requirement judged.

    `found` is the measurement behind it (None where a fact or parts decide), `guard` w in the quantity's unit. `p_conform` is the
    probability that the true value keeps the limit, `p_wrong` that this is on the wrong side; both None if not measured.
    `by_fact` says what was seen where a fact decides: such a verdict is definite unless it is left open, without a probability. `parts`
    are the verdicts inside alternatives; the probabilities over them are bounds on the safe side. `why_open` says why nothing is decided
    although it may well have been measured: a condition of the limit set was not kept, the limit itself is in doubt, or the outcome of the
    test does not uphold the verdict.
    """

    limit_set: str
    limit: Requirement
    conformity: Conformity
    found: Measurement | None = None
    guard: float | None = None
    p_conform: float | None = None
    p_wrong: float | None = None
    by_fact: str = ""
    parts: tuple[Verdict, ...] = ()
    why_open: str = ""


# Numbers: one value, its uncertainty, and tolerance limits (None is open).


def acceptance_region(low: float | None, high: float | None, guard: float) -> tuple[float, float]:
    """Return the limits moved inwards by `guard` (JCGM 106, 8.3); a negative guard moves them outwards. Open ends are infinite.

    `low`, `high` and `guard` in one unit.
    """
    return (-math.inf if low is None else low + guard), (math.inf if high is None else high - guard)


def guard_band(u: float, dof: float, level: float = LEVEL) -> float:
    """Return w = k u, k the one-sided Student quantile: at w inside a single limit the true value keeps it with probability `level`."""
    return student_quantile(level, dof) * u


def conformance_probability(value: float, u: float, dof: float, low: float | None, high: float | None) -> float:
    """Return P(low <= true value <= high) for a value with standard uncertainty u and dof, no other knowledge (JCGM 106, 7).

    `value`, `u`, `low` and `high` in one unit.
    """
    if u == 0.0:
        return 1.0 if _inside(value, low, high) else 0.0
    below, above = _tails(value, u, dof, low, high)
    larger, smaller = max(below, above), min(below, above)
    return max(0.0, (1.0 - larger) - smaller)


def specific_risk(value: float, u: float, dof: float, low: float | None, high: float | None) -> float:
    """Return the probability that calling this value conforming, if it lies inside, or non-conforming, if outside, is wrong.

    `value`, `u`, `low` and `high` in one unit.
    """
    if u == 0.0:
        return 0.0
    if _inside(value, low, high):
        return math.fsum(_tails(value, u, dof, low, high))
    return conformance_probability(value, u, dof, low, high)


def decide(value: float, u: float, dof: float, low: float | None, high: float | None, level: float = LEVEL) -> Conformity:
    """Return the conformity of one value (see the top of this module). The limits belong to the band; without uncertainty that is all.

    Where both limits are near, being w inside each is not enough: both tails together must stay within 1 - level too. `value`, `u`, `low`
    and `high` in one unit; `level`: a probability.
    """
    if not 0.5 < level < 1.0:
        raise ValueError(f"level must lie between 0.5 and 1, got {level!r}")
    guard = guard_band(u, dof, level)
    inside = _inside(value, low, high)
    accept_low, accept_high = acceptance_region(low, high, guard)
    if accept_low <= value <= accept_high:
        one_sided = low is None or high is None
        if one_sided or specific_risk(value, u, dof, low, high) <= 1.0 - level:
            return Conformity.PASS
    reject_low, reject_high = acceptance_region(low, high, -guard)
    if not reject_low < value < reject_high:
        return Conformity.FAIL
    return Conformity.CONDITIONAL_PASS if inside else Conformity.CONDITIONAL_FAIL


def _inside(value: float, low: float | None, high: float | None) -> bool:
    return (low is None or value >= low) and (high is None or value <= high)


def _tails(value: float, u: float, dof: float, low: float | None, high: float | None) -> tuple[float, float]:
    """Return P(true value below low), P(true value above high)."""
    below = 0.0 if low is None else student_cdf((low - value) / u, dof)
    above = 0.0 if high is None else student_cdf((value - high) / u, dof)
    return below, above


# What was measured against what is asked.

_FLASHING = frozenset({"rate_per_min", "rate_total_per_min", "on_ratio"})
STANDING: Mapping[str, tuple[str, frozenset[str]]] = {
    UnitBehaviour.STEADY_ON: ("the lamps stay lit", frozenset({"start_s", "start_largest_s", "first_extinction_s"})),
    UnitBehaviour.DARK: ("the lamps stay dark", frozenset({"start_s", "start_largest_s", "first_light_s", "first_extinction_s"})),
    UnitBehaviour.ONE_FLASH: ("it flashes once and no more", frozenset[str]()),
    UnitBehaviour.SHORTED: (
        "it draws more than the bench may give: a short inside",
        frozenset({"start_s", "start_largest_s", "first_extinction_s"}),
    ),
}
"""Behaviours that fail a limit without a number: what was seen, and which times such a unit never reaches.

They fail the limits of `_FLASHING` too, even if there were flashes to measure before the unit stood still.
"""


def judge(measured: Measured, limit_set: LimitSet, level: float = LEVEL, circumstances: Circumstances | None = None) -> tuple[Verdict, ...]:
    """Return one verdict for each requirement of the set, in its order; those for another system's voltage are left out.

    While a bench fault spoils the values every verdict is "not measured": nothing is counted against the unit, nothing for it. So is every
    limit that a condition of the set is for, if `circumstances` say that the condition was not kept; None: conditions are not judged.
    `level`: probability with which a definite verdict is right.
    """
    conditions = () if circumstances is None else judge_conditions(limit_set, circumstances)
    case = _Grounds(measured, limit_set.name, level, tuple(c for c in conditions if c.kept is Kept.NOT_KEPT))
    asked = [r for r in limit_set.requirements if circumstances is None or _is_asked(r, limit_set, circumstances)]
    return tuple(_judge(case, requirement) for requirement in asked)


def _is_asked(requirement: Requirement, limit_set: LimitSet, circumstances: Circumstances) -> bool:
    return not isinstance(requirement, Limit) or is_for_system(limit_set, requirement.quantity, circumstances.system_v)


def spoiling(bench_faults: Sequence[BenchFault]) -> tuple[BenchFault, ...]:
    """Return those bench faults that leave nothing to be said about the unit."""
    return tuple(fault for fault in bench_faults if fault.spoils)


def is_decided(verdicts: Sequence[Verdict]) -> bool:
    """Return whether a test may stop: every limit passed or failed beyond its guard band. Never on nothing.

    Who asks after each flash has that many chances to be wrong, so ask of verdicts at a stricter level than the one reported.
    """
    return bool(verdicts) and all(v.conformity.is_definite for v in verdicts)


def worst(outcomes: Iterable[Conformity]) -> Conformity:
    """Return the conformity of "all of" these."""
    return min(outcomes, key=tuple(Conformity).index)


def best(outcomes: Iterable[Conformity]) -> Conformity:
    """Return the conformity of "any of" these."""
    return max(outcomes, key=tuple(Conformity).index)


class _Grounds(NamedTuple):
    """What requirements are judged on: the values, the set's name, the level, and the conditions not kept."""

    measured: Measured
    name: str
    level: float
    not_kept: tuple[ConditionVerdict, ...]

    def why_open(self, quantity: str | None) -> str:
        """Say why limits on `quantity` (None: on a fact) cannot be judged under these conditions; empty if they can."""
        return "; ".join(dict.fromkeys(c.text for c in self.not_kept if c.condition.is_for(quantity)))


def _judge(case: _Grounds, requirement: Requirement) -> Verdict:
    match requirement:
        case Limit():
            return _judge_limit(case, requirement)
        case FactLimit():
            return _judge_fact(case, requirement)
        case AllOf(limits=parts) | AnyOf(alternatives=parts):
            return _judge_parts(case, requirement, tuple(_judge(case, p) for p in parts))


def _judge_limit(case: _Grounds, limit: Limit) -> Verdict:
    measured, name = case.measured, case.name
    found = measured.values.get(limit.quantity, NotMeasured("not part of this test"))
    if spoiling(measured.bench_faults):
        return Verdict(name, limit, Conformity.NOT_MEASURED, found)
    why_open = case.why_open(limit.quantity)
    if why_open:
        return Verdict(name, limit, Conformity.NOT_MEASURED, found, why_open=why_open)
    verdict = _judge_plainly(case, limit, found)
    if limit.doubtful and verdict.conformity in (Conformity.FAIL, Conformity.CONDITIONAL_FAIL):
        return Verdict(name, limit, Conformity.NOT_MEASURED, found, why_open=f"the limit is in doubt: {limit.source.note}")
    return verdict


def _judge_plainly(case: _Grounds, limit: Limit, found: Measurement) -> Verdict:
    """Judge what was found, whether or not the limit is in doubt."""
    seen = _standing_still(case.measured, limit.quantity)
    if seen:
        return Verdict(case.name, limit, Conformity.FAIL, found, by_fact=seen)
    if isinstance(found, NotMeasured):
        return Verdict(case.name, limit, Conformity.NOT_MEASURED, found)
    band = (limit.low, limit.high)
    return Verdict(
        case.name,
        limit,
        decide(found.value, found.u, found.dof, *band, case.level),
        found,
        guard=guard_band(found.u, found.dof, case.level),
        p_conform=conformance_probability(found.value, found.u, found.dof, *band),
        p_wrong=specific_risk(found.value, found.u, found.dof, *band),
    )


def _standing_still(measured: Measured, quantity: str) -> str:
    """Return what was seen, if a unit that stands still cannot have the quantity for that reason; else empty."""
    seen, never = STANDING.get(measured.facts.get(FactName.BEHAVIOUR, UNKNOWN), ("", frozenset[str]()))
    if quantity in _FLASHING:
        return seen
    flashed = isinstance(measured.values.get("on_s"), Estimate)
    found = measured.values.get(quantity)
    excused = isinstance(found, NotMeasured) and found.fault == "bench"
    return seen if quantity in never and not flashed and not excused and not isinstance(found, Estimate) else ""


def _judge_fact(case: _Grounds, limit: FactLimit) -> Verdict:
    seen = case.measured.facts.get(limit.fact, UNKNOWN)
    if spoiling(case.measured.bench_faults):
        return Verdict(case.name, limit, Conformity.NOT_MEASURED)
    why_open = case.why_open(None)
    if why_open or seen == UNKNOWN:
        return Verdict(case.name, limit, Conformity.NOT_MEASURED, why_open=why_open)
    return Verdict(case.name, limit, Conformity.PASS if seen in limit.allowed else Conformity.FAIL, by_fact=seen)


def _judge_parts(case: _Grounds, requirement: AllOf | AnyOf, parts: tuple[Verdict, ...]) -> Verdict:
    """Judge alternatives by Kleene's logic on their outcomes.

    The verdict is definite only if the risk of all of it together keeps the level, as for each part alone.

    Two parts that pass with 5 % each are "all of" with up to 10 %, and two that fail are none "of any" with as much.
    """
    every = isinstance(requirement, AllOf)
    outcome = (worst if every else best)(p.conformity for p in parts)
    by_fact = _deciding_fact(requirement, parts, outcome)
    if outcome is Conformity.NOT_MEASURED or by_fact:
        open_parts = (p.why_open for p in parts if p.why_open and outcome is Conformity.NOT_MEASURED)
        return Verdict(case.name, requirement, outcome, by_fact=by_fact, parts=parts, why_open="; ".join(dict.fromkeys(open_parts)))
    risks = [1.0 - _p_bounds(p)[0] if outcome.is_favourable else _p_bounds(p)[1] for p in parts]
    risk = _union(risks) if every is outcome.is_favourable else min(risks)
    # No stricter than with the riskiest of its parts alone, whose own guard band has said that it is definite.
    if risk > max(1.0 - case.level, *risks):
        outcome = {Conformity.PASS: Conformity.CONDITIONAL_PASS, Conformity.FAIL: Conformity.CONDITIONAL_FAIL}.get(outcome, outcome)
    return Verdict(case.name, requirement, outcome, p_conform=1.0 - risk if outcome.is_favourable else risk, p_wrong=risk, parts=parts)


def _union(risks: Sequence[float]) -> float:
    """Return the most that the probability of any of several things can be, however they hang together: values of one quantity err
    alike."""
    return min(1.0, math.fsum(risks))


def _p_bounds(verdict: Verdict) -> tuple[float, float]:
    """Return the least and most of the probability that the true values keep one part: a limit, or all of some (Frechet's bounds on those).

    What a fact decides is certain, what was not measured may go either way.
    """
    if verdict.by_fact:
        return (1.0, 1.0) if verdict.conformity is Conformity.PASS else (0.0, 0.0)
    if verdict.parts:
        bounds = [_p_bounds(part) for part in verdict.parts]
        return 1.0 - _union([1.0 - low for low, _ in bounds]), min(high for _, high in bounds)
    return (0.0, 1.0) if verdict.p_conform is None else (verdict.p_conform, verdict.p_conform)


def _deciding_fact(requirement: AllOf | AnyOf, parts: tuple[Verdict, ...], outcome: Conformity) -> str:
    """Return the fact that settles it alone: one that passes an alternative or fails a conjunction; or all parts being facts."""
    if not outcome.is_definite:
        return ""
    facts = [p.by_fact for p in parts if p.by_fact and p.conformity is outcome]
    alone = Conformity.FAIL if isinstance(requirement, AllOf) else Conformity.PASS
    enough = facts and (outcome is alone or len(facts) == len(parts))
    return facts[0] if enough else ""
