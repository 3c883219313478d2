"""Contact drop, currents, voltages under load, pilot and temperature: whatever is read as a level.

A level is a mean of readings of one channel, each corrected for its zero; what such readings may be off by in the same way every time is
added once, whatever their number. Where the lamps' inrush was not over when a level was read, what it may still add is a part of its own.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from statistics import median

from bench.cycles import Cycle, Lit
from bench.measure.bench_check import INRUSH, INRUSH_TAU_S
from bench.measure.evidence import Counts, Evidence, correct, current_channel, mean_of, systematic_parts
from bench.measure.film import Film, still_going
from bench.measure.quantity import CARRIED_A
from bench.measure.vocabulary import APPLIED_UNSEEN
from bench.readings import Reading
from bench.uncertainty import Component, Estimate, Measurement, NotMeasured, quotient, rectangular

_DROP_UNTIL = 20  # cycles: the drop is read before the twentieth (SAE J2068, after a public summary)
_AFTER_FILM = 5  # cycles: where a film went away as late as that
_SETTLED_S = 0.2  # lamps lit for so long have their steady current within 0.5 %
_DIVISIBLE = 5.0  # standard uncertainties: a smaller current is divided by, or into, with no sense
_ZERO_MOVED_A = 6e-3  # two thirds of what a leak may be (10 mA)
_ZERO_TOLD, _ZERO_MAY_MOVE_A = 6, 0.1  # OFF periods that show it; else half of what the zero of a cold amplifier moves by in a minute
_DROPS = ("drop_v", "drop_largest_v", "drop_carried_v", "contact_ohm")
_PILOT_LIVE = 0.25  # of the system voltage: less is a leak or nothing at all


def drops(e: Evidence, cycles: Sequence[Cycle], counts: Counts, film: Film) -> dict[str, Measurement]:
    """Return the contact drop in V and the resistance in ohm, over the cycles that count up to the twentieth flash."""
    usable = _flashes_with_drop(e, cycles, counts, film)
    if not usable:
        return dict.fromkeys(_DROPS, NotMeasured("too few flashes with a readable drop"))
    readings, parts = _drop_readings(e, usable)
    if film.going:
        parts = (*parts, still_going(readings[-1].value))
    drop = mean_of(readings, "V", parts, "drop")
    largest = max(readings, key=lambda r: r.value)
    worst = Estimate(largest.value, "V", (Component("noise", largest.u), *parts), len(readings))
    found: dict[str, Measurement] = {"drop_v": drop, "drop_largest_v": worst, "drop_carried_v": drop}
    return found | _resistance(e, drop, [lit.drop_a for lit in usable if lit.drop_a is not None])


def _flashes_with_drop(e: Evidence, cycles: Sequence[Cycle], counts: Counts, film: Film) -> list[Lit]:
    """Return the flashes whose drop counts; the one at hand of a unit that stays on; none if they are too few."""
    until = max(counts.average, _DROP_UNTIL - max(counts.skip, film.gone_at), _AFTER_FILM if film.gone_at else 0)
    usable = [c.lit for c in cycles[:until] if c.lit.drop is not None]
    if len(usable) >= counts.average:
        return usable
    stays_on = not e.cycles and e.lit_now is not None and e.lit_now.drop is not None
    return [e.lit_now] if stays_on and e.lit_now is not None else []


def _drop_readings(e: Evidence, usable: Sequence[Lit]) -> tuple[list[Reading], tuple[Component, ...]]:
    """Return the corrected drops in V and what all of them may be off by alike."""
    readings = [lit.drop for lit in usable if lit.drop is not None]
    typical = usable[len(usable) // 2]
    supply = typical.supply.value if typical.supply is not None else 0.0
    if any(lit.by_difference for lit in usable):
        lamp = typical.lamp.value if typical.lamp is not None else 0.0
        return readings, (*systematic_parts(e, "v_in", supply), *systematic_parts(e, "v_out", lamp))
    readings = [Reading(correct(e, "v_drop", r.value, {"v_in": supply}), r.u, r.n) for r in readings]
    return readings, systematic_parts(e, "v_drop", readings[0].value, {"v_in": supply})


def _resistance(e: Evidence, drop: Estimate, currents: Sequence[Reading]) -> dict[str, Measurement]:
    """Return the resistance, and the drop at CARRIED_A where more than that flowed; `currents` were read with the drops, in A."""
    if not currents:
        return {"contact_ohm": NotMeasured("no current was read with the drop")}
    channel = current_channel(e, currents[0].value)
    currents = [Reading(correct(e, channel, r.value), r.u, r.n) for r in currents]
    current = mean_of(currents, "A", systematic_parts(e, channel, currents[0].value), "current")
    if current.value <= _DIVISIBLE * current.u:
        return {"contact_ohm": NotMeasured("the current is too small for a resistance")}
    ohm = quotient(drop, current, "ohm")
    return {"contact_ohm": ohm, "drop_carried_v": ohm.scaled(CARRIED_A, "V") if current.value > CARRIED_A else drop}


def levels(e: Evidence, cycles: Sequence[Cycle], kept: Sequence[Cycle]) -> dict[str, Measurement]:
    """Return currents in A and voltages under load in V over the cycles that count; `kept`: all complete ones, which show a moving zero."""
    lits = [c.lit for c in cycles] or ([e.lit_now] if e.lit_now is not None else [])
    unread = "no flash was sampled closely enough, or the readings stand at the end of the range" if cycles else ""
    unlit, unclosed = unread or "the lamps were never lit", unread or "the unit was never closed"
    first_a = _first_inrush(e)
    steady_a = _with_inrush(e, lits, _mean_current(e, [lit.steady for lit in lits], unlit))
    found: dict[str, Measurement] = {"inrush_first_a": first_a, "inrush_later_a": _later_inrush(e, cycles), "steady_a": steady_a}
    found["dark_a"] = _dark_current(e, cycles, kept)
    found["supply_v"] = _with_sag(e, lits, _mean(e, [lit.supply for lit in lits], "V", "v_in", unclosed))
    found["lamp_v"] = _with_sag(e, lits, _mean(e, [lit.lamp for lit in lits], "V", "v_out", unclosed))
    if isinstance(first_a, Estimate) and isinstance(steady_a, Estimate) and steady_a.value > _DIVISIBLE * steady_a.u:
        return {**found, "inrush_ratio": quotient(first_a, steady_a)}
    return {**found, "inrush_ratio": NotMeasured("the first inrush or the steady current is missing")}


def _first_inrush(e: Evidence) -> Measurement:
    """Return the current at the instant of the first make, in A."""
    if e.applied is None:
        return NotMeasured(APPLIED_UNSEEN)  # the lamps may have been warm from flashes before
    first = e.first_lit or (e.lit_now if not e.cycles else None)
    peak = first.peak if first is not None and not e.is_start_missed else None
    if peak is None:
        return NotMeasured("the first make was not sampled closely enough, or was no step")
    channel = current_channel(e, peak.value)
    parts = (Component("carried back to the make", peak.u), *systematic_parts(e, channel, peak.value))
    return Estimate(correct(e, channel, peak.value), "A", parts)


def _later_inrush(e: Evidence, cycles: Sequence[Cycle]) -> Measurement:
    """Return the mean current at the instants of the later makes, in A, if all of them were read."""
    peaks = [c.lit.peak for c in cycles if c.lit.peak is not None]
    # Those that can't be read are the steep ones: what is left would not stand for all.
    why = "not every later make was sampled closely enough" if peaks else "no later make was sampled closely enough, or was a step"
    if len(peaks) < len(cycles):
        return NotMeasured(why)
    later = _mean_current(e, peaks, why)
    if not isinstance(later, Estimate):
        return later
    model = Component("carried back to the make", sum(peak.u for peak in peaks) / later.n)
    return replace(later, budget=(*later.budget, model))


def _mean_current(e: Evidence, readings: Sequence[Reading | None], why: str, others: Mapping[str, float] | None = None) -> Measurement:
    """Return the mean of currents in A, on the range in which the first of them was read; NotMeasured with this reason if there is none."""
    read = [r for r in readings if r is not None]
    return _mean(e, read, "A", current_channel(e, read[0].value), why, others) if read else NotMeasured(why)


def _mean(
    e: Evidence, readings: Sequence[Reading | None], unit: str, channel: str, why: str, others: Mapping[str, float] | None = None
) -> Measurement:
    """Return the mean of what a channel read while `others` read this; NotMeasured with this reason if it read nothing, or is missing."""
    had = [Reading(correct(e, channel, r.value, others), r.u, r.n) for r in readings if r is not None]
    if not had or channel not in e.accuracies:
        return NotMeasured(why)
    return mean_of(had, unit, systematic_parts(e, channel, had[0].value, others), channel)


def _dark_current(e: Evidence, cycles: Sequence[Cycle], kept: Sequence[Cycle]) -> Measurement:
    """Return the current with the contact open, in A; NotMeasured if it moved while the unit flashed, or flows backwards.

    A leak stays as it is, the zero of an amplifier may not. Too few OFF periods show neither: what the zero may have moved by since it was
    read at rest is then in the uncertainty.
    """
    dark_now = e.dark_now if e.applied is not None and not e.closed_now else None  # after a gap it may be lit, with no make seen
    darks = [c.dark for c in cycles] or ([dark_now] if dark_now is not None else [])
    found = _mean_current(e, [d.current for d in darks], "the lamps were never dark", {"v_out": 0.0})
    read = [c.dark.current for c in kept if c.dark.current is not None]
    if not isinstance(found, Estimate):
        return found
    if len(read) < _ZERO_TOLD:
        moved = Component("zero of the current since it was read at rest", _ZERO_MAY_MOVE_A / math.sqrt(3.0), kind="B", shape="rectangular")
        return replace(found, budget=(*found.budget, moved), note="too few OFF periods to tell a leak from a zero that moves")
    if found.value + found.expanded() < -_ZERO_MOVED_A:
        what = f"with the contact open {found.value * 1000:.0f} mA are read, less than nothing, so the zero of the current has moved"
        return NotMeasured(f"{what} since it was read at rest: let it warm up, and test again", "bench")
    early, late = (math.fsum(r.value for r in some) / 3.0 for some in (read[:3], read[-3:]))
    noise = 3.0 * max(r.u for r in (*read[:3], *read[-3:]))
    if abs(late - early) <= _ZERO_MOVED_A + noise:
        return found
    what = f"the dark current moved by {(late - early) * 1000:.0f} mA while the unit flashed, so the zero of the current may have"
    return NotMeasured(f"{what}: let it warm up, and test again", "bench")


def _unsettled(e: Evidence, lits: Sequence[Lit]) -> float:
    """Return by what part the current may still exceed its final value where the levels of these flashes were read; 0 once that is past."""
    settled_s = median(lit.settled_s for lit in lits) if lits else _SETTLED_S
    return INRUSH * math.exp(-settled_s / INRUSH_TAU_S[e.conditions.system_v]) if settled_s < _SETTLED_S else 0.0


def _with_inrush(e: Evidence, lits: Sequence[Lit], found: Measurement) -> Measurement:
    """Return the current at the end of the flashes with what the inrush may still add to it, where it was read before that was over."""
    excess = _unsettled(e, lits)
    if not isinstance(found, Estimate) or not e.conditions.filament or not excess:
        return found
    inside = Component("inrush not over", rectangular(abs(found.value) * excess), shape="rectangular")
    return replace(found, budget=(*found.budget, inside), note="read before the inrush was over")


def _with_sag(e: Evidence, lits: Sequence[Lit], found: Measurement) -> Measurement:
    """Return a voltage under load with what the inrush may still pull it down by, where it was read before that was over."""
    excess = _unsettled(e, lits)
    if not isinstance(found, Estimate) or not e.conditions.filament or not excess or not e.supply.idle_v:
        return found
    sag_v = min(excess, 1.0) * max(e.supply.idle_v - found.value, 0.0)
    return replace(found, budget=(*found.budget, Component("inrush not over", rectangular(sag_v), shape="rectangular")))


def pilot_voltage(e: Evidence, cycles: Sequence[Cycle]) -> dict[str, Measurement]:
    """Return the voltage at the pilot terminal while the tell-tale is lit, in V: the higher of those with the lamps lit and dark."""
    if "v_pilot" not in e.accuracies:
        return {"pilot_on_v": NotMeasured("the recording has no pilot voltage")}
    lits = [c.lit.pilot for c in cycles] or [e.lit_now.pilot if e.lit_now is not None else None]
    darks = [c.dark.pilot for c in cycles]
    means = [(sum(r.value for r in had) / len(had), had) for had in ([r for r in group if r is not None] for group in (lits, darks)) if had]
    if not means:
        return {"pilot_on_v": NotMeasured("no flash was seen")}
    value, readings = max(means, key=lambda pair: pair[0])
    if value < _PILOT_LIVE * e.conditions.system_v:
        return {"pilot_on_v": NotMeasured("the pilot terminal was never live (or is not there)")}
    return {"pilot_on_v": mean_of(readings, "V", systematic_parts(e, "v_pilot", value), "v_pilot")}


def surroundings(e: Evidence) -> Mapping[str, Measurement]:
    """Return the temperature at the rig in degC, and by what part the board's seconds are too short."""
    found: dict[str, Measurement] = {"temperature_c": NotMeasured("no temperature channel")}
    if e.temperature is not None:
        parts = (Component("noise", e.temperature.u), *systematic_parts(e, "temperature", 0.0))
        found["temperature_c"] = Estimate(e.temperature.value, "degC", parts, e.temperature.n)
    found["clock_error"] = Estimate(e.clock.rel_error, "1", e.clock.parts, 1) if e.clock.corrected else NotMeasured(e.clock.text)
    return found
