"""The values: rate, on-time, starting, drop, currents, bounce, pilot, steadiness.

Averages leave out the first cycles, as the standards do; what is looked for (missed, long, filmed flashes, drop-outs) is looked for in
every flash. What the mean of cycles stands for is the unit's mean under these conditions, of which the cycles are a sample; so their
scatter is in the uncertainty (type A). A single event (a start, the first inrush) stands for itself, and its note says so.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from statistics import median

from bench.cycles import Cycle, Lit
from bench.measure.behaviour import CLOSED_AT_REST_S, Start, behaviour, pilot_fact, start_of
from bench.measure.bench_check import INRUSH, INRUSH_TAU_S, check_bench, lamp_died_at, spoilt
from bench.measure.evidence import Counts, Evidence, clock_components, corrected, current_channel, duration, mean_of, systematic
from bench.measure.film import Film, film_fact, film_of, film_value, still_going
from bench.measure.mechanism import mechanism_of
from bench.measure.quantities import CARRIED_A
from bench.measure.scatter import is_in_step, kept_by_mean, neighbours_share, own_u, scatter_of, spread_of, trend_of
from bench.measure.vocabulary import APPLIED_UNSEEN, STANDING_STILL, FactName, Measured, MechanismKind, RestState, UnitBehaviour
from bench.readings import Reading
from bench.transitions import CLOSE_S, UNSEEN_S
from bench.uncertainty import Component, Estimate, Measurement, NotMeasured, TypeA, quotient, rectangular, type_a

_DROP_UNTIL = 20  # cycles: the drop is read before the twentieth (SAE J2068, after a public summary)
_SCATTER_LEAST = 2  # cycles: of one alone the scatter is not known
_AFTER_FILM = 5  # cycles: where a film went away as late as that
_SAMPLES_LEAST = 2.0  # in a flash, and in the dark between two: else one may lie between two samples and not be seen
_MISSED_AT = 0.6  # of a period: a gap longer by more than that lacks a flash
LONG_AT = 1.5
_SETTLED_S = 0.2  # lamps lit for so long have their steady current within 0.5 %
_ZERO_MOVED_A = 6e-3  # two thirds of what a leak may be (10 mA)
_ZERO_TOLD, _ZERO_MAY_MOVE_A = 6, 0.1  # OFF periods that show it; else half of what the zero of a cold amplifier moves by in a minute
IRREGULAR = 0.05  # spread of the period: common practice, no source
_ONE_START = "of one start; the next may differ by more"


def measure(e: Evidence, counts: Counts) -> Measured:
    """Everything that the evidence shows; what it does not show is `NotMeasured` with the reason."""
    died = lamp_died_at(e)
    kept = e.cycles if died is None else e.cycles[:died]
    film = film_of(e, kept)
    counted = kept[max(0, counts.skip - e.cycles_before, film.gone_at) :]
    if counts.at_most is not None:
        counted = counted[: counts.at_most]
    doing = behaviour(e, counts)
    start = start_of(e)
    mechanism = mechanism_of(e, kept)
    faults, proofs = check_bench(e, died)
    values: dict[str, Measurement] = {}
    values |= _rates(e, counted, counts, doing, len(kept) + e.cycles_before, film)
    values |= _starting(e, start)
    values |= _drop(e, counted, counts, film)
    values |= film_value(e, kept, counted)
    values |= _currents(e, counted, kept)
    values |= _bounce(e)
    alike = _flashes(e, kept, start, mechanism) if not film.gone_at else kept[film.gone_at :]
    values |= _all_flashes(e, kept[film.gone_at :], () if film.going else alike)
    values |= _steadiness(e, counted)
    values |= _pilot(e, counted)
    values |= _surroundings(e)
    if doing is UnitBehaviour.FLASHING and _is_irregular(values):
        doing = UnitBehaviour.IRREGULAR
    facts: dict[str, str] = {
        FactName.BEHAVIOUR: doing, FactName.REST: start.rest, FactName.PILOT: pilot_fact(e, counted, doing),
        FactName.MECHANISM: mechanism, FactName.FILM: film_fact(e, film, values),
    }  # fmt: skip
    return Measured(spoilt(values, faults), facts, faults, proofs)


def _rates(e: Evidence, cycles: Sequence[Cycle], counts: Counts, doing: UnitBehaviour, complete: int, film: Film) -> dict[str, Measurement]:
    names = ("rate_per_min", "rate_total_per_min", "on_ratio", "on_s", "off_s")
    least = max(counts.average, _SCATTER_LEAST)
    if len(cycles) < least:
        if doing in STANDING_STILL:
            why = f"the unit did not flash: {doing}"
        else:
            why = f"{complete} complete cycles seen, {counts.skip + least} needed"
        return dict.fromkeys(names, NotMeasured(why, "bench" if e.cycles_broken and doing is UnitBehaviour.TOO_FEW else "none"))
    factor = 1.0 + e.clock.rel_error
    period_s = [c.period_s * factor for c in cycles]
    on_ratio = [c.on_s / c.period_s for c in cycles]
    rates, periods, ratio = type_a([60.0 / p for p in period_s]), type_a(period_s), type_a(on_ratio)
    on, off = type_a([c.on_s for c in cycles]), type_a([c.off_s for c in cycles])
    total = 60.0 / periods.mean
    # Neighbouring periods share a closing, which moves both the same way: never less than independent ones.
    together = math.sqrt(max(1.0, neighbours_share(period_s)))
    apart = math.sqrt(neighbours_share(on_ratio))
    make_u, break_u = median(c.begun.u_s for c in cycles), median(c.broke.u_s for c in cycles)
    soft = Component("make and break take their time", median(math.hypot(c.begun.soft_s, c.broke.soft_s) for c in cycles))
    both_u = math.hypot(make_u, break_u)
    ends = Component("instants of make", total * make_u * math.sqrt(2.0) / (periods.mean * periods.n))
    in_step = is_in_step(periods.mean / factor, max(periods.s, on.s), periods.n, e.interval_s)
    edges = Component("make against break", both_u if in_step else both_u * kept_by_mean(on.s, both_u, on.n))

    def rate(mean: TypeA, scatter: TypeA, of: str) -> Estimate:
        value = mean.mean
        apart_from = math.sqrt(2.0) * make_u * scatter.mean / periods.mean
        random = scatter_of(value * together * own_u(scatter, apart_from) / scatter.mean, scatter.n, of)
        moving = (still_going(60.0 / min(period_s) - 60.0 / max(period_s)),) if film.going else ()
        return Estimate(value, "1/min", (random, ends, *moving, *clock_components(e, value)), scatter.n)

    return {
        "rate_per_min": rate(rates, rates, "cycle rates"),
        "rate_total_per_min": rate(TypeA(total, 0.0, periods.n), periods, "periods"),
        "on_ratio": Estimate(
            ratio.mean,
            "1",
            (
                scatter_of(apart * own_u(ratio, both_u / periods.mean), ratio.n, "cycles"),
                replace(edges, u=edges.u / periods.mean),
                replace(soft, u=soft.u / periods.mean),
                *((still_going(max(on_ratio) - min(on_ratio)),) if film.going else ()),
            ),
            ratio.n,
        ),
        "on_s": duration(e, on.mean, (scatter_of(own_u(on, both_u), on.n, "on durations"), edges, soft), on.n),
        "off_s": duration(e, off.mean, (scatter_of(own_u(off, both_u), off.n, "off durations"), edges, soft), off.n),
    }


def _starting(e: Evidence, start: Start) -> dict[str, Measurement]:
    def since(event: tuple[float, float] | None, why: str, *parts: Component) -> Measurement:
        if e.applied is None:
            return NotMeasured(APPLIED_UNSEEN)
        if e.start_missed:
            return NotMeasured("samples were lost during the start", "bench")
        if event is None:
            return NotMeasured(why)
        t_s, u_s = event
        instants = [Component("instant of the event", u_s), Component("instant of supply", e.applied.u_s), *parts]
        if e.timing.skew_s:
            instants.append(Component("input and output not sampled together", rectangular(e.timing.skew_s), shape="rectangular"))
        return replace(duration(e, max(t_s - e.applied.t_s, 0.0), instants), note=_ONE_START)

    done = since(start.done, "the unit did not open" if start.light else "no light came")
    return {
        "first_light_s": since(start.light, "no light came", *_unseen_contacts(e, start)),
        "first_extinction_s": since(start.extinction, "the light did not go out" if start.light else "no light came"),
        "start_s": done,
        "start_largest_s": done,
    }


def _unseen_contacts(e: Evidence, start: Start) -> tuple[Component, ...]:
    """A make that bounces is seen late where its first contacts fall between samples, by as much as it bounces. A contact that was closed
    before voltage came does not bounce."""
    if e.interval_s <= CLOSE_S or e.applied is None or start.light is None:
        return ()
    t_s, u_s = start.light
    if t_s - e.applied.t_s <= 2.0 * math.hypot(u_s, e.applied.u_s):
        return ()
    return (Component("first contacts between samples", rectangular(2.0 * UNSEEN_S), shape="rectangular"),)


def _drop(e: Evidence, cycles: Sequence[Cycle], counts: Counts, film: Film) -> dict[str, Measurement]:
    names = ("drop_v", "drop_largest_v", "drop_carried_v", "contact_ohm")
    until = max(counts.average, _DROP_UNTIL - max(counts.skip, film.gone_at), _AFTER_FILM if film.gone_at else 0)
    usable = [c.lit for c in cycles[:until] if c.lit.drop is not None]
    if len(usable) >= counts.average:
        pass
    elif not e.cycles and e.lit_now is not None and e.lit_now.drop is not None:
        usable = [e.lit_now]  # a unit that stays on has a drop all the same
    else:
        return dict.fromkeys(names, NotMeasured("too few flashes with a readable drop"))
    readings = [lit.drop for lit in usable if lit.drop is not None]
    typical = usable[len(usable) // 2]
    supply = typical.supply.value if typical.supply is not None else 0.0
    if any(lit.by_difference for lit in usable):
        lamp = typical.lamp.value if typical.lamp is not None else 0.0
        parts = (*systematic(e, "v_in", supply), *systematic(e, "v_out", lamp))
    else:
        readings = [Reading(corrected(e, "v_drop", r.value, {"v_in": supply}), r.u, r.n) for r in readings]
        parts = systematic(e, "v_drop", readings[0].value, {"v_in": supply})
    if film.going:
        parts = (*parts, still_going(readings[-1].value))
    drop = mean_of(readings, "V", parts, "drop")
    largest = max(readings, key=lambda r: r.value)
    found: dict[str, Measurement] = {
        "drop_v": drop,
        "drop_largest_v": Estimate(largest.value, "V", (Component("noise", largest.u), *parts), len(readings)),
        "drop_carried_v": drop,
    }
    currents = [lit.drop_a for lit in usable if lit.drop_a is not None]
    found["contact_ohm"] = NotMeasured("no current was read with the drop")
    if currents:
        channel = current_channel(e, currents[0].value)
        currents = [Reading(corrected(e, channel, r.value), r.u, r.n) for r in currents]
        current = mean_of(currents, "A", systematic(e, channel, currents[0].value), "current")
        if current.value > 5.0 * current.u:
            ohm = quotient(drop, current, "ohm")
            found["contact_ohm"] = ohm
            if current.value > CARRIED_A:
                found["drop_carried_v"] = ohm.scaled(CARRIED_A, "V")
        else:
            found["contact_ohm"] = NotMeasured("the current is too small for a resistance")
    return found


def _currents(e: Evidence, cycles: Sequence[Cycle], kept: Sequence[Cycle]) -> dict[str, Measurement]:
    first = e.first_lit or (e.lit_now if not e.cycles else None)
    found: dict[str, Measurement] = {}
    peak = first.peak if first is not None and not e.start_missed else None
    if e.applied is None:
        found["inrush_first_a"] = NotMeasured(APPLIED_UNSEEN)  # the lamps may have been warm from flashes before
    elif peak is None:
        found["inrush_first_a"] = NotMeasured("the first make was not sampled closely enough, or was no step")
    else:
        channel = current_channel(e, peak.value)
        found["inrush_first_a"] = Estimate(
            corrected(e, channel, peak.value), "A", (Component("carried back to the make", peak.u), *systematic(e, channel, peak.value)), 1
        )
    lits = [c.lit for c in cycles] or ([e.lit_now] if e.lit_now is not None else [])
    dark_now = e.dark_now if e.applied is not None and not e.closed_now else None  # after a gap it may be lit, with no make seen
    darks = [c.dark for c in cycles] or ([dark_now] if dark_now is not None else [])

    def mean(readings: Sequence[Reading | None], why: str, others: Mapping[str, float] | None = None) -> Measurement:
        read = next((r for r in readings if r is not None), None)
        return NotMeasured(why) if read is None else _mean(e, readings, "A", current_channel(e, read.value), why, others)

    peaks = [c.lit.peak for c in cycles]
    # Those that can't be read are the steep ones: what is left would not stand for all.
    some = any(peak is not None for peak in peaks)
    why = "not every later make was sampled closely enough" if some else "no later make was sampled closely enough, or was a step"
    found["inrush_later_a"] = mean(peaks, why) if all(peak is not None for peak in peaks) else NotMeasured(why)
    later = found["inrush_later_a"]
    if isinstance(later, Estimate):
        model = sum(c.lit.peak.u for c in cycles if c.lit.peak is not None) / later.n
        found["inrush_later_a"] = Estimate(later.value, "A", (*later.budget, Component("carried back to the make", model)), later.n)
    unread = "no flash was sampled closely enough, or the readings stand at the end of the range" if cycles else ""
    unlit, unclosed = unread or "the lamps were never lit", unread or "the unit was never closed"
    found["steady_a"] = _steady(e, lits, mean([lit.steady for lit in lits], unlit))
    dark = mean([d.current for d in darks], "the lamps were never dark", {"v_out": 0.0})
    found["dark_a"] = _dark([c.dark.current for c in kept], dark)
    for name, on_channel, levels in (
        ("supply_v", "v_in", [lit.supply for lit in lits]), ("lamp_v", "v_out", [lit.lamp for lit in lits]),
    ):  # fmt: skip
        found[name] = _sagging(e, lits, _mean(e, levels, "V", on_channel, unclosed))
    first_a, steady = found["inrush_first_a"], found["steady_a"]
    if isinstance(first_a, Estimate) and isinstance(steady, Estimate) and steady.value > 5.0 * steady.u:
        found["inrush_ratio"] = quotient(first_a, steady)
    else:
        found["inrush_ratio"] = NotMeasured("the first inrush or the steady current is missing")
    return found


def _mean(
    e: Evidence, readings: Sequence[Reading | None], unit: str, channel: str, why: str, others: Mapping[str, float] | None = None
) -> Measurement:
    """The mean of what was read of a channel while `others` read this; NotMeasured with this reason if nothing was, or it is missing."""
    had = [Reading(corrected(e, channel, r.value, others), r.u, r.n) for r in readings if r is not None]
    if not had or channel not in e.accuracies:
        return NotMeasured(why)
    return mean_of(had, unit, systematic(e, channel, had[0].value, others), channel)


def _dark(readings: Sequence[Reading | None], found: Measurement) -> Measurement:
    """The dark current, unless it moved while the unit flashed or flows backwards: a leak stays as it is, the zero of an amplifier may not.

    Too few OFF periods show neither: what the zero may have moved by since it was read at rest is then in the uncertainty.
    """
    had = [r for r in readings if r is not None]
    if not isinstance(found, Estimate):
        return found
    if len(had) < _ZERO_TOLD:
        moved = Component("zero of the current since it was read at rest", _ZERO_MAY_MOVE_A / math.sqrt(3.0), kind="B", shape="rectangular")
        return Estimate(found.value, "A", (*found.budget, moved), found.n, "too few OFF periods to tell a leak from a zero that moves")
    if found.value + found.expanded() < -_ZERO_MOVED_A:
        what = f"with the contact open {found.value * 1000:.0f} mA are read, less than nothing, so the zero of the current has moved"
        return NotMeasured(f"{what} since it was read at rest: let it warm up, and test again", "bench")
    early, late = (math.fsum(r.value for r in some) / 3.0 for some in (had[:3], had[-3:]))
    noise = 3.0 * max(r.u for r in (*had[:3], *had[-3:]))
    if abs(late - early) <= _ZERO_MOVED_A + noise:
        return found
    what = f"the dark current moved by {(late - early) * 1000:.0f} mA while the unit flashed, so the zero of the current may have"
    return NotMeasured(f"{what}: let it warm up, and test again", "bench")


def _unsettled(e: Evidence, lits: Sequence[Lit]) -> float:
    """By what part the current may still exceed its final value where the levels of these flashes were read; 0 once that is past."""
    settled_s = median(lit.settled_s for lit in lits) if lits else _SETTLED_S
    return INRUSH * math.exp(-settled_s / INRUSH_TAU_S[e.conditions.system_v]) if settled_s < _SETTLED_S else 0.0


def _steady(e: Evidence, lits: Sequence[Lit], found: Measurement) -> Measurement:
    """The current at the end of the flashes; where it was read before the inrush is over, what that may still add is in the uncertainty."""
    excess = _unsettled(e, lits)
    if not isinstance(found, Estimate) or not e.conditions.filament or not excess:
        return found
    inside = Component("inrush not over", rectangular(abs(found.value) * excess), shape="rectangular")
    return Estimate(found.value, "A", (*found.budget, inside), found.n, "read before the inrush was over")


def _sagging(e: Evidence, lits: Sequence[Lit], found: Measurement) -> Measurement:
    """A voltage under load; read before the inrush is over it may still lie lower than at the end, as much as that load pulls it down."""
    excess = _unsettled(e, lits)
    if not isinstance(found, Estimate) or not e.conditions.filament or not excess or not e.supply.idle_v:
        return found
    sag_v = min(excess, 1.0) * max(e.supply.idle_v - found.value, 0.0)
    return replace(found, budget=(*found.budget, Component("inrush not over", rectangular(sag_v), shape="rectangular")))


def _bounce(e: Evidence) -> dict[str, Measurement]:
    makes = [c.begun for c in e.cycles] + ([e.begun] if e.begun is not None else [])
    breaks = [c.broke for c in e.cycles]
    found: dict[str, Measurement] = {}
    for name, edges in (("bounce_make_s", makes), ("bounce_break_s", breaks)):
        if not edges:
            found[name] = NotMeasured("no such transition was seen")
            continue
        worst = max(edges, key=lambda t: t.bounce_s)
        # A last gap shorter than the sampling interval may not have been seen.
        unseen = Component("gaps between samples", e.interval_s / 8.0)
        found[name] = duration(e, worst.bounce_s, (Component("first and last crossing", worst.u_s * math.sqrt(2.0)), unseen), len(edges))
    return found


def _flashes(e: Evidence, cycles: Sequence[Cycle], start: Start, mechanism: MechanismKind) -> Sequence[Cycle]:
    """Those that must be alike: all but the blip of a two-coil unit, and the first flash of a thermal one, whose heater was cold."""
    if not cycles or e.cycles_before:
        return cycles
    if e.applied is None:
        return cycles[1:]  # it may be the first from cold, or the rest of one
    blip = start.rest is RestState.OPEN and start.light is not None and cycles[0].on_s < CLOSED_AT_REST_S
    may_be_cold = mechanism is MechanismKind.THERMAL or (mechanism is MechanismKind.UNKNOWN and start.rest is not RestState.OPEN)
    return cycles[1:] if blip or may_be_cold else cycles


def _all_flashes(e: Evidence, kept: Sequence[Cycle], alike: Sequence[Cycle]) -> dict[str, Measurement]:
    """What may happen in any flash, the first ones included: missed, long, interrupted. `alike`: the cycles whose flashes must be alike."""
    if len(alike) < 3:
        return dict.fromkeys(("missed", "stuck", "dropouts"), NotMeasured("too few cycles"))
    usual_s, usual_off_s = median(c.period_s for c in alike), median(c.off_s for c in alike)
    if min(median(c.on_s for c in alike), usual_off_s) < _SAMPLES_LEAST * e.interval_s:
        why = f"{1.0 / e.interval_s:.0f} samples a second are too few for flashes so short"
        return dict.fromkeys(("missed", "stuck", "dropouts"), NotMeasured(why))
    # Between slow samples an instant lies anywhere within sqrt(3) of its u; what is long and what is usual may each be off by two of them.
    within_s = math.sqrt(3.0) * median(c.begun.u_s + c.broke.u_s for c in alike)
    # A flash that does not come lengthens the gap by a period, also the gap after a first flash that is unlike the others.
    longer_s = (c.off_s - usual_off_s for c in kept)
    missed = sum(round(more_s / usual_s) for more_s in longer_s if more_s - 2.0 * within_s > _MISSED_AT * usual_s)
    usual_on = median(c.on_s for c in alike)
    stuck = sum(c.on_s - within_s > LONG_AT * (usual_on + within_s) for c in alike)
    n = len(alike)
    if e.broke is None and e.begun is not None and min(e.end_s, e.settled_s) - e.begun.t_s > LONG_AT * usual_on:
        stuck, n = stuck + 1, n + 1  # the flash at hand is not over, and too long already
    counts = {"missed": missed, "stuck": stuck, "dropouts": e.dropouts}
    return {name: Estimate(float(count), "1", (), n) for name, count in counts.items()}


def _is_irregular(values: Mapping[str, Measurement]) -> bool:
    """Whether flashes are missing or long, or the period scatters by more than 5 % beyond doubt."""
    spread = values["period_spread"]
    scatters = isinstance(spread, Estimate) and spread.value - spread.expanded() > IRREGULAR
    found = (values[name] for name in ("missed", "stuck"))
    return scatters or any(isinstance(count, Estimate) and count.value > 0.0 for count in found)


def _steadiness(e: Evidence, cycles: Sequence[Cycle]) -> dict[str, Measurement]:
    names = ("period_spread", "drop_spread_v", "rate_drift_per_min2", "drop_trend_v_per_min")
    if len(cycles) < 3:
        return dict.fromkeys(names, NotMeasured("too few cycles"))
    if min(median(c.on_s for c in cycles), median(c.off_s for c in cycles)) < _SAMPLES_LEAST * e.interval_s:
        return dict.fromkeys(names, NotMeasured(f"{1.0 / e.interval_s:.0f} samples a second are too few for flashes so short"))
    periods = type_a([c.period_s for c in cycles])
    make_u = median(c.begun.u_s for c in cycles) * math.sqrt(2.0)
    found: dict[str, Measurement] = {
        "period_spread": spread_of(periods.s / periods.mean, "1", periods.n, make_u / periods.mean),
        "drop_spread_v": NotMeasured("too few flashes with a readable drop"),
    }
    factor = 1.0 + e.clock.rel_error
    minutes = [(c.begun.t_s - cycles[0].begun.t_s) * factor / 60.0 for c in cycles]
    drops = [(m, c.lit.drop) for m, c in zip(minutes, cycles, strict=True) if c.lit.drop is not None]
    if len(drops) >= 3:
        apart_v = e.accuracies["v_drop"].u_apart if "v_drop" in e.accuracies else 0.0
        found["drop_spread_v"] = spread_of(type_a([r.value for _, r in drops]).s, "V", len(drops), apart_v)
    rates = [(m, 60.0 / (c.period_s * factor)) for m, c in zip(minutes, cycles, strict=True)]
    found["rate_drift_per_min2"] = trend_of(rates, "1/min/min", 60.0 * make_u / periods.mean**2)
    counts_v = e.accuracies["v_drop"].u_line if "v_drop" in e.accuracies else 0.0
    found["drop_trend_v_per_min"] = trend_of([(m, r.value) for m, r in drops], "V/min", counts_v)
    return found


def _pilot(e: Evidence, cycles: Sequence[Cycle]) -> dict[str, Measurement]:
    if "v_pilot" not in e.accuracies:
        return {"pilot_on_v": NotMeasured("the recording has no pilot voltage")}
    lits = [c.lit.pilot for c in cycles] or [e.lit_now.pilot if e.lit_now is not None else None]
    darks = [c.dark.pilot for c in cycles]
    means = [(sum(r.value for r in had) / len(had), had) for had in ([r for r in group if r is not None] for group in (lits, darks)) if had]
    if not means:
        return {"pilot_on_v": NotMeasured("no flash was seen")}
    value, readings = max(means, key=lambda pair: pair[0])
    if value < 0.25 * e.conditions.system_v:
        return {"pilot_on_v": NotMeasured("the pilot terminal was never live (or is not there)")}
    return {"pilot_on_v": mean_of(readings, "V", systematic(e, "v_pilot", value), "v_pilot")}


def _surroundings(e: Evidence) -> Mapping[str, Measurement]:
    found: dict[str, Measurement] = {"temperature_c": NotMeasured("no temperature channel")}
    if e.temperature is not None:
        parts = (Component("noise", e.temperature.u), *systematic(e, "temperature", 0.0))
        found["temperature_c"] = Estimate(e.temperature.value, "degC", parts, e.temperature.n)
    found["clock_error"] = Estimate(e.clock.rel_error, "1", e.clock.parts, 1) if e.clock.corrected else NotMeasured(e.clock.text)
    return found
