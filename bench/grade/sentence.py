"""The one sentence of reason that a shop hand reads from two metres."""

from __future__ import annotations

from collections.abc import Sequence

from bench.grade.words import speech_of, title_of
from bench.limits import AllOf, AnyOf, FactLimit, Limit
from bench.measure import BenchFault
from bench.uncertainty import Estimate, NotMeasured
from bench.verdict import Outcome, Verdict


def reason(verdicts: Sequence[Verdict], outcome: Outcome, bench_faults: Sequence[BenchFault]) -> str:
    """One plain sentence: what decided, with its number, uncertainty (95 %) and limit; for a bench fault, what to do."""
    if bench_faults:
        more = f" (and {len(bench_faults) - 1} more)" if len(bench_faults) > 1 else ""
        return f"The bench is at fault, not the unit: {bench_faults[0].text.rstrip('.')}{more}; put it right and test again."
    deciding = [v for v in verdicts if v.outcome is outcome]
    if outcome is Outcome.PASS and deciding:
        return _good_news(verdicts)
    if outcome is Outcome.NOT_MEASURED or not deciding:
        if not deciding:
            return "Not decided: the test ended before it was done." if verdicts else "Not decided: no limit was judged."
        return f"Not decided: {_why_not(deciding[0])}{_more(deciding, 'limit is open', 'limits are open')}; test again."
    if outcome is Outcome.FAIL:
        return f"{_charge(deciding[0])}{_more(deciding, 'limit is not kept', 'limits are not kept')}."
    closest = max(deciding, key=lambda v: v.p_wrong or 0.0)
    side = "Just inside" if outcome is Outcome.CONDITIONAL_PASS else "Just outside"
    return f"{side}, too close to be sure: {_evidence(closest)}; test again."


def _more(verdicts: Sequence[Verdict], one: str, several: str) -> str:
    others = len(verdicts) - 1
    return f", and {others} more {one if others == 1 else several}" if others else ""


def _good_news(verdicts: Sequence[Verdict]) -> str:
    numbers = [v for v in verdicts if isinstance(v.found, Estimate)]
    kept = f"all {len(verdicts)} limits are kept" if len(verdicts) > 1 else "the limit is kept"
    return f"Good: {_evidence(numbers[0])}; {kept}." if numbers else f"Good: {kept}."


def _evidence(verdict: Verdict) -> str:
    """The number beside its limits, or the names of what was judged."""
    limit, found = verdict.limit, verdict.found
    if isinstance(limit, Limit) and isinstance(found, Estimate):
        speech = speech_of(limit.quantity)
        title = "" if limit.quantity.startswith("rate_") else f"{speech.title} "
        return f"{title}{speech.value(found, limit.low, limit.high)}, {speech.band(limit.low, limit.high)}"
    return title_of(verdict)


def _charge(verdict: Verdict) -> str:
    """What the unit did wrong."""
    match verdict.limit:
        case Limit(quantity=quantity, low=low, high=high):
            found, speech = verdict.found, speech_of(quantity)
            if not isinstance(found, Estimate):
                return f"It does not flash: {verdict.by_fact}"
            if high is not None and found.value > high:
                return f"{speech.too_high}: {speech.value(found, high)}, {speech.limit(high)}"
            return f"{speech.too_low}: {speech.value(found, low)}, {speech.limit(low or 0.0)}"
        case FactLimit(title=title, allowed=allowed):
            return f"{title}: found {verdict.by_fact}, allowed {' or '.join(allowed)}"
        case AnyOf(title=title, alternatives=alternatives):
            ways = " or ".join(alternative.title for alternative in alternatives)
            return f"No {title}: none of these was seen: {ways}"
        case AllOf(title=title):
            return f"{title}: not kept"


def _why_not(verdict: Verdict) -> str:
    found = verdict.found
    if isinstance(found, NotMeasured):
        return f"{title_of(verdict)} could not be measured ({found.reason.rstrip('.')})"
    return f"{title_of(verdict)} could not be judged"
