"""What the sound of a unit shows: rate, steadiness, flashes that did not come; of everything else why sound cannot show it.

Definitions are those of `bench.measure.values`, with "click of one kind" for "make": of two clicks in each flash sound does not tell
which is the make, but either comes once in a period.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from statistics import median

from bench.clicks import Flash, Heard
from bench.measure.evidence import Counts
from bench.measure.quantity import QUANTITIES
from bench.measure.scatter import neighbours_share, scatter_of, spread_of, trend_of
from bench.measure.steadiness import IRREGULAR, LONG_AT
from bench.measure.vocabulary import (
    PROVED_BY_RUNS,
    BenchProof,
    FactName,
    FilmState,
    Measured,
    MechanismKind,
    PilotState,
    RestState,
    UnitBehaviour,
)
from bench.uncertainty import Component, Estimate, Measurement, NotMeasured, TypeA, rectangular, type_a

CLOCK_PART = 1e-4  # half-width of the relative error of a phone's or recorder's clock: common practice, no source
# 0.4 to 0.7 ms seen at 10 dB on the sounds of reports/clicks_made.py, before interpolation between steps; bounce adds to it.
INSTANT_S = 1e-3
_NO_CLICKS = "no regular clicks were found: an electronic unit without relay or sounder is silent; else record closer, for 20 s or more"
_HALF = "taken as one click of each flash; were make and break to sound exactly alike, half a period apart, it would be half of this"
_SAME_SOUND = "a flash that stays lit for a whole period sounds the same; so does a supply that goes away for one"
_ONE_KIND = "only one of the two clicks of a flash is heard"
_LIKE_LATE = "sound does not tell a long flash from a late or missed one"
_START = "sound does not tell when voltage came to the unit, nor when lamps lit"
_REASONS = {
    "first_light_s": _START, "first_extinction_s": _START, "start_s": _START, "start_largest_s": _START,
    "bounce_make_s": "sound does not tell bounce from the ringing of a click",
    "bounce_break_s": "sound does not tell bounce from the ringing of a click",
    "dropouts": "sound does not tell a drop-out from another noise",
    "clock_error": "no board: a sound recording",
    "temperature_c": "sound tells no temperature",
}  # fmt: skip
_OF_UNIT = {"A": "sound tells nothing of currents", "V": "sound tells nothing of volts", "ohm": "sound tells nothing of resistances"}
_UNPROVED = "sound does not show it"


def measure_heard(heard: Heard, counts: Counts) -> Measured:
    """Return values, facts and proofs of what was heard; all proofs say that nothing is proved."""
    values: dict[str, Measurement] = {name: _why_not(name) for name in QUANTITIES}
    counted = heard.flashes[counts.skip :][: counts.at_most]
    values |= _rates(heard, counted, counts)
    values |= _halves(heard, counted)
    values |= _all_flashes(heard)
    values |= _steadiness(counted)
    facts: dict[str, str] = {
        FactName.BEHAVIOUR: _behaviour(heard, len(counted) >= counts.average, values), FactName.REST: RestState.UNKNOWN,
        FactName.PILOT: PilotState.UNKNOWN, FactName.MECHANISM: MechanismKind.UNKNOWN, FactName.FILM: FilmState.UNKNOWN,
    }  # fmt: skip
    return Measured(values, facts, (), tuple(BenchProof(item, False, _UNPROVED) for item in PROVED_BY_RUNS))


def _behaviour(heard: Heard, enough: bool, values: dict[str, Measurement]) -> UnitBehaviour:
    if heard.reason:
        return UnitBehaviour.UNKNOWN
    if not enough:
        return UnitBehaviour.TOO_FEW
    return UnitBehaviour.IRREGULAR if _is_irregular(values) else UnitBehaviour.FLASHING


def notes_of(heard: Heard) -> tuple[str, ...]:
    """Return what people should know of the clicks beside the values."""
    if heard.reason:
        return (_NO_CLICKS,)
    which = "make and break are both heard, which is which is not known" if heard.has_both else _ONE_KIND
    notes = [f"clicks from {heard.first_s:.1f} s to {heard.last_s:.1f} s; {which}"]
    if not heard.has_both:
        notes.append(f"flash rate: {_HALF}")
    if heard.covered:
        notes.append(f"{_flashes(heard.covered)} left out: something louder covered the click")
    notes += [f"a pause from {at_s:.1f} s on: taken as switched off, no flash of it is counted as missed" for at_s in heard.pauses_s]
    return tuple(notes)


def _flashes(count: int) -> str:
    return f"{count} flash{'es' if count > 1 else ''}"


def _why_not(name: str) -> NotMeasured:
    unit = QUANTITIES[name].unit.split("/")[0]
    return NotMeasured(_REASONS.get(name) or _OF_UNIT.get(unit) or "sound does not show it")


def _rates(heard: Heard, counted: Sequence[Flash], counts: Counts) -> dict[str, Measurement]:
    names = ("rate_per_min", "rate_total_per_min")
    if heard.reason:
        return dict.fromkeys(names, NotMeasured(_NO_CLICKS))
    if len(counted) < max(counts.average, 2):
        why = f"{len(heard.flashes)} whole flashes heard, {counts.skip + max(counts.average, 2)} needed"
        return dict.fromkeys(names, NotMeasured(why))
    periods_s = [flash.period_s for flash in counted]
    rates, periods = type_a([60.0 / period_s for period_s in periods_s]), type_a(periods_s)
    # Neighbouring periods share a click, which moves both the same way: never less than independent ones.
    together = math.sqrt(max(1.0, neighbours_share(periods_s)))
    note = "" if heard.has_both else _HALF

    def rate(value: float, of: TypeA, name: str) -> Estimate:
        random = scatter_of(value * together * of.u / of.mean, of.n, name)
        ends = Component("instants of the clicks", value * INSTANT_S * math.sqrt(2.0) / (periods.mean * periods.n))
        clock = Component("clock of the recorder", value * rectangular(CLOCK_PART), shape="rectangular")
        return Estimate(value, "1/min", (random, ends, clock), of.n, note)

    return {
        "rate_per_min": rate(rates.mean, rates, "cycle rates"),
        "rate_total_per_min": rate(60.0 / periods.mean, periods, "periods"),
    }


def _halves(heard: Heard, counted: Sequence[Flash]) -> dict[str, Measurement]:
    """Return on-time and durations, which are never given: sound does not tell the make from the break. What they are one or the other of
    is in the reason."""
    known = [(flash.other_s, flash.period_s - flash.other_s) for flash in counted if flash.other_s is not None]
    if not heard.has_both or not known:
        return dict.fromkeys(("on_ratio", "on_s", "off_s"), NotMeasured(_NO_CLICKS if heard.reason else _ONE_KIND))
    first_s, second_s = median(a for a, _ in known), median(b for _, b in known)
    part = median(a / (a + b) for a, b in known)
    what = "sound does not tell make from break"
    durations = NotMeasured(f"{what}: {first_s:.2f} s or {second_s:.2f} s")
    return {"on_ratio": NotMeasured(f"{what}: {part * 100:.0f} % or {(1.0 - part) * 100:.0f} %"), "on_s": durations, "off_s": durations}


def _all_flashes(heard: Heard) -> dict[str, Measurement]:
    if heard.reason or len(heard.flashes) < 3:
        return dict.fromkeys(("missed", "stuck"), NotMeasured(_NO_CLICKS if heard.reason else "too few flashes"))
    n = len(heard.flashes)
    if heard.covered:
        why = f"something louder covered {_flashes(heard.covered)}"
        return {"missed": NotMeasured(f"{why}; without them {heard.missed} missed"), "stuck": NotMeasured(why)}
    found: dict[str, Measurement] = {"missed": Estimate(float(heard.missed), "1", (), n, _SAME_SOUND if heard.missed else "")}
    halves = [half for half in zip(*_pairs(heard), strict=True) if half]
    if not heard.has_both or not halves:
        found["stuck"] = NotMeasured(_ONE_KIND)
    elif heard.missed or heard.long or any(max(half) > LONG_AT * median(half) for half in halves):
        found["stuck"] = NotMeasured(_LIKE_LATE)
    else:
        found["stuck"] = Estimate(0.0, "1", (), n)
    return found


def _pairs(heard: Heard) -> list[tuple[float, float]]:
    return [(flash.other_s, flash.period_s - flash.other_s) for flash in heard.flashes if flash.other_s is not None]


def _steadiness(counted: Sequence[Flash]) -> dict[str, Measurement]:
    if len(counted) < 3:
        return dict.fromkeys(("period_spread", "rate_drift_per_min2"), NotMeasured("too few flashes"))
    periods = type_a([flash.period_s for flash in counted])
    points = [((flash.begun_s - counted[0].begun_s) / 60.0, 60.0 / flash.period_s) for flash in counted]
    instants_u = INSTANT_S * math.sqrt(2.0)
    return {
        "period_spread": spread_of(periods.s / periods.mean, "1", periods.n, instants_u / periods.mean),
        "rate_drift_per_min2": trend_of(points, "1/min/min", 60.0 * instants_u / periods.mean**2),
    }


def _is_irregular(values: dict[str, Measurement]) -> bool:
    """Return whether flashes are missing, or a period scatters beyond doubt, as in `bench.measure.steadiness`."""
    scattered, missed = values["period_spread"], values["missed"]
    scatters = isinstance(scattered, Estimate) and scattered.value - scattered.expanded() > IRREGULAR
    return scatters or (isinstance(missed, Estimate) and missed.value > 0.0)
