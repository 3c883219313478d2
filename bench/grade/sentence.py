"""The one sentence of reason that a shop hand reads from two metres."""

from __future__ import annotations

from collections.abc import Sequence

from bench.grade.words import speech_of, title_of
from bench.limits import AllOf, AnyOf, FactLimit, Limit
from bench.measure import BenchFault, Measured
from bench.uncertainty import Estimate, NotMeasured
from bench.verdict import Conformity, Verdict, spoiling

_SURE = 1e-3  # risks below this are as good as none


def reason(measured: Measured, verdicts: Sequence[Verdict], outcome: Conformity, bench_faults: Sequence[BenchFault]) -> str:
    """One plain sentence: what decided, with its number, uncertainty (95 %) and limit; for a bench fault, what to do.

    `bench_faults` are all those of the test, `measured.bench_faults` those of what was judged.
    """
    faults = spoiling((*bench_faults, *(f for f in measured.bench_faults if f not in bench_faults)))
    if faults:
        seen = f"{faults[0].text.rstrip('.')}{_more(faults, 'fault', 'faults')}"
        then = "" if seen.endswith("test again") else " Put that right and test again."
        return f"The bench is at fault, not the unit: {seen}.{then}"
    deciding = [v for v in verdicts if v.conformity is outcome]
    if not deciding:
        return "Not decided: the test ended before it was done." if verdicts else "Not decided: no limit was judged."
    match outcome:
        case Conformity.PASS:
            return f"Good: {_good_news(verdicts)}."
        case Conformity.FAIL:
            surest = min(deciding, key=lambda v: max(v.p_wrong or 0.0, _SURE))
            return f"{_charge(surest)}{_more(deciding, 'limit is not kept', 'limits are not kept')}."
        case Conformity.NOT_MEASURED:
            return f"Not decided: {_why_not(deciding[0])}{_more(deciding, 'limit is open', 'limits are open')}; test again."
    closest = max(deciding, key=lambda v: v.p_wrong or 0.0)
    side = "Just inside" if outcome.favourable else "Just outside"
    return f"{side}, too close to be sure: {_evidence(closest)}; test again."


def _more(of: Sequence[object], one: str, several: str) -> str:
    others = len(of) - 1
    return f", and {others} more {one if others == 1 else several}" if others else ""


def _good_news(verdicts: Sequence[Verdict]) -> str:
    best = next((v for v in verdicts if isinstance(v.found, Estimate)), verdicts[0])
    return _evidence(best) + (f"; all {len(verdicts)} limits are kept" if len(verdicts) > 1 else "")


def _evidence(verdict: Verdict) -> str:
    """The number beside its limits; the alternative that was found; or the name of what was judged."""
    limit, found = verdict.limit, verdict.found
    if isinstance(limit, Limit) and isinstance(found, Estimate):
        speech = speech_of(limit.quantity)
        title = "" if limit.quantity.startswith("rate_") else f"{speech.title} "
        return f"{title}{speech.value(found, limit.low, limit.high)}, {speech.band(limit.low, limit.high)}"
    ways = [title_of(part) for part in verdict.parts if part.conformity is verdict.conformity]
    return f"{title_of(verdict)} ({' and '.join(ways)})" if ways else title_of(verdict)


def _charge(verdict: Verdict) -> str:
    """What the unit did wrong."""
    match verdict.limit:
        case Limit(quantity=quantity, low=low, high=high):
            found, speech = verdict.found, speech_of(quantity)
            if verdict.by_fact or not isinstance(found, Estimate):
                return f"It does not flash: {verdict.by_fact}"
            if high is not None and found.value > high:
                return f"{speech.too_high}: {speech.value(found, high)}, {speech.limit(high)}"
            return f"{speech.too_low}: {speech.value(found, low)}, {speech.limit(low or 0.0)}"
        case FactLimit(title=title, allowed=allowed):
            return f"Asked for is: {title}; found was {verdict.by_fact}, not {' or '.join(allowed)}"
        case AnyOf(title=title, alternatives=ways):
            return f"No {title}: none of these was seen: {', '.join(way.title for way in ways)}"
        case AllOf(title=title):
            return f"{title}: not kept"


def _why_not(verdict: Verdict) -> str:
    why = f" ({verdict.found.reason.rstrip('.')})" if isinstance(verdict.found, NotMeasured) else ""
    return f"{title_of(verdict)} could not be measured{why}"
