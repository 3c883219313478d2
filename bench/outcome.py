"""The one outcome of a test: what is said of the unit, why, and what to do next. Everything that speaks of a test speaks from here.

Strategy. The bench speaks first: a fault of it, or a test that it broke off, leaves nothing to be said of the unit. Then what speaks
against the unit, each thing once: limits failed, and what the shop's rule rejects. What depends on the load counts only if the lamps were
proved, and a unit that stands still on this load but flashes right on another is good for that one. Only a unit against which nothing
speaks, and of which nothing asked is open, is good. Grade, sentence and exit code follow from the outcome, so none can contradict another.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from itertools import zip_longest

from bench.grade import Grade
from bench.grade.words import speech_of, title_of
from bench.limits import AllOf, AnyOf, FactLimit, Limit, Requirement, weakest_basis
from bench.measure import APPLIED_UNSEEN, BenchFault, Measured
from bench.uncertainty import Estimate, NotMeasured
from bench.verdict import Conformity, Verdict, decide, spoiling

_SURE = 1e-3  # risks below this are as good as none
_OF_LOAD = ("rate_", "on_", "off_s", "start_", "first_", "outage_", "trailer_")
_FACTS_OF_LOAD = frozenset({"behaviour", "outage", "trailer", "lamp out", "pilot, lamp out", "pilot"})
_STANDING = ("steady on", "dark", "one flash", "shorted")
_NOT_THIS_LOAD = "Sell it for lamps on which it flashed right, or test it on the lamps that it is for."
_LIT = (0.30, 0.75)  # on-time of a unit that flashes right (SAE J945, after a public summary), where no limit set says otherwise
_READ_RATING = "Read on the unit which lamps it is for, and test it on those."
_OF_OTHER_LAMPS = frozenset({
    "outage", "lamp out", "pilot, lamp out", "trailer", "outage_rate_per_min", "outage_ratio", "trailer_rate_per_min", "trailer_ratio",
})  # fmt: skip
_OTHER_LAMPS = "Test it by a procedure that switches a lamp off and a further one on (decide, full), on a bank that has that lamp."
_FROM_THE_START = "Let the recording begin before voltage comes to the unit, or judge it by limits that ask for no starting time."
_DROP = "drop"
_BY_SOUND = "For what sound does not show test it on a bench; where clicks were not heard, record closer, for 20 s or more."
_ONE_RUN = "Judge one run alone (--window), and record until voltage goes."
_TEST_AGAIN = "Test again."
_MEND = "Put that right, then test the same unit again."
_READ_ZEROS = "Read the zeros with the shorting link, which shows what the leads add; then test again."
_PROVE_LAMPS = "Fit the shorting link and check the lamps, or test on lamps that are known; then test again."
_ITS_VOLTS = "Test it at the voltage of its system."
_ITS_LAMPS = "Test it on the lamps that it is for."
_OF_RECORDINGS: Mapping[str, str] = {
    _TEST_AGAIN: "Record it again, with what is missing.",
    _MEND: "Put that right, then record the same unit again.",
    _READ_ZEROS: "Record the drop at the unit's own terminals.",
    _PROVE_LAMPS: "Record it on lamps that are known to be right, with their current, and name them (--fitted).",
    _ITS_VOLTS: "Record it at the voltage of its system.",
    _ITS_LAMPS: "Record it on the lamps that it is for.",
    _READ_RATING: "Read on the unit which lamps it is for, and record it on those.",
}
"""The same advice to somebody who has no bench, but a recording made elsewhere."""
_AGAIN = "Zero the bench, let everything cool, and test again."
_NOT_COUNTED = "not counted against the unit, for the reason given with the outcome"
_NOT_JUDGED = "not judged: the bench is at fault"


class Outcome(StrEnum):
    """What can be said of a unit after a test."""

    GOOD = "good"
    NOT_GOOD = "not good"
    NOT_FOR_LOAD = "good, but not for this load"
    NOT_DECIDED = "not decided"
    BENCH_FAULT = "bench fault"

    @property
    def on_unit(self) -> bool:
        """Whether it says something of the unit."""
        return self in (Outcome.GOOD, Outcome.NOT_GOOD, Outcome.NOT_FOR_LOAD)


OPENINGS: Mapping[Outcome, tuple[str, ...]] = {
    Outcome.GOOD: ("Good: ",),
    Outcome.NOT_GOOD: ("Rejected: ",),
    Outcome.NOT_FOR_LOAD: ("Not for ",),
    Outcome.NOT_DECIDED: ("Not decided: ", "Not finished: "),
    Outcome.BENCH_FAULT: ("The bench is at fault, not the unit: ",),
}
"""How the sentence of each outcome begins."""


@dataclass(frozen=True)
class Conclusion:
    """The outcome with all that is said beside it.

    `reason`: one sentence that names quantity, figure and limit once; `advice`: what to do next. `grade` is given only with `good` and
    `not good`, and then says the same. `basis`: the weakest basis of the numbers that decided (`read`, `own`, `summary`, `memory` with its
    confidence), empty if none did.
    """

    outcome: Outcome
    reason: str
    advice: str
    grade: Grade | None = None
    basis: str = ""

    @property
    def letter(self) -> str:
        """The grade's name; empty if none was given."""
        return self.grade.name if self.grade is not None and self.grade.name != "none" else ""


