"""A grade by a shop's rule: each condition is true, false or unknown, and unknown never helps a unit to a grade.

Strategy. The grades of a rule are tried in their order; the first whose conditions hold is given. Each condition becomes a `_Check`:
whether it holds, the clause that says so with its figure, what that says against the unit, and whether more flashes might change it. A
grade that says `good` needs every limit known to be kept besides, whatever the rule asks; a bench at fault gets no grade. What kept the
unit from better grades, and what could not be known for them, goes with the grade that was given. `sure` says that more flashes would
leave it at that, which ends a test early.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction

from bench.grade.rule import (
    NO_GRADE,
    FactIs,
    GradeCondition,
    GradeStep,
    InBand,
    Margin,
    Meaning,
    Misses,
    Only,
    Rule,
    ShareOfLimit,
    VerdictsAmong,
)
from bench.grade.speech import Speech, fact_text, speech_of, title_of
from bench.limits import Limit
from bench.measure import UNKNOWN, Measured
from bench.uncertainty import Estimate, NotMeasured
from bench.verdict import Conformity, Verdict, spoiling


@dataclass(frozen=True)
class Grade:
    """A grade: short name (`A`, `none`), what it means, the rule that gave it, why, and what the shop does with such a unit.

    `outcome`: what the rule says of such a unit: `good`, `not good` or `not decided`. `because` is what decided; `kept_from` what kept the
    unit from better grades, or might have given a worse one. `charges` say what the unit did wrong, each in a clause with its figure;
    `charged` names the quantity or fact of each, empty where it is of several.
    `sure`: more flashes would hardly give another grade.
    """

    name: str
    title: str
    rule: str
    because: tuple[str, ...] = ()
    wording: str = ""
    kept_from: tuple[str, ...] = ()
    outcome: Meaning = "not decided"
    charges: tuple[str, ...] = ()
    charged: tuple[str, ...] = ()
    sure: bool = False


@dataclass(frozen=True, slots=True)
class _Check:
    """A condition evaluated: true, false or unknown (None), the sentence part that says so, what that says against the unit (or empty),
    whether more flashes might change it, and the one quantity or fact that it is of (or empty)."""

    holds: bool | None
    text: str
    charge: str = ""
    open: bool = False
    of: str = ""


@dataclass
class _GradedUnit:
    """What is graded, and the checks of the grades already tried."""

    measured: Measured
    verdicts: Sequence[Verdict]
    tried: dict[str, list[_Check]] = field(default_factory=dict)


def grade(rule: Rule, measured: Measured, verdicts: Sequence[Verdict]) -> Grade:
    """Return the first grade of the rule whose conditions hold; none while a bench fault spoils the values.

    A grade that says `good` is never given to a unit of which a limit is not known to be kept, whatever the rule asks.
    """
    faults = spoiling(measured.bench_faults)
    if faults:
        texts = tuple(f"bench fault: {fault.text}" for fault in faults)
        return Grade(NO_GRADE, "not graded", rule.name, texts, "Put the bench right and test again.")
    case = _GradedUnit(measured, verdicts)
    kept = all(v.conformity.is_favourable for v in verdicts)
    kept_from: list[tuple[str, list[str]]] = []
    sure = True
    for number, step in enumerate(rule.steps):
        checks = [check for condition in step.conditions if (check := _check(condition, case)) is not None]
        case.tried[step.name] = checks
        holds = [check.holds is True for check in checks]
        given = all(holds) if step.need == "all" else any(holds)
        sure = sure and _is_sure(step, checks, given)
        if given and (kept or step.outcome != "good"):
            # A grade that is tried again further down had no claim on this unit.
            later = {s.name for s in rule.steps[number:]}
            others = (text for name, texts in reversed(kept_from) if name not in later for text in texts)
            return replace(_given(step, rule.name, checks), kept_from=tuple(others), sure=sure)
        kept_from.append((step.name, _kept_from(step, checks)))
    otherwise = rule.otherwise
    everything = tuple(text for _, texts in reversed(kept_from) for text in texts)
    meaning = otherwise.outcome if kept or otherwise.outcome != "good" else "not decided"
    return Grade(otherwise.name, otherwise.title, rule.name, (), otherwise.wording, everything, meaning, sure=sure)


def _given(step: GradeStep, rule: str, checks: Sequence[_Check]) -> Grade:
    """Return the grade of this step, by what decided it; what a sound unit must show, and does, is no charge."""
    is_praise = step.outcome == "good" and step.need == "all"
    charging = [] if is_praise else [check for check in checks if check.holds and check.charge]
    return Grade(
        name=step.name,
        title=step.title,
        rule=rule,
        because=tuple(check.text for check in checks if check.holds),
        wording=step.wording,
        outcome=step.outcome,
        charges=tuple(check.charge for check in charging),
        charged=tuple(check.of for check in charging),
    )


def _is_sure(step: GradeStep, checks: Sequence[_Check], given: bool) -> bool:
    """Return whether more flashes would leave it at that: all that could still change is settled, or outweighed by what is."""
    if step.need == "all":
        return not any(check.open for check in checks) if given else any(check.holds is False and not check.open for check in checks)
    return any(check.holds is True and not check.open for check in checks) if given else not any(check.open for check in checks)


def _kept_from(step: GradeStep, checks: Sequence[_Check]) -> list[str]:
    """Return why the unit did not get this grade; of an "any" grade only what could not be known, since the rest speaks for the unit."""
    missed = [c.text for c in checks if c.holds is False and step.need == "all"]
    unknown = [c.text for c in checks if c.holds is None]
    parts = (f"not {step.name}", missed), (f"not known for {step.name}", unknown)
    return [f"{what}: {'; '.join(texts)}" for what, texts in parts if texts]


def _check(condition: GradeCondition, case: _GradedUnit) -> _Check | None:
    """Evaluate the condition; None if it is not for such a unit."""
    match condition:
        case Only(facts=facts, condition=inner):
            return _check(inner, case) if all(case.measured.facts.get(fact) in words for fact, words in facts) else None
        case InBand():
            return _check_band(condition, case.measured)
        case ShareOfLimit():
            return _check_share(condition, case)
        case VerdictsAmong():
            return _check_outcomes(condition, case.verdicts)
        case Margin():
            return _check_margin(condition, case.verdicts)
        case FactIs(fact=fact, allowed=allowed):
            seen = case.measured.facts.get(fact, UNKNOWN)
            text = fact_text(fact, seen)
            return _Check(None if seen == UNKNOWN else seen in allowed, text, text, of=fact)
        case Misses(of=of, at_most=at_most):
            tried = case.tried[of]
            missed = [check for check in tried if check.holds is False]
            close = any(check.open for check in tried)
            named = f": {'; '.join(check.text for check in missed)}" if len(missed) > at_most else ""
            text = f"requirements of grade {of} not met: {len(missed)} (allowed: {at_most}){named}"
            return _Check(len(missed) <= at_most, text, "; ".join(check.charge for check in missed if check.charge), close)


def _check_band(band: InBand, measured: Measured) -> _Check:
    found = measured.values.get(band.quantity, NotMeasured("not part of this test"))
    speech = speech_of(band.quantity)
    if isinstance(found, NotMeasured):
        return _Check(None, f"{speech.title} was not measured ({found.reason})")
    charge = _charge(band, found, speech)
    room = _room(band, found)
    holds = room > 0.0 if band.open_ends else room >= 0.0
    if found.n < band.flashes and (holds or not _is_count(found)):
        return _Check(None, f"{speech.title}: {found.n} flashes seen, {band.flashes} needed", open=True)
    band_text = f"{speech.title} {speech.value(found, band.low, band.high)} ({speech.band(band.low, band.high, band.open_ends)})"
    text = charge if _is_count(found) else band_text
    close = not _is_count(found) and abs(_room(replace(band, by_u=0.0), found)) < found.expanded()
    return _Check(holds, text, charge, close, band.quantity)


_ONE = {"missed": "missed flash", "stuck": "long flash", "dropouts": "drop-out while lit"}


def _is_count(found: Estimate) -> bool:
    return found.unit == "1" and not found.budget


def _charge(band: InBand, found: Estimate, speech: Speech) -> str:
    """Return what the value says against the unit: a count with its flashes, or the value with the nearer limit."""
    if _is_count(found):
        title = _ONE.get(band.quantity, speech.title) if found.value == 1.0 else speech.title
        return f"{found.value:.0f} {title} in {found.n}"
    low, high = band.low, band.high
    over = low is None or (high is not None and abs(found.value - high) <= abs(found.value - low))
    return f"{speech.title} {speech.value(found, high if over else low)}, {speech.limit((high if over else low) or 0.0)}"


def _room(band: InBand, found: Estimate) -> float:
    """Return how far inside the band the value lies, after the margin in U; negative outside."""
    low = -math.inf if band.low is None else band.low
    high = math.inf if band.high is None else band.high
    return min(found.value - low, high - found.value) - band.by_u * found.expanded()


def _check_share(condition: ShareOfLimit, case: _GradedUnit) -> _Check:
    limits = [v.limit for v in case.verdicts if isinstance(v.limit, Limit) and v.limit.quantity in condition.quantities]
    # The product of the decimals as written: 80 % of 1.5 is 1.2.
    share = Fraction(repr(condition.share))
    bands = [InBand(limit.quantity, None, float(share * Fraction(repr(limit.high)))) for limit in limits if limit.high is not None]
    if not bands:
        titles = ", ".join(speech_of(name).title for name in condition.quantities)
        return _Check(None, f"no limit set used has a limit for {titles}")
    checks = [_check_band(band, case.measured) for band in bands]
    holds = False if any(c.holds is False for c in checks) else None if any(c.holds is None for c in checks) else True
    alike = [check for check in checks if check.holds is holds]
    charge = "; ".join(check.charge for check in alike if check.charge)
    return _Check(holds, "; ".join(check.text for check in alike), charge, any(check.open for check in checks))


def _check_outcomes(condition: VerdictsAmong, verdicts: Sequence[Verdict]) -> _Check:
    if not verdicts:
        return _Check(None, "no limit was judged")
    inside = [v for v in verdicts if v.conformity in condition.allowed]
    outside = [v for v in verdicts if v.conformity not in condition.allowed]
    holds = not outside if condition.every else bool(inside)
    if condition.every == holds:
        return _Check(holds, f"{'every' if holds else 'no'} limit: {' or '.join(condition.allowed)}")
    return _Check(holds, "; ".join(dict.fromkeys(f"{title_of(v)}: {v.conformity}" for v in (inside if holds else outside))))


def _check_margin(condition: Margin, verdicts: Sequence[Verdict]) -> _Check:
    if not verdicts:
        return _Check(None, "no limit was judged")
    near = [title_of(v) for v in verdicts if not _has_margin(v, condition.by_u) and v.conformity is not Conformity.NOT_MEASURED]
    unknown = [title_of(v) for v in verdicts if v.conformity is Conformity.NOT_MEASURED]
    if near:
        return _Check(False, f"not inside by the uncertainty: {', '.join(near)}")
    if unknown:
        return _Check(None, f"not measured: {', '.join(unknown)}")
    return _Check(True, "inside every limit by the uncertainty")


def _has_margin(verdict: Verdict, by_u: float) -> bool:
    """Return whether the value lies so far inside; what facts or alternatives decide has no distance to a limit, and must pass."""
    limit, found = verdict.limit, verdict.found
    if not isinstance(limit, Limit) or not isinstance(found, Estimate):
        return verdict.conformity is Conformity.PASS
    return _room(InBand(limit.quantity, limit.low, limit.high, by_u=by_u), found) >= 0.0
