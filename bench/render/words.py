"""Facts and limit sets in plain words."""

from __future__ import annotations

from collections.abc import Mapping

from bench.limits import Averaging
from bench.measure import UNKNOWN, FactName, FilmState, LampOutSign, PilotState, RatingState, RestState, UnitBehaviour
from bench.record import SetUsed

_RULES: Mapping[str, str] = {
    "mean-of-rates": "mean of the cycles' rates",
    "total-time": "cycles over their total time",
}
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


def averaging_text(averaging: Averaging) -> str:
    """`mean of the cycles' rates, after 5 cycles, over 3 or more`."""
    return f"{_RULES[averaging.rule]}, after {averaging.skip} cycles, over {averaging.average} or more"


def limit_set_text(used: SetUsed) -> str:
    """Name, title and edition of a limit set that was used, and how it averages."""
    return f"{used.name}: {used.title} ({used.edition}). Rate: {averaging_text(used.averaging)}"
