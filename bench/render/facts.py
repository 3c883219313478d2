"""What a unit was seen to do, in plain words."""

from __future__ import annotations

from collections.abc import Mapping

from bench.measure import UNKNOWN, FactName, FilmState, LampOutSign, PilotState, RatingState, RestState, UnitBehaviour

_BEHAVIOUR: Mapping[str, str] = {
    UnitBehaviour.STEADY_ON: "lit steadily",
    UnitBehaviour.ONE_FLASH: "one flash and no more",
    UnitBehaviour.TOO_FEW: "too few flashes",
    UnitBehaviour.IRREGULAR: "irregular flashes",
    UnitBehaviour.NO_SUPPLY: "no supply at the unit",
}
_PILOT: Mapping[str, str] = {
    PilotState.IN_STEP: "pilot in step with the lamps",
    PilotState.ANTIPHASE: "pilot lit while the lamps are dark",
    PilotState.STEADY: "pilot lit steadily",
    PilotState.DEAD: "nothing at the pilot terminal, if it has one",
    PilotState.ABSENT: "no pilot terminal",
    PilotState.UNKNOWN: "pilot not seen",
}
_FACTS: Mapping[str, Mapping[str, str]] = {
    FactName.REST: {
        RestState.CLOSED: "closed at rest",
        RestState.OPEN: "open at rest",
        RestState.UNKNOWN: "not seen whether closed or open at rest",
    },
    FactName.PILOT: _PILOT,
    FactName.RATING: {RatingState.KNOWN: "rating known"},
    FactName.FILM: {
        FilmState.NONE: "no film on the contacts",
        FilmState.RECOVERED: "a film on the contacts went away",
        FilmState.GOING: "a film on the contacts was still going away",
        FilmState.UNKNOWN: "first flashes not seen",
    },
    FactName.LAMP_OUT: {
        LampOutSign.SHOWN: "a lamp out is shown",
        LampOutSign.NOT_SHOWN: "a lamp out is not shown",
        LampOutSign.UNKNOWN: "not seen whether a lamp out is shown",
    },
}


def behaviour_text(word: str) -> str:
    """Return what a unit does, as a report says it."""
    return _BEHAVIOUR.get(word, word)


def fact_text(fact: str, word: str) -> str:
    """Return a fact as a report says it; one that has no words of its own by its name."""
    match fact:
        case FactName.BEHAVIOUR:
            return behaviour_text(word)
        case FactName.OUTAGE:
            return f"with one lamp out {behaviour_text(word)}"
        case FactName.TRAILER:
            return f"with a further lamp {behaviour_text(word)}"
        case FactName.PILOT_LAMP_OUT:
            return f"with one lamp out {_PILOT.get(word, word)}"
        case FactName.MECHANISM:
            return word if word != UNKNOWN else "mechanism not told"
        case _:
            return _FACTS.get(fact, {}).get(word, f"{fact} {word}")
