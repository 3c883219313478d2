"""How quantities are spoken of in reasons: plain words, people's units, numbers that do not lie about their side of a limit."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction

from bench.limits import UNITS, Limit
from bench.measure import QUANTITIES, UNKNOWN, FactName, FilmState, InsulationState, PilotState, RatingState, UnitBehaviour
from bench.rounding import against, at_least, plain, rounded, uncertainty_text, unit_text
from bench.uncertainty import Estimate
from bench.verdict import Verdict


@dataclass(frozen=True, slots=True)
class Speech:
    """How a quantity is spoken of: its title, what to say above and below its limits, unit, and how many of it one SI unit is.

    `shown_to`: least uncertainty shown, in the quantity's own unit.
    """

    title: str
    too_high: str
    too_low: str
    unit: str
    scale: Fraction = Fraction(1)
    shown_to: float = 0.0

    def value(self, found: Estimate, *limits: float | None) -> str:
        """Return `136.8 ± 0.2 flashes a minute`, with the digits that tell it from the nearest limit."""
        value = self._scaled(found.value)
        expanded, place = at_least(self._scaled(found.expanded()), self._scaled(self.shown_to))
        near = [self._scaled(limit) for limit in limits if limit is not None]
        nearest = min(near, key=lambda limit: abs(limit - value), default=None)
        text = rounded(value, expanded, place) if nearest is None else against(value, nearest, expanded, place)
        plus_minus = f" ± {uncertainty_text(expanded, place)}" if expanded else ""
        return f"{text}{plus_minus}{self.unit}"

    def band(self, low: float | None, high: float | None, open_ends: bool = False) -> str:
        """Return the limits in words; `open_ends`: they must not be reached. `low` and `high` in the quantity's own unit."""
        if open_ends and (low is None) != (high is None):
            return f"above {self._number(low)}" if low is not None else f"below {self._number(high or 0.0)}"
        if low is not None and high is not None:
            return f"the limits are {self._number(low)} and {self._number(high)}"
        return f"at least {self._number(low)}" if low is not None else f"at most {self._number(high)}" if high is not None else ""

    def limit(self, limit: float) -> str:
        """Return the limit in words, with its unit; `limit` in the quantity's own unit."""
        return f"the limit is {self._number(limit)}"

    def _number(self, si: float | None) -> str:
        return "" if si is None else plain(self._scaled(si))

    def _scaled(self, si: float) -> float:
        return si if self.scale == 1 else float(Fraction(repr(si)) * self.scale)


_PER_MINUTE = " flashes a minute"
_PERCENT = Fraction(100)
_SPOKEN: Mapping[str, tuple[str, str, str]] = {
    "rate_per_min": ("Too fast", "Too slow", _PER_MINUTE),
    "rate_total_per_min": ("Too fast", "Too slow", _PER_MINUTE),
    "on_ratio": ("Lit too long in each flash", "Lit too briefly in each flash", " % of the time"),
    "start_s": ("Starts too late", "Starts too early", " s"),
    "start_largest_s": ("One start too late", "One start too early", " s"),
    "first_light_s": ("Lights too late", "Lights too early", " s"),
    "first_extinction_s": ("Goes out too late at first", "Goes out too early at first", " s"),
    "drop_v": ("Loses too much voltage", "Loses too little voltage", " V"),
    "drop_largest_v": ("Loses too much in a flash", "Loses too little in a flash", " V"),
    "missed": ("Misses flashes", "Misses too few flashes", ""),
    "stuck": ("Sticks", "Sticks too seldom", ""),
    "outage_rate_per_min": ("Fast with a lamp out", "Slow with a lamp out", _PER_MINUTE),
}
"""What is said above and below the limits of a quantity, and the unit of its figures in a sentence."""


def speech_of(quantity: str) -> Speech:
    """Return the words for a quantity; those without their own are spoken of by title, in the unit in which they are shown."""
    known = QUANTITIES[quantity]
    if quantity in _SPOKEN:
        high, low, unit = _SPOKEN[quantity]
        return Speech(known.title, high, low, unit, _PERCENT if unit.startswith(" %") else Fraction(1), known.shown_to)
    shown = unit_text(known.shown_unit)
    name = known.title[0].upper() + known.title[1:]
    return Speech(known.title, f"{name} too high", f"{name} too low", shown and f" {shown}", 1 / UNITS[known.shown_unit][1], known.shown_to)


_FACTS: Mapping[tuple[str, str], str] = {
    (FactName.RATING, RatingState.UNKNOWN): "lamp rating not entered",
    (FactName.RATING, RatingState.KNOWN): "the lamps it is for are known",
    (FactName.PILOT, PilotState.UNKNOWN): "pilot terminal not checked",
    (FactName.PILOT, PilotState.DEAD): "nothing at the pilot terminal (if it has none, enter that)",
    (FactName.INSULATION, InsulationState.UNKNOWN): "insulation not tested",
    (FactName.INSULATION, InsulationState.BAD): "its insulation is bad",
    (FactName.FILM, FilmState.UNKNOWN): "the first flashes were not seen",
    (FactName.FILM, FilmState.RECOVERED): "a film on its contacts went away while it flashed",
    (FactName.FILM, FilmState.GOING): "a film on its contacts was still going away at the end",
    (FactName.OUTAGE, UnitBehaviour.STEADY_ON): "lit steadily with one lamp out",
}


def fact_text(fact: str, word: str) -> str:
    """Return what was seen of a fact, in plain words; `unknown` if nothing was."""
    other = f"{fact} was not seen or entered" if word == UNKNOWN else f"{fact} is {word}"
    return _FACTS.get((fact, word), other)


def title_of(verdict: Verdict) -> str:
    """Return the title of what a verdict judges."""
    return speech_of(verdict.limit.quantity).title if isinstance(verdict.limit, Limit) else verdict.limit.title
