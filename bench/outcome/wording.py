"""One verdict in words."""

from __future__ import annotations

from bench.grade.speech import speech_of, title_of
from bench.limits import AllOf, AnyOf, FactLimit, Limit
from bench.uncertainty import Estimate
from bench.verdict import Verdict


def evidence(verdict: Verdict) -> str:
    """Return the number beside its limits; the alternative that was found; or the name of what was judged."""
    limit, found = verdict.limit, verdict.found
    if isinstance(limit, Limit) and isinstance(found, Estimate):
        speech = speech_of(limit.quantity)
        title = "" if limit.quantity.startswith("rate_") else f"{speech.title} "
        return f"{title}{speech.value(found, limit.low, limit.high)}, {speech.band(limit.low, limit.high)}"
    ways = [title_of(part) for part in verdict.parts if part.conformity is verdict.conformity]
    return f"{title_of(verdict)} ({' and '.join(ways)})" if ways else title_of(verdict)


def charge_text(verdict: Verdict) -> str:
    """Return what the unit did wrong by a verdict that failed, with figure and limit."""
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


def lower(text: str) -> str:
    """Return a sentence's text with a small first letter, to stand behind other words."""
    return f"{text[:1].lower()}{text[1:]}"
