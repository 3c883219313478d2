"""The values: rate, on-time, starting, drop, currents, bounce, pilot, steadiness.

Averages leave out the first cycles, as the standards do; what is looked for (missed, long, filmed flashes, drop-outs) is looked for in
every flash. What the mean of cycles stands for is the unit's mean under these conditions, of which the cycles are a sample; so their
scatter is in the uncertainty (type A). A single event (a start, the first inrush) stands for itself, and its note says so.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from itertools import pairwise
from statistics import median

from bench.cycles import Cycle
from bench.measure.behaviour import Start, behaviour, pilot_fact, start_of
from bench.measure.bench_check import INRUSH, INRUSH_TAU_S, check_bench, lamp_died_at, spoilt
from bench.measure.evidence import Counts, Evidence, clock_components, corrected, current_channel, duration, mean_of, systematic
from bench.measure.film import Film, film_fact, film_of, film_value, still_going
from bench.measure.mechanism import THERMAL, UNKNOWN, mechanism_of
from bench.measure.vocabulary import APPLIED_UNSEEN, CARRIED_A, Measured
from bench.readings import Reading
from bench.uncertainty import Component, Estimate, Measurement, NotMeasured, TypeA, type_a

_DROP_UNTIL = 20  # cycles: the drop is read before the twentieth (SAE J2068, after a public summary)
_AFTER_FILM = 5  # cycles: where a film went away as late as that
_MISSED_AT = 0.6  # of a period: a gap longer by more than that lacks a flash
LONG_AT = 1.5
_TREND_LEAST = 8
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
    if doing == "flashing" and _is_irregular(values):
        doing = "irregular"
    facts = {
        "behaviour": doing, "rest": start.rest, "pilot": pilot_fact(e, counted, doing), "mechanism": mechanism,
        "film": film_fact(e, film, values),
    }  # fmt: skip
    return Measured(spoilt(values, faults), facts, faults, proofs)


def _rates(
    e: Evidence, cycles: Sequence[Cycle], counts: Counts, doing: str, complete: int, film: Film
) -> dict[str, Measurement]:
    names = ("rate_per_min", "rate_total_per_min", "on_ratio", "on_s", "off_s")
    if len(cycles) < counts.average:
        if doing in ("steady on", "dark", "one flash"):
            why = f"the unit did not flash: {doing}"
        else:
            why = f"{complete} complete cycles seen, {counts.skip + counts.average} needed"
        return dict.fromkeys(names, NotMeasured(why, "bench" if e.cycles_broken and doing == "too few" else "none"))
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
    ends = Component("instants of make", total * make_u * math.sqrt(2.0) / (periods.mean * periods.n))
    edges = Component("make against break", math.hypot(make_u, break_u))

    def rate(mean: TypeA, scatter: TypeA, of: str) -> Estimate:
        value = mean.mean
        random = scatter_of(value * together * scatter.u / scatter.mean, scatter.n, of)
        moving = (still_going(60.0 / min(period_s) - 60.0 / max(period_s)),) if film.going else ()
        return Estimate(value, "1/min", (random, ends, *moving, *clock_components(e, value)), scatter.n)

    return {
        "rate_per_min": rate(rates, rates, "cycle rates"),
        "rate_total_per_min": rate(TypeA(total, 0.0, periods.n), periods, "periods"),
        "on_ratio": Estimate(
            ratio.mean,
            "1",
            (
                scatter_of(apart * ratio.u, ratio.n, "cycles"),
                replace(edges, u=edges.u / periods.mean),
                *((still_going(max(on_ratio) - min(on_ratio)),) if film.going else ()),
            ),
            ratio.n,
        ),
        "on_s": duration(e, on.mean, (scatter_of(on.u, on.n, "on durations"), edges), on.n),
        "off_s": duration(e, off.mean, (scatter_of(off.u, off.n, "off durations"), edges), off.n),
    }


def neighbours_share(values: Sequence[float]) -> float:
    """Variance of a mean over that of independent values: 1 + 2 r with r the correlation of neighbours (GUM F.1.1.2, C.3.5).

    Neighbouring cycles are not independent in their on-time: the instant of closing lengthens the one by what it takes from the
    other. r is estimated from the cycles themselves; the result is kept from going below 0.08, which few cycles can't support.
    """
    n = len(values)
    mean = math.fsum(values) / n
    variance = math.fsum((v - mean) ** 2 for v in values) / (n - 1)
    if n < 4 or variance == 0.0:
        return 1.0
    together = math.fsum((a - mean) * (b - mean) for a, b in pairwise(values)) / (n - 1)
    # Taking the mean off makes the estimate low by variance / n.
    return max(0.08, 1.0 + 2.0 * (together / variance + 1.0 / n))


def scatter_of(u: float, n: int, of: str) -> Component:
    return Component(f"scatter of {n} {of}", u, float(max(n - 1, 1)), "A")


def _starting(e: Evidence, start: Start) -> dict[str, Measurement]:
    def since(event: tuple[float, float] | None, why: str) -> Measurement:
        if e.applied is None:
            return NotMeasured(APPLIED_UNSEEN)
        if e.lost_at_start:
            return NotMeasured("samples were lost during the start", "bench")
        if event is None:
            return NotMeasured(why)
        t_s, u_s = event
        instants = Component("instant of the event", u_s), Component("instant of supply", e.applied.u_s)
        return replace(duration(e, max(t_s - e.applied.t_s, 0.0), instants), note=_ONE_START)

    done = since(start.done, "the unit did not open" if start.light else "no light came")
    return {
        "first_light_s": since(start.light, "no light came"),
        "first_extinction_s": since(start.extinction, "the light did not go out" if start.light else "no light came"),
        "start_s": done,
        "start_largest_s": done,
    }


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
        current = mean_of(currents, "A", systematic(e, current_channel(e, currents[0].value), currents[0].value), "current")
        if current.value > 5.0 * current.u:
            ohm = _over(drop, current, "ohm")
            found["contact_ohm"] = ohm
            if current.value > CARRIED_A:
                found["drop_carried_v"] = ohm.scaled(CARRIED_A, "V")
        else:
            found["contact_ohm"] = NotMeasured("the current is too small for a resistance")
    return found


def _over(a: Estimate, b: Estimate, unit: str) -> Estimate:
    """The ratio of two independent values."""
    value = a.value / b.value
    budget = [Component(c.source, c.u / abs(b.value), c.dof, c.kind) for c in a.budget]
    budget += [Component(c.source, c.u * abs(value / b.value), c.dof, c.kind) for c in b.budget]
    return Estimate(value, unit, tuple(budget), min(a.n, b.n))


def _currents(e: Evidence, cycles: Sequence[Cycle], kept: Sequence[Cycle]) -> dict[str, Measurement]:
    first = e.first_lit or (e.lit_now if not e.cycles else None)
    found: dict[str, Measurement] = {}
    peak = first.peak if first is not None and not e.lost_at_start else None
    if peak is None:
        found["inrush_first_a"] = NotMeasured("the first make was not sampled closely enough")
    else:
        channel = current_channel(e, peak.value)
        found["inrush_first_a"] = Estimate(
            peak.value, "A", (Component("carried back to the make", peak.u), *systematic(e, channel, peak.value)), 1
        )
    lits = [c.lit for c in cycles] or ([e.lit_now] if e.lit_now is not None else [])
    dark_now = e.dark_now if e.applied is not None and not e.closed_now else None  # after a gap it may be lit, with no make seen
    darks = [c.dark for c in cycles] or ([dark_now] if dark_now is not None else [])

    def mean(readings: Sequence[Reading | None], unit: str, channel: Callable[[float], str], why: str) -> Measurement:
        had = [r for r in readings if r is not None]
        if not had or channel(had[0].value) not in e.accuracies:
            return NotMeasured(why)
        name = channel(had[0].value)
        return mean_of(had, unit, systematic(e, name, had[0].value), name)

    def on_range(value: float) -> str:
        return current_channel(e, value)

    found["inrush_later_a"] = mean([c.lit.peak for c in cycles], "A", on_range, "no later make was sampled closely enough")
    later = found["inrush_later_a"]
    if isinstance(later, Estimate):
        model = sum(c.lit.peak.u for c in cycles if c.lit.peak is not None) / later.n
        found["inrush_later_a"] = Estimate(later.value, "A", (*later.budget, Component("carried back to the make", model)), later.n)
    found["steady_a"] = _steady(e, cycles, mean([lit.steady for lit in lits], "A", on_range, "the lamps were never lit"))
    dark = mean([d.current for d in darks], "A", on_range, "the lamps were never dark")
    found["dark_a"] = _dark([c.dark.current for c in kept], dark)
    found["supply_v"] = mean([lit.supply for lit in lits], "V", lambda _: "v_in", "the unit was never closed")
    found["lamp_v"] = mean([lit.lamp for lit in lits], "V", lambda _: "v_out", "the unit was never closed")
    first_a, steady = found["inrush_first_a"], found["steady_a"]
    if isinstance(first_a, Estimate) and isinstance(steady, Estimate) and steady.value > 5.0 * steady.u:
        found["inrush_ratio"] = _over(first_a, steady, "1")
    else:
        found["inrush_ratio"] = NotMeasured("the first inrush or the steady current is missing")
    return found


def _dark(readings: Sequence[Reading | None], found: Measurement) -> Measurement:
    """The dark current, unless it moved while the unit flashed: a leak stays as it is, the zero of a cold amplifier does not.

    Too few OFF periods show neither: what the zero may have moved by since it was read at rest is then in the uncertainty.
    """
    had = [r for r in readings if r is not None]
    if not isinstance(found, Estimate):
        return found
    if len(had) < _ZERO_TOLD:
        moved = Component("zero of the current since it was read at rest", _ZERO_MAY_MOVE_A / math.sqrt(3.0), kind="B", shape="rectangular")
        return Estimate(found.value, "A", (*found.budget, moved), found.n, "too few OFF periods to tell a leak from a zero that moves")
    early, late = (math.fsum(r.value for r in some) / 3.0 for some in (had[:3], had[-3:]))
    noise = 3.0 * max(r.u for r in (*had[:3], *had[-3:]))
    if abs(late - early) <= _ZERO_MOVED_A + noise:
        return found
    what = f"the dark current moved by {(late - early) * 1000:.0f} mA while the unit flashed, so the zero of the current may have"
    return NotMeasured(f"{what}: let the board warm up, and test again", "bench")


def _steady(e: Evidence, cycles: Sequence[Cycle], found: Measurement) -> Measurement:
    """The current at the end of the flashes; where they end before the inrush is over, what it may still add is in the uncertainty."""
    if not isinstance(found, Estimate) or not e.conditions.filament:
        return found
    lasted_s = median(c.on_s for c in cycles) if cycles else _SETTLED_S
    if lasted_s >= _SETTLED_S:
        return found
    excess = found.value * INRUSH * math.exp(-lasted_s / INRUSH_TAU_S[e.conditions.system_v])
    inside = Component("inrush not over", excess / math.sqrt(3.0), kind="B", shape="rectangular")
    return Estimate(found.value, "A", (*found.budget, inside), found.n, "read before the inrush was over")


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


def _flashes(e: Evidence, cycles: Sequence[Cycle], start: Start, mechanism: str) -> Sequence[Cycle]:
    """Those that must be alike: all but the blip of a two-coil unit, and the first flash of a thermal one, whose heater was cold."""
    if not cycles or e.cycles_before:
        return cycles
    if e.applied is None:
        return cycles[1:]  # it may be the first from cold, or the rest of one
    blip = start.rest == "open" and start.light is not None and cycles[0].begun.t_s < start.light[0]
    return cycles[1:] if blip or mechanism == THERMAL or (mechanism == UNKNOWN and start.rest == "closed") else cycles


def _all_flashes(e: Evidence, kept: Sequence[Cycle], alike: Sequence[Cycle]) -> dict[str, Measurement]:
    """What may happen in any flash, the first ones included: missed, long, interrupted. `alike`: the cycles whose flashes must be alike."""
    if len(alike) < 3:
        return dict.fromkeys(("missed", "stuck", "dropouts"), NotMeasured("too few cycles"))
    usual_s, usual_off_s = median(c.period_s for c in alike), median(c.off_s for c in alike)
    # A flash that does not come lengthens the gap by a period, also the gap after a first flash that is unlike the others.
    longer = ((c.off_s - usual_off_s) / usual_s for c in kept)
    missed = sum(round(periods) for periods in longer if periods > _MISSED_AT)
    usual_on = median(c.on_s for c in alike)
    stuck = sum(c.on_s > LONG_AT * usual_on for c in alike)
    n = len(alike)
    if e.broke is None and e.begun is not None and e.end_s - e.begun.t_s > LONG_AT * usual_on:
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
    periods = type_a([c.period_s for c in cycles])
    spread = periods.s / periods.mean
    found: dict[str, Measurement] = {
        "period_spread": spread_of(spread, "1", periods.n),
        "drop_spread_v": NotMeasured("too few flashes with a readable drop"),
    }
    factor = 1.0 + e.clock.rel_error
    minutes = [(c.begun.t_s - cycles[0].begun.t_s) * factor / 60.0 for c in cycles]
    drops = [(m, c.lit.drop.value) for m, c in zip(minutes, cycles, strict=True) if c.lit.drop is not None]
    if len(drops) >= 3:
        found["drop_spread_v"] = spread_of(type_a([v for _, v in drops]).s, "V", len(drops))
    found["rate_drift_per_min2"] = trend_of([(m, 60.0 / (c.period_s * factor)) for m, c in zip(minutes, cycles, strict=True)], "1/min/min")
    found["drop_trend_v_per_min"] = trend_of(drops, "V/min")
    return found


def spread_of(s: float, unit: str, n: int) -> Estimate:
    """A standard deviation of n normal values, with its own uncertainty s / sqrt(2 (n - 1))."""
    return Estimate(s, unit, (Component("number of cycles", s / math.sqrt(2.0 * (n - 1)), float(n - 1), "A"),), n)


def trend_of(points: Sequence[tuple[float, float]], unit: str) -> Measurement:
    """Least-squares slope with its type A uncertainty."""
    n = len(points)
    if n < _TREND_LEAST:
        return NotMeasured(f"{n} cycles are too few for a trend, {_TREND_LEAST} needed")
    mean_x, mean_y = math.fsum(x for x, _ in points) / n, math.fsum(y for _, y in points) / n
    sxx = math.fsum((x - mean_x) ** 2 for x, _ in points)
    slope = math.fsum((x - mean_x) * (y - mean_y) for x, y in points) / sxx
    residuals = [y - mean_y - slope * (x - mean_x) for x, y in points]
    s2 = math.fsum(r * r for r in residuals) / (n - 2) * max(1.0, neighbours_share(residuals))
    return Estimate(slope, unit, (Component(f"scatter of {n} cycles", math.sqrt(s2 / sxx), float(n - 2), "A"),), n)


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
    found["clock_error"] = (
        Estimate(e.clock.rel_error, "1", e.clock.parts, 1)
        if e.clock.corrected
        else NotMeasured(e.clock.text)
    )
    return found
