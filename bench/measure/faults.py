"""Faults of the bench, found in the evidence, so that none is charged to the unit. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from statistics import median

from bench.cycles import Cycle, Lit
from bench.lamps import cold_siemens, expected_current_a
from bench.measure.evidence import Evidence
from bench.measure.vocabulary import BenchFault
from bench.uncertainty import Estimate, Measurement, NotMeasured

_LIT_LEAST_S = 0.2  # before that the lamps' own inrush hides a change of load
_CURRENT_OFF = 0.14  # part of the expected current: lamps are within 6 % (UN R37), one 5 W lamp of 2 x 21 + 5 W is 11 %
_DIED = 0.10
_COUNTS_S = 0.05
_SETTLED_S = 0.35  # lamps lit for longer are settled; of shorter flashes only those of like length can be compared
_SOURCE_OHM: Mapping[float, float] = {6.0: 0.25, 12.0: 0.35, 24.0: 0.8}
# Cold resistance: lamps are within 6 % (UN R37), the room within a tenth; leads and switches behind the output's sense lead add their
# own (28 to 45 mohm in the reference rig).
_NOT_COLD, _BANK_OHM = 1.2, 0.045
_START = ("start_s", "start_largest_s", "first_light_s", "first_extinction_s", "inrush_first_a", "inrush_ratio")


def bench_faults(e: Evidence, died: int | None) -> tuple[BenchFault, ...]:
    """All bench faults that show; none if the bench is in order."""
    return tuple(_found(e, died))


def _found(e: Evidence, died: int | None) -> Iterator[BenchFault]:
    yield from _leads(e)
    if e.clock.corrected and e.clock_half_width and abs(e.clock.rel_error) > e.clock_half_width + 3.0 * e.clock.u:
        yield BenchFault(
            "clock-off",
            f"the board's clock is {e.clock.rel_error * 100:+.2f} % off, outside its own {e.clock_half_width * 100:g} %: "
            "corrected, but have the board looked at",
            spoils=False,
        )
    yield from _supply(e)
    yield from _lamps(e, died)


def _leads(e: Evidence) -> Iterator[BenchFault]:
    dark, flow_a = e.dark_now, e.flow_now_a
    if dark is None or flow_a is None or dark.supply is None or dark.out is None:
        return
    floor = 0.3 * e.conditions.system_v
    if dark.out.value > dark.supply.value + floor:
        text = "the output reads more than the input: swap the sense leads SB and SL, or the unit is in backwards"
        yield BenchFault("sense-leads-swapped", text)
    elif flow_a > 0.6 and dark.supply.value < floor:
        yield BenchFault("sense-in-off", f"{flow_a:.1f} A flow but the input reads {dark.supply.value:.2f} V: sense lead SB is off")
    elif flow_a > max(0.6, 0.25 * _expected(e, dark.supply.value, 2.4)) and dark.out.value < 0.05 * dark.supply.value:
        yield BenchFault("sense-out-off", f"{flow_a:.1f} A flow but the output reads {dark.out.value:.2f} V: sense lead SL is off")


def _expected(e: Evidence, lamp_v: float, unknown: float) -> float:
    if not e.conditions.lamps_w or not e.conditions.filament:
        return unknown
    return expected_current_a(e.conditions.lamps_w, e.conditions.system_v, lamp_v)


def _supply(e: Evidence) -> Iterator[BenchFault]:
    lits = _steadily_lit(e, e.cycles)
    readings = [lit.supply.value for lit in lits if lit.supply is not None]
    low, high = e.conditions.supply_low_v, e.conditions.supply_high_v
    if readings and low is not None and high is not None:
        worst = max(readings, key=lambda v: max(low - v, v - high))
        if not low <= worst <= high:
            text = f"the supply was {worst:.2f} V at the unit while on, not {low:.1f} to {high:.1f} V: set it and test again"
            yield BenchFault("supply-out-of-range", text)
    for cycle in e.cycles[:3]:
        ohm = _source_ohm(cycle)
        if ohm is not None and ohm > _SOURCE_OHM.get(e.conditions.system_v, 0.35):
            yield BenchFault(
                "supply-limited",
                f"the supply gives way under the inrush as if {ohm:.2f} ohm were in the lead: use a battery, or a supply of 40 A",
            )
            return


def _source_ohm(cycle: Cycle) -> float | None:
    """How far the input falls for each ampere just after the make that ends this cycle; None if it can't be told."""
    dark, dip = cycle.dark.supply, cycle.lit.dip
    if dark is None or dip is None or dip[1] < 2.0:
        return None
    return (dark.value - dip[0]) / dip[1]


