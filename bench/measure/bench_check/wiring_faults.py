"""Supply and sense leads, from every sample of a run (bench.supply) and at the end of flashes."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from statistics import median

from bench.measure.bench_check.board_faults import SHOWN_PART, SHOWN_S
from bench.measure.bench_check.steady_flashes import LIT_LEAST_S, steadily_lit
from bench.measure.evidence import Evidence
from bench.measure.vocabulary import BenchFault, FaultCode
from bench.readings import LINE_LEAST, Reading

_SUPPLY_OHM: Mapping[float, float] = {6.0: 0.14, 12.0: 0.24, 24.0: 0.69}  # of a supply that will do, beside the loop; a battery has 0.02
_GONE_S = 0.02  # a switch or a clamp that parts for less is a bounce
_SAGS = 0.01  # of the system voltage, beside that
_RIPPLE = 0.05  # of the voltage: a quarter of a percent more heat than a steady one gives; a rectifier alone has 0.48 (computed)
_OF_SYSTEM = (0.65, 1.4)  # of a recording, whose supply was not set: 6 V systems run at 5.5 to 7.5 V, 12 V at 9 to 15, 24 V at 18 to 30


def lead_faults(e: Evidence) -> Iterator[BenchFault]:
    """Yield sense leads that are off or swapped."""
    shown_s = max(SHOWN_S, SHOWN_PART * e.supply.drawing_s)
    if e.supply.input_lost_s > shown_s:
        yield BenchFault(
            FaultCode.SENSE_IN_OFF, "the lamps draw their current but the input reads less than the output: sense lead SB is off"
        )
    elif e.supply.swapped_s > SHOWN_S:
        text = "the output reads more than the input: swap the sense leads SB and SL, or the unit is in backwards"
        yield BenchFault(FaultCode.SENSE_LEADS_SWAPPED, text)
    elif e.supply.output_lost_s > shown_s:
        yield BenchFault(FaultCode.SENSE_OUT_OFF, "the lamps draw their current but the output reads nothing: sense lead SL is off")


def supply_faults(e: Evidence) -> Iterator[BenchFault]:
    """Yield the faults of a supply that goes away, gives way, or stands where it should not."""
    ohm = e.supply.source_ohm(e.conditions.open_v)
    most_ohm = e.conditions.loop_ohm + _SUPPLY_OHM[e.conditions.system_v]  # the loop lies in part behind the input, how much is not known
    limited = ohm is not None and ohm > most_ohm and _supply_gives_way(e, most_ohm)
    leads_right = e.supply.input_lost_s <= SHOWN_S and e.supply.swapped_s <= SHOWN_S
    # Of a board, whose master switch stays closed: nothing is read of what came after it. (A supply that gives way does that too.)
    interrupted = e.came_again and e.supply.on_s > 0.0 and leads_right and not limited
    if interrupted or (e.supply.gone_s > _GONE_S and e.supply.input_lost_s <= SHOWN_S):
        lasted = f"for {e.supply.gone_s:.2f} s" if e.supply.gone_s > _GONE_S else "for a moment"
        text = f"the supply went away while the unit was on: nothing stood at its input {lasted}"
        yield BenchFault(FaultCode.SUPPLY_GONE, f"{text}; check its plugs, fuse, leads and current limit, and test again")
    if limited:
        yield BenchFault(
            FaultCode.SUPPLY_LIMITED,
            f"the supply gives way under the inrush as if {ohm:.2f} ohm were in the lead: use a battery, or a supply of 40 A",
        )
    lits = steadily_lit(e, e.cycles)
    ripples = [_scatter_of(lit.supply) / lit.supply.value for lit in lits if lit.supply is not None and lit.supply.value > 0.0]
    if ripples and median(ripples) > _RIPPLE:
        text = f"the supply at the unit ripples by {median(ripples) * 100:.0f} % (effective value) while the lamps are lit"
        yield BenchFault(FaultCode.SUPPLY_RIPPLES, f"{text}: use a battery, or a supply with direct voltage, no battery charger")
    readings = [lit.supply.value for lit in lits if lit.supply is not None]
    low, high = e.conditions.supply_low_v, e.conditions.supply_high_v
    if readings and low is None and not _OF_SYSTEM[0] <= median(readings) / e.conditions.system_v <= _OF_SYSTEM[1]:
        text = f"the supply was {median(readings):.1f} V at the unit while on: no {e.conditions.system_v:g} V system runs at that"
        yield BenchFault(FaultCode.SUPPLY_OUT_OF_RANGE, f"{text}; say which the unit is for, 6, 12 or 24 V")
    if readings and low is not None and high is not None:
        worst = max(readings, key=lambda v: max(low - v, v - high))
        if not low <= worst <= high:
            text = f"the supply was {worst:.2f} V at the unit while on, not {low:.1f} to {high:.1f} V: set it and test again"
            yield BenchFault(FaultCode.SUPPLY_OUT_OF_RANGE, text)
        else:
            yield from _sags(e)


def _sags(e: Evidence) -> Iterator[BenchFault]:
    """Yield the fault of a supply that falls under the lamps by more than the whole loop can make, though it was set right: they get too
    little."""
    read = [
        (c.dark.supply.value - c.lit.supply.value, c.lit.steady.value)
        for c in e.cycles
        if c.on_s > LIT_LEAST_S and c.dark.supply is not None and c.lit.supply is not None and c.lit.steady is not None
    ]
    if not read:
        return
    falls_v, amps = (median(values) for values in zip(*read, strict=True))
    if falls_v > e.conditions.loop_ohm * amps + _SAGS * e.conditions.system_v:
        text = f"the supply falls by {falls_v:.2f} V under {amps:.1f} A, and the loop has {e.conditions.loop_ohm:.2f} ohm at the most"
        yield BenchFault(FaultCode.SUPPLY_SAGS, f"{text}: check its leads and clips, and the supply")


def _scatter_of(end: Reading) -> float:
    """Return by how much the samples scatter behind the value at their end, which a straight line through them gives; in the channel's
    unit."""
    return end.u * math.sqrt(end.n) / 2.0 if end.n >= LINE_LEAST else 0.0


def _supply_gives_way(e: Evidence, most_ohm: float) -> bool:
    """Return whether the fall is the supply's: a supply set too low stands as low without load."""
    idle = e.supply.source_ohm(None)
    return e.supply.idle_v == 0.0 or (idle is not None and idle > most_ohm)
