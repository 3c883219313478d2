"""What a unit was seen to do, in plain words."""

from __future__ import annotations

from collections.abc import Mapping

_FACTS: Mapping[str, Mapping[str, str]] = {
    "behaviour": {
        "flashing": "flashing",
        "steady on": "lit steadily",
        "dark": "dark",
        "one flash": "one flash and no more",
        "too few": "too few flashes",
        "irregular": "irregular flashes",
        "no supply": "no supply at the unit",
        "shorted": "shorted",
    },
    "rest": {"closed": "closed at rest", "open": "open at rest", "unknown": "not seen whether closed or open at rest"},
    "pilot": {
        "in step": "pilot in step with the lamps",
        "antiphase": "pilot lit while the lamps are dark",
        "steady": "pilot lit steadily",
        "dead": "nothing at the pilot terminal, if it has one",
        "absent": "no pilot terminal",
        "unknown": "pilot not seen",
    },
    "rating": {"known": "rating known"},
    "film": {
        "none": "no film on the contacts",
        "recovered": "a film on the contacts went away",
        "going": "a film on the contacts was still going away",
        "unknown": "first flashes not seen",
    },
    "lamp out": {"shown": "a lamp out is shown", "not shown": "a lamp out is not shown", "unknown": "not seen whether a lamp out is shown"},
}


def behaviour_text(word: str) -> str:
    """Return what a unit does, as a report says it."""
    return _FACTS["behaviour"].get(word, word)


def fact_text(fact: str, word: str) -> str:
    """Return a fact as a report says it; one that has no words of its own by its name."""
    if fact == "outage":
        return f"with one lamp out {behaviour_text(word)}"
    if fact == "trailer":
        return f"with a further lamp {behaviour_text(word)}"
    if fact == "pilot, lamp out":
        return f"with one lamp out {_FACTS['pilot'].get(word, word)}"
    if fact == "mechanism":
        return word if word != "unknown" else "mechanism not told"
    return _FACTS.get(fact, {}).get(word, f"{fact} {word}")