@dataclass(frozen=True)
class OtherLoad:
    """What the unit did in the same test on another load: its text, its behaviour, what was measured, and whether the rule rejects it."""

    text: str
    behaviour: str
    values: tuple[tuple[str, Estimate], ...] = ()
    rejected: bool = False


@dataclass(frozen=True)
class Case:
    """All that the outcome is made of.

    `bench_faults`: those of the whole test. `broken_off_by_bench`: the test ended because of the bench. `load`: text of the load it was
    tested on; `is_rated`: whether that is what the unit is for, None if nobody knows. `odd_supply`: volts at which no unit is used, in
    words; empty if the supply was a usual one. `leads_may_explain`: nothing would charge the drop, were the sense leads on the clips.
    `to_be_surer`: what would make the uncertainties narrower, as advice; empty if nothing but another test would.
    `doubt`: what the recording leaves open though nothing in it speaks against the unit. `recorded`: it was recorded elsewhere, so that
    advice speaks of recording. `heard`: only its sound was recorded, which proves neither lamps nor supply: it speaks against no unit.
    """

    measured: Measured
    verdicts: Sequence[Verdict]
    grade: Grade | None
    bench_faults: Sequence[BenchFault] = ()
    interrupted: str | None = None
    broken_off_by_bench: bool = False
    load: str = ""
    is_rated: bool | None = None
    others: Sequence[OtherLoad] = ()
    odd_supply: str = ""
    leads_may_explain: bool = False
    to_be_surer: str = ""
    heard: bool = False
    doubt: str = ""
    recorded: bool = False


@dataclass(frozen=True)
class _Charge:
    """Something that speaks against the unit, and whether the load has a part in it."""

    text: str
    of_load: bool
    thing: str  # what it is about: limits on the mean drop and on the worst one are about the same
    requirement: Requirement | None = None


def conclude(case: Case) -> Conclusion:
    """The conclusion of a test (see the top of this module)."""
    conclusion = _concluded(case)
    advice = _OF_RECORDINGS.get(conclusion.advice) if case.recorded else None
    return conclusion if advice is None else replace(conclusion, advice=advice)


def _concluded(case: Case) -> Conclusion:
    faults = spoiling((*case.bench_faults, *(f for f in case.measured.bench_faults if f not in case.bench_faults)))
    if faults:
        # A lead that is off, or two that are swapped, make the supply and the lamps look wrong too.
        first = min(faults, key=lambda fault: not fault.code.startswith("sense-"))
        return _bench_fault(first.text, len(faults) - 1)
    conclusion = _of_unit(case)
    if case.heard and conclusion.outcome is Outcome.NOT_DECIDED:
        return replace(conclusion, advice=_BY_SOUND)
    lost = next((fault for fault in case.bench_faults if fault.code == "samples-lost"), None)
    if lost is not None and not conclusion.outcome.on_unit and case.interrupted is None:
        # What could not be measured may be what was lost; and a cable can be changed, what it kept from being measured cannot.
        return _bench_fault(lost.text, 0)
    return conclusion


def upheld(verdicts: Sequence[Verdict], outcome: Outcome) -> tuple[Verdict, ...]:
    """The verdicts as a record keeps them: open where the outcome does not uphold them, so that none contradicts it."""
    return tuple(_upheld(verdict, outcome) for verdict in verdicts)


