"""From a case to its conclusion."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from bench.grade import NO_GRADE, Grade
from bench.grade.speech import speech_of, title_of
from bench.limits import FactLimit, Limit, Requirement, weakest_basis
from bench.measure import APPLIED_UNSEEN, STANDING_STILL, UNKNOWN, FactName, FaultCode, ProofItem, RatingState, UnitBehaviour
from bench.outcome import next_steps
from bench.outcome.case import Case
from bench.outcome.charges import Charge, charges_of
from bench.outcome.conclusion import Conclusion, Outcome
from bench.outcome.wording import evidence, lower
from bench.uncertainty import Estimate, NotMeasured
from bench.verdict import Conformity, Verdict, decide, spoiling

_LIT = (0.30, 0.75)  # on-time of a unit that flashes right (SAE J945, after a public summary), where no limit set says otherwise
_OF_OTHER_LAMPS = frozenset({
    FactName.OUTAGE, FactName.LAMP_OUT, FactName.PILOT_LAMP_OUT, FactName.TRAILER,
    "outage_rate_per_min", "outage_ratio", "trailer_rate_per_min", "trailer_ratio",
})  # fmt: skip
_DROP = "drop"
_NOT_COUNTED = "not counted against the unit, for the reason given with the outcome"
_NOT_JUDGED = "not judged: the bench is at fault"


def conclude(case: Case) -> Conclusion:
    """Return the conclusion of a test (see the top of this package)."""
    conclusion = _concluded(case)
    advice = next_steps.OF_RECORDINGS.get(conclusion.advice) if case.recorded else None
    return conclusion if advice is None else replace(conclusion, advice=advice)


def _concluded(case: Case) -> Conclusion:
    faults = spoiling((*case.bench_faults, *(f for f in case.measured.bench_faults if f not in case.bench_faults)))
    if faults:
        # A lead that is off, or two that are swapped, make the supply and the lamps look wrong too.
        first = min(faults, key=lambda fault: not fault.code.startswith("sense-"))
        return _bench_fault(first.text, len(faults) - 1)
    conclusion = _of_unit(case)
    if case.heard and conclusion.outcome is Outcome.NOT_DECIDED:
        return replace(conclusion, advice=next_steps.BY_SOUND)
    lost = next((fault for fault in case.bench_faults if fault.code == FaultCode.SAMPLES_LOST), None)
    if lost is not None and not conclusion.outcome.is_of_unit and case.interrupted is None:
        # What could not be measured may be what was lost; and a cable can be changed, what it kept from being measured cannot.
        return _bench_fault(lost.text, 0)
    return conclusion


def uphold(verdicts: Sequence[Verdict], outcome: Outcome) -> tuple[Verdict, ...]:
    """Return the verdicts as a record keeps them: open where the outcome does not uphold them, so that none contradicts it."""
    return tuple(_uphold(verdict, outcome) for verdict in verdicts)


def _uphold(verdict: Verdict, outcome: Outcome) -> Verdict:
    refused = outcome is Outcome.NOT_DECIDED and verdict.conformity is Conformity.FAIL
    if not refused and (outcome is not Outcome.BENCH_FAULT or verdict.conformity is Conformity.NOT_MEASURED):
        return verdict
    why = _NOT_COUNTED if refused else _NOT_JUDGED
    seen, parts = verdict.by_fact, uphold(verdict.parts, outcome)
    return Verdict(verdict.limit_set, verdict.limit, Conformity.NOT_MEASURED, verdict.found, by_fact=seen, parts=parts, why_open=why)


def _of_unit(case: Case) -> Conclusion:
    """Return what is said of the unit on a bench that is not at fault."""
    charges = charges_of(case)
    if charges and case.heard:
        reason = f"Not decided: {lower(charges[0].text)}, but by sound alone: neither lamps nor supply were proved."
        return _open(reason, next_steps.BY_SOUND)
    # What decides nothing of the unit does not hide that the test was broken off, and by whom.
    if charges and ((against := _against(case, charges)).outcome.is_of_unit or case.interrupted is None):
        return against
    if case.interrupted is not None:
        why = case.interrupted.rstrip(".")
        if case.broken_off_by_bench:
            return _bench_fault(why, 0)
        return _open(f"Not finished: {why}.", "Test it again.")
    if not case.verdicts:
        return _open("Not decided: no limit was judged.", "Name a limit set to judge by.")
    if case.doubt:
        return _open(f"Not decided: {case.doubt}.", next_steps.ONE_RUN)
    return _favourable(case)


def _bench_fault(text: str, more: int) -> Conclusion:
    others = f" (and {more} more fault{'s' if more > 1 else ''} of the bench)" if more else ""
    seen = f"{text.rstrip('.')}{others}"
    # The fault says itself what to do; then the same unit once more.
    reason = f"The bench is at fault, not the unit: {seen}."
    return Conclusion(Outcome.BENCH_FAULT, reason, next_steps.MEND)


def _open(reason: str, advice: str) -> Conclusion:
    return Conclusion(Outcome.NOT_DECIDED, reason, advice)


# What speaks against the unit.


def _against(case: Case, charges: Sequence[Charge]) -> Conclusion:
    if case.leads_may_explain and all(charge.thing == _DROP for charge in charges):
        reason = f"Not decided: {lower(charges[0].text)}, but the sense leads may be a part of that."
        return _open(reason, next_steps.READ_ZEROS)
    # More lamps than it is for raise the drop of the best contact.
    own = [charge for charge in charges if not charge.of_load and not (case.is_rated is False and charge.thing == _DROP)]
    basis = weakest_basis(charge.requirement for charge in charges if charge.requirement is not None)
    if not own and (other := _explained_otherwise(case, lower(charges[0].text), basis)) is not None:
        return other
    of_load = [charge for charge in charges if charge.of_load]
    reason = f"Rejected: {_several([*own, *of_load])}{_kept(case)}."
    if case.interrupted is not None:
        reason = f"{reason} (The test was not finished: {case.interrupted.rstrip('.')}.)"
    grade = case.grade if case.grade is not None and case.grade.outcome == "not good" else None
    advice = grade.wording if grade is not None and grade.wording else "Do not sell or fit it. State the fault."
    return Conclusion(Outcome.NOT_GOOD, reason, advice, grade, basis)


def _explained_otherwise(case: Case, charge: str, basis: str) -> Conclusion | None:
    """Return what is said if supply, load, lamps or rating may explain a charge in which the load has a part; None if none of them may."""
    behaviour = case.measured.facts.get(FactName.BEHAVIOUR, UNKNOWN)
    if case.odd_supply:
        return _open(f"Not decided: {charge} at {case.odd_supply}.", next_steps.ITS_VOLTS)
    fitting = _fitting(case) if case.is_rated is False or behaviour in (UnitBehaviour.STEADY_ON, UnitBehaviour.ONE_FLASH) else ""
    if fitting:
        reason = f"Not for {case.load}: {charge}. It flashes right on {fitting}."
        return Conclusion(Outcome.NOT_FOR_LOAD, reason, next_steps.NOT_THIS_LOAD, None, basis)
    unproved = next((proof.text for proof in case.measured.proofs if proof.item == ProofItem.LAMPS and not proof.proved), "")
    if unproved:
        return _open(f"Not decided: {charge}, but the lamps were not proved ({unproved}).", next_steps.PROVE_LAMPS)
    if case.is_rated is False and case.measured.facts.get(FactName.RATING) != RatingState.KNOWN:
        return _open(f"Not decided: on {case.load} {charge}; which lamps it is for is not known.", next_steps.READ_RATING)
    if case.is_rated is False:
        return _open(f"Not decided: on {case.load}, not the load that it is for: {charge}.", next_steps.ITS_LAMPS)
    if case.is_rated is None and behaviour == UnitBehaviour.STEADY_ON:
        return _open(f"Not decided: {charge} on {case.load}, and its rating is not known.", next_steps.READ_RATING)
    return None


def _several(charges: Sequence[Charge]) -> str:
    """Return the first of them, and how many other things there are."""
    more = len({charge.thing for charge in charges}) - 1
    others = f", and {more} more reason{'s' if more > 1 else ''}" if more else ""
    return f"{lower(charges[0].text)}{others}"


def _kept(case: Case) -> str:
    """Return which of the limits that people ask for first are kept all the same."""
    if case.measured.facts.get(FactName.BEHAVIOUR, UNKNOWN) in STANDING_STILL:
        return ""
    on_rate = [v for v in case.verdicts if isinstance(v.limit, Limit) and v.limit.quantity.startswith("rate_")]
    return "; limits on rate are kept" if on_rate and all(v.conformity is Conformity.PASS for v in on_rate) else ""


def _fitting(case: Case) -> str:
    """Return another load of this test on which rate and on-time are inside every limit on them, with the rate; empty if there is none."""
    bands = [v.limit for v in case.verdicts if isinstance(v.limit, Limit) and v.limit.quantity in ("rate_per_min", "on_ratio")]
    for other in case.others:
        values = dict(other.values)
        rate = values.get("rate_per_min")
        if other.behaviour != UnitBehaviour.FLASHING or rate is None or other.rejected:
            continue
        lit = values.get("on_ratio")
        if lit is not None and not _LIT[0] <= lit.value <= _LIT[1]:
            continue  # a flicker of 3 % may have a good rate, and lights nothing
        known = [(limit, values[limit.quantity]) for limit in bands if limit.quantity in values]
        if all(decide(found.value, found.u, found.dof, limit.low, limit.high) is Conformity.PASS for limit, found in known):
            return f"{other.text} ({speech_of('rate_per_min').value(rate)})"
    return ""


# Nothing speaks against it.


def _favourable(case: Case) -> Conclusion:
    opened = [v for v in case.verdicts if not v.conformity.is_favourable]
    excused = _excused(opened)
    if excused:
        return _bench_fault(excused, 0)
    if opened:
        return _undecided(case, opened[0], len(opened) - 1)
    if case.odd_supply:
        return _open(f"Not decided: within the limits, but at {case.odd_supply}.", next_steps.ITS_VOLTS)
    grade = case.grade
    near = [v for v in case.verdicts if v.conformity is Conformity.CONDITIONAL_PASS]
    if near and (grade is None or grade.outcome != "good" or grade.name == NO_GRADE):
        closest = max(near, key=lambda v: v.p_wrong or 0.0)
        return _open(f"Not decided: just inside, too near to be sure: {evidence(closest)}.", case.to_be_surer or next_steps.AGAIN)
    if grade is not None and grade.outcome != "good":
        return _open(f"Not decided: {'; '.join(grade.because) or grade.title}.", grade.wording or next_steps.TEST_AGAIN)
    basis = weakest_basis(v.limit for v in case.verdicts)
    reason = f"Good: {_good_news(case.verdicts)}{_short_of(grade)}."
    advice = grade.wording if grade is not None and grade.wording else "Within all limits, guard band included; no grade was asked for."
    return Conclusion(Outcome.GOOD, reason, advice, grade, basis)


def _short_of(grade: Grade | None) -> str:
    """Return why a good unit has no better grade, in one clause."""
    if grade is None or grade.name == "A":
        return ""
    why = next((text for text in (*grade.charges, *grade.kept_from) if text), "")
    lead = "not graded: " if grade.name == NO_GRADE else f"{grade.name}, because: " if grade.charges else ""
    return f"; {lead}{why}" if why else ""


def _excused(opened: Sequence[Verdict]) -> str:
    """Return why something judged could not be measured, if that is the bench's fault."""
    return next((v.found.reason for v in opened if isinstance(v.found, NotMeasured) and v.found.fault == "bench" and not v.why_open), "")