def _lamps(e: Evidence, died: int | None) -> Iterator[BenchFault]:
    if not e.conditions.lamps_w or not e.conditions.filament:
        return
    names = " + ".join(f"{w:g} W" for w in e.conditions.lamps_w)
    cycles = e.cycles if died is None else e.cycles[:died]
    lits = _steadily_lit(e, cycles)
    ratios = [
        lit.steady.value / expected_current_a(e.conditions.lamps_w, e.conditions.system_v, lit.lamp.value)
        for lit in lits
        if lit.steady is not None and lit.lamp is not None and lit.lamp.value > 0.3 * e.conditions.system_v
    ]
    if ratios and abs(median(ratios) - 1.0) > _CURRENT_OFF:
        yield BenchFault(
            "lamp-current",
            f"the lamps take {median(ratios) * 100:.0f} % of what {names} should: "
            "one is dead, or of the wrong wattage, or its holder is bad",
        )
    first = None if e.lost_at_start else e.first_lit or (e.lit_now if not e.cycles else None)
    if ratios and abs(median(ratios) - 1.0) <= _CURRENT_OFF and first is not None and first.siemens is not None:
        ohm, cold_ohm = 1.0 / first.siemens.value, 1.0 / cold_siemens(e.conditions.lamps_w, e.conditions.system_v)
        if ohm * (1.0 - 3.0 * first.siemens.u / first.siemens.value) > _NOT_COLD * (cold_ohm + _BANK_OHM):
            yield BenchFault(
                "lamps-not-cold",
                f"at the first make the load had {ohm * 1000:.0f} mohm, cold {names} have {cold_ohm * 1000:.0f}: "
                "the lamps were still warm, or are no filament lamps, or a socket has resistance",
            )
    if died is not None:
        at = died + e.cycles_before + 1
        yield BenchFault("lamp-died", f"the lamps' current changed at flash {at}: a lamp or its holder failed; nothing after that counts")


def _steadily_lit(e: Evidence, cycles: Sequence[Cycle]) -> list[Lit]:
    """Flashes that outlast the inrush; without one, what is lit now if that does."""
    lits = [c.lit for c in cycles if c.on_s > _LIT_LEAST_S]
    return lits or ([e.lit_now] if e.lit_now is not None and _lit_s(e) > _LIT_LEAST_S else [])


def _lit_s(e: Evidence) -> float:
    """How long the flash at hand has been, or was, lit."""
    if e.begun is None:
        return 0.0
    return (e.broke.t_s if e.broke is not None else e.end_s) - e.begun.t_s


def lamp_died_at(e: Evidence) -> int | None:
    """Index of the first kept cycle in which the load itself (its conductance) had changed for good; None if it never did.

    The flash at hand counts as one more: a fixed-load unit whose lamp dies stays on.
    """
    if not e.conditions.filament:
        return None
    usual = median(c.on_s for c in e.cycles) if e.cycles else 0.0
    settled_s = max(min(_SETTLED_S, 0.9 * usual), _LIT_LEAST_S)
    flashes = [(c.on_s, c.lit) for c in e.cycles]
    if e.broke is None and e.lit_now is not None:
        flashes.append((_lit_s(e), e.lit_now))
    loads = [
        (i, lit.steady.value / lit.lamp.value, on_s > settled_s)
        for i, (on_s, lit) in enumerate(flashes)
        if on_s > _COUNTS_S and lit.steady is not None and lit.lamp is not None and lit.lamp.value > 0.3 * e.conditions.system_v
    ]
    for k in range(1, len(loads)):
        known = [g for _, g, settled in loads[:k] if settled][-3:]
        if not known:
            continue
        before, after = median(known), median(g for _, g, _ in loads[k : k + 3])
        changes = loads[k][1] / before - 1.0, after / before - 1.0
        # A flash cut short leaves the filament colder, and its conductance higher: only a fall tells then.
        if max(changes) < -_DIED or (loads[k][2] and min(changes) > _DIED):
            return loads[k][0]
    return None


def spoilt(values: Mapping[str, Measurement], faults: tuple[BenchFault, ...]) -> dict[str, Measurement]:
    """The values less those that a fault of the bench makes worthless; the reason goes with them."""
    found = dict(values)
    for fault in faults:
        if fault.code in ("supply-limited", "lamps-not-cold"):
            for name in _START:
                if isinstance(found.get(name), Estimate):
                    found[name] = NotMeasured(fault.text, "bench")
        if fault.code == "lamp-died":
            for name, value in found.items():
                if isinstance(value, NotMeasured):
                    found[name] = replace(value, fault="bench")
    return found