def _upheld(verdict: Verdict, outcome: Outcome) -> Verdict:
    refused = outcome is Outcome.NOT_DECIDED and verdict.conformity is Conformity.FAIL
    if not refused and (outcome is not Outcome.BENCH_FAULT or verdict.conformity is Conformity.NOT_MEASURED):
        return verdict
    why = _NOT_COUNTED if refused else _NOT_JUDGED
    seen, parts = verdict.by_fact, upheld(verdict.parts, outcome)
    return Verdict(verdict.limit_set, verdict.limit, Conformity.NOT_MEASURED, verdict.found, by_fact=seen, parts=parts, why_open=why)


def _of_unit(case: Case) -> Conclusion:
    """What is said of the unit on a bench that is not at fault."""
    charges = _charges(case)
    if charges and case.heard:
        return _open(f"Not decided: {_lower(charges[0].text)}, but by sound alone: neither lamps nor supply were proved.", _BY_SOUND)
    # What decides nothing of the unit does not hide that the test was broken off, and by whom.
    if charges and ((against := _against(case, charges)).outcome.on_unit or case.interrupted is None):
        return against
    if case.interrupted is not None:
        why = case.interrupted.rstrip(".")
        if case.broken_off_by_bench:
            return _bench_fault(why, 0)
        return _open(f"Not finished: {why}.", "Test it again.")
    if not case.verdicts:
        return _open("Not decided: no limit was judged.", "Name a limit set to judge by.")
    if case.doubt:
        return _open(f"Not decided: {case.doubt}.", _ONE_RUN)
    return _favourable(case)


def _bench_fault(text: str, more: int) -> Conclusion:
    others = f" (and {more} more fault{'s' if more > 1 else ''} of the bench)" if more else ""
    seen = f"{text.rstrip('.')}{others}"
    # The fault says itself what to do; then the same unit once more.
    reason = f"The bench is at fault, not the unit: {seen}."
    return Conclusion(Outcome.BENCH_FAULT, reason, _MEND)


def _open(reason: str, advice: str) -> Conclusion:
    return Conclusion(Outcome.NOT_DECIDED, reason, advice)


# What speaks against the unit.


def _charges(case: Case) -> list[_Charge]:
    """Everything that speaks against the unit, the surest first, each fact once."""
    failed = sorted((v for v in case.verdicts if v.conformity is Conformity.FAIL), key=lambda v: max(v.p_wrong or 0.0, _SURE))
    found: dict[str, _Charge] = {}
    for verdict in failed:
        text = charge_text(verdict)
        found.setdefault(text, _Charge(text, _is_of_load(verdict.limit), _thing(verdict), verdict.limit))
    if case.grade is not None and case.grade.outcome == "not good":
        known = {charge.thing for charge in found.values()}
        for text, name in zip_longest(case.grade.charges, case.grade.charged, fillvalue=""):
            if _stem(name) not in known:
                found.setdefault(text, _Charge(text, _name_is_of_load(name), _stem(name) or text))
        if not found and case.interrupted is None and all(v.conformity is not Conformity.NOT_MEASURED for v in case.verdicts):
            # A rule may reject for what is no charge by itself: a conditional verdict, or that nothing better held. Never for what is open.
            why = "; ".join(case.grade.because) or case.grade.title
            found[why] = _Charge(f"by the rule {case.grade.rule}: {why}", True, why)
    return list(found.values())


def _thing(verdict: Verdict) -> str:
    match verdict.limit:
        case Limit(quantity=quantity):
            return "behaviour" if verdict.by_fact else _stem(quantity)
        case FactLimit(fact=fact):
            return fact
        case AllOf(title=title) | AnyOf(title=title):
            return title


def _stem(name: str) -> str:
    """`drop` of `drop_largest_v`: the quantities of one thing share their first word."""
    return name.split("_")[0]


def _is_of_load(requirement: Requirement) -> bool:
    match requirement:
        case Limit(quantity=quantity):
            return _name_is_of_load(quantity)
        case FactLimit(fact=fact):
            return _name_is_of_load(fact)
        case AllOf(limits=parts) | AnyOf(alternatives=parts):
            return any(_is_of_load(part) for part in parts)


def _name_is_of_load(name: str) -> bool:
    """Of the name of a quantity or fact."""
    return name.startswith(_OF_LOAD) or name in _FACTS_OF_LOAD