def _undecided(case: Case, verdict: Verdict, more: int) -> Conclusion:
    others = f" (and {more} more open)" if more else ""
    if verdict.conformity is Conformity.CONDITIONAL_FAIL:
        reason = f"Not decided: just outside, too near to be sure: {evidence(verdict)}{others}."
        return _open(reason, case.to_be_surer or next_steps.AGAIN)
    if verdict.why_open:
        doubtful = isinstance(verdict.limit, Limit) and verdict.limit.doubtful
        advice = "Judge by a limit set without this figure." if doubtful else "Test under the conditions that the limit asks for."
        return _open(f"Not decided: {title_of(verdict)}: {verdict.why_open}{others}.", advice)
    advice = next_steps.OTHER_LAMPS if _name_of(verdict.limit) in _OF_OTHER_LAMPS else next_steps.TEST_AGAIN
    if isinstance(verdict.limit, FactLimit):
        return _open(f'Not decided: "{title_of(verdict)}" could not be seen{others}.', advice)
    why = ""
    if isinstance(verdict.found, NotMeasured):
        why = f" ({verdict.found.reason.rstrip('.')})"
        advice = next_steps.FROM_THE_START if verdict.found.reason == APPLIED_UNSEEN else advice
    return _open(f"Not decided: {title_of(verdict)} not measured{why}{others}.", advice)


def _name_of(requirement: Requirement) -> str:
    """Return the quantity or fact of a requirement; empty for alternatives."""
    match requirement:
        case Limit(quantity=name) | FactLimit(fact=name):
            return name
        case _:
            return ""


def _good_news(verdicts: Sequence[Verdict]) -> str:
    best = next((v for v in verdicts if isinstance(v.found, Estimate)), verdicts[0])
    return evidence(best) + _all_kept(len(verdicts))


def _all_kept(count: int) -> str:
    return "" if count == 1 else "; both limits are kept" if count == 2 else f"; all {count} limits are kept"