def _against(case: Case, charges: Sequence[_Charge]) -> Conclusion:
    if case.leads_may_explain and all(charge.thing == _DROP for charge in charges):
        reason = f"Not decided: {_lower(charges[0].text)}, but the sense leads may be a part of that."
        return _open(reason, _READ_ZEROS)
    # More lamps than it is for raise the drop of the best contact.
    own = [charge for charge in charges if not charge.of_load and not (case.is_rated is False and charge.thing == _DROP)]
    behaviour = case.measured.facts.get("behaviour", "")
    stands = behaviour in _STANDING
    basis = weakest_basis(charge.requirement for charge in charges if charge.requirement is not None)
    if not own:
        if case.odd_supply:
            return _open(f"Not decided: {_lower(charges[0].text)} at {case.odd_supply}.", _ITS_VOLTS)
        fitting = _fitting(case) if case.is_rated is False or behaviour in ("steady on", "one flash") else ""
        if fitting:
            reason = f"Not for {case.load}: {_lower(charges[0].text)}. It flashes right on {fitting}."
            return Conclusion(Outcome.NOT_FOR_LOAD, reason, _NOT_THIS_LOAD, None, basis)
        unproved = next((proof.text for proof in case.measured.proofs if proof.item == "lamps" and not proof.proved), "")
        if unproved:
            reason = f"Not decided: {_lower(charges[0].text)}, but the lamps were not proved ({unproved})."
            return _open(reason, _PROVE_LAMPS)
        if case.is_rated is False and case.measured.facts.get("rating") != "known":
            reason = f"Not decided: on {case.load} {_lower(charges[0].text)}; which lamps it is for is not known."
            return _open(reason, _READ_RATING)
        if case.is_rated is False:
            reason = f"Not decided: on {case.load}, not the load that it is for: {_lower(charges[0].text)}."
            return _open(reason, _ITS_LAMPS)
        if case.is_rated is None and behaviour == "steady on":
            reason = f"Not decided: {_lower(charges[0].text)} on {case.load}, and its rating is not known."
            return _open(reason, _READ_RATING)
    of_load = [charge for charge in charges if charge.of_load]
    reason = f"Rejected: {_several([*own, *of_load])}{_kept(case, stands)}."
    if case.interrupted is not None:
        reason = f"{reason} (The test was not finished: {case.interrupted.rstrip('.')}.)"
    grade = case.grade if case.grade is not None and case.grade.outcome == "not good" else None
    advice = grade.wording if grade is not None and grade.wording else "Do not sell or fit it. State the fault."
    return Conclusion(Outcome.NOT_GOOD, reason, advice, grade, basis)


def _several(charges: Sequence[_Charge]) -> str:
    """The first of them, and how many other things there are."""
    more = len({charge.thing for charge in charges}) - 1
    others = f", and {more} more reason{'s' if more > 1 else ''}" if more else ""
    return f"{_lower(charges[0].text)}{others}"


def _kept(case: Case, stands: bool) -> str:
    """Which of the limits that people ask for first are kept all the same."""
    if stands:
        return ""
    on_rate = [v for v in case.verdicts if isinstance(v.limit, Limit) and v.limit.quantity.startswith("rate_")]
    return "; limits on rate are kept" if on_rate and all(v.conformity is Conformity.PASS for v in on_rate) else ""


def _fitting(case: Case) -> str:
    """Another load of this test on which rate and on-time are inside every limit on them, with the rate; empty if there is none."""
    bands = [v.limit for v in case.verdicts if isinstance(v.limit, Limit) and v.limit.quantity in ("rate_per_min", "on_ratio")]
    for other in case.others:
        values = dict(other.values)
        rate = values.get("rate_per_min")
        if other.behaviour != "flashing" or rate is None or other.rejected:
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
    opened = [v for v in case.verdicts if not v.conformity.favourable]
    excused = _excused(opened)
    if excused:
        return _bench_fault(excused, 0)
    if opened:
        return _undecided(case, opened[0], len(opened) - 1)
    if case.odd_supply:
        return _open(f"Not decided: within the limits, but at {case.odd_supply}.", _ITS_VOLTS)
    grade = case.grade
    near = [v for v in case.verdicts if v.conformity is Conformity.CONDITIONAL_PASS]
    if near and (grade is None or grade.outcome != "good" or grade.name == "none"):
        closest = max(near, key=lambda v: v.p_wrong or 0.0)
        return _open(f"Not decided: just inside, too near to be sure: {evidence(closest)}.", case.to_be_surer or _AGAIN)
    if grade is not None and grade.outcome != "good":
        return _open(f"Not decided: {'; '.join(grade.because) or grade.title}.", grade.wording or _TEST_AGAIN)
    basis = weakest_basis(v.limit for v in case.verdicts)
    reason = f"Good: {_good_news(case.verdicts)}{_short_of(grade)}."
    advice = grade.wording if grade is not None and grade.wording else "Within all limits, guard band included; no grade was asked for."
    return Conclusion(Outcome.GOOD, reason, advice, grade, basis)


def _short_of(grade: Grade | None) -> str:
    """What kept a good unit from a better grade, in one clause."""
    if grade is None or grade.name == "A":
        return ""
    why = next((text for text in (*grade.charges, *grade.kept_from) if text), "")
    lead = "not graded: " if grade.name == "none" else f"{grade.name}, because: " if grade.charges else ""
    return f"; {lead}{why}" if why else ""


def _excused(opened: Sequence[Verdict]) -> str:
    """Why something judged could not be measured, if that is the bench's fault."""
    return next((v.found.reason for v in opened if isinstance(v.found, NotMeasured) and v.found.fault == "bench" and not v.why_open), "")


def _undecided(case: Case, verdict: Verdict, more: int) -> Conclusion:
    others = f" (and {more} more open)" if more else ""
    if verdict.conformity is Conformity.CONDITIONAL_FAIL:
        reason = f"Not decided: just outside, too near to be sure: {evidence(verdict)}{others}."
        return _open(reason, case.to_be_surer or _AGAIN)
    if verdict.why_open:
        doubtful = isinstance(verdict.limit, Limit) and verdict.limit.doubtful
        advice = "Judge by a limit set without this figure." if doubtful else "Test under the conditions that the limit asks for."
        return _open(f"Not decided: {title_of(verdict)}: {verdict.why_open}{others}.", advice)
    advice = _OTHER_LAMPS if _name_of(verdict.limit) in _OF_OTHER_LAMPS else _TEST_AGAIN
    if isinstance(verdict.limit, FactLimit):
        return _open(f'Not decided: "{title_of(verdict)}" could not be seen{others}.', advice)
    why = ""
    if isinstance(verdict.found, NotMeasured):
        why = f" ({verdict.found.reason.rstrip('.')})"
        advice = _FROM_THE_START if verdict.found.reason == APPLIED_UNSEEN else advice
    return _open(f"Not decided: {title_of(verdict)} could not be measured{why}{others}.", advice)


def _name_of(requirement: Requirement) -> str:
    """The quantity or fact of a requirement; empty for alternatives."""
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


# One verdict in words.


def evidence(verdict: Verdict) -> str:
    """The number beside its limits; the alternative that was found; or the name of what was judged."""
    limit, found = verdict.limit, verdict.found
    if isinstance(limit, Limit) and isinstance(found, Estimate):
        speech = speech_of(limit.quantity)
        title = "" if limit.quantity.startswith("rate_") else f"{speech.title} "
        return f"{title}{speech.value(found, limit.low, limit.high)}, {speech.band(limit.low, limit.high)}"
    ways = [title_of(part) for part in verdict.parts if part.conformity is verdict.conformity]
    return f"{title_of(verdict)} ({' and '.join(ways)})" if ways else title_of(verdict)


def charge_text(verdict: Verdict) -> str:
    """What the unit did wrong by a verdict that failed, with figure and limit."""
    match verdict.limit:
        case Limit(quantity=quantity, low=low, high=high):
            found, speech = verdict.found, speech_of(quantity)
            if verdict.by_fact or not isinstance(found, Estimate):
                return f"It does not flash: {verdict.by_fact}"
            if high is not None and found.value > high:
                return f"{speech.too_high}: {speech.value(found, high)}, {speech.limit(high)}"
            return f"{speech.too_low}: {speech.value(found, low)}, {speech.limit(low or 0.0)}"
        case FactLimit(title=title, allowed=allowed):
            return f'{title[:1].upper()}{title[1:]}: found "{verdict.by_fact}", required "{" or ".join(allowed)}"'
        case AnyOf(title=title, alternatives=ways):
            return f"No {title}: none of these was seen: {', '.join(way.title for way in ways)}"
        case AllOf(title=title):
            return f"{title}: not kept"


def _lower(text: str) -> str:
    return f"{text[:1].lower()}{text[1:]}"

