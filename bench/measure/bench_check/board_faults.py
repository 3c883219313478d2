"""What the board itself shows, against what no unit can do: its clock, its samples, its standards, one channel against another."""

from __future__ import annotations

import math
from collections.abc import Iterator
from statistics import median

from bench.measure.bench_check.steady_flashes import steadily_lit
from bench.measure.evidence import Evidence, correct, rest_is_zero, systematic_parts
from bench.measure.vocabulary import BenchFault, FaultCode
from bench.supply import SwitchedOff

SHOWN_S = 5.0e-3
"""A contradiction between channels that lasts longer is none of an edge."""
SHOWN_PART = 0.15
"""Of the time in which it could show: what is off shows in all of it, noise and edges in little."""
_JUMPS_S, _JUMPS_PART = 0.05, 0.03  # beside an edge a sample or two, in slow sampling at 240 flashes a minute 0.008 of the time
_DROP_MOVES = 0.03  # of the system voltage, within a flash
_IN_A_ROW = 3  # flashes whose median counts, so that no single reading does
_MOVES_ALONE, _SHOWN_WITH_IT = 0.1 / 12.0, 0.25  # of the system voltage, as of a film; of that, what input less output shows at least
_STILL_S = 0.25  # samples that repeat for longer in all are no damage of the line, which hands over a frame or two twice
_STANDARD_K = 5.0  # standard uncertainties, as in a board's own self-test
_RESTED_S = 0.2  # the bench at rest is sampled for longer than that before a unit is switched on
_FED, _HELD = 0.3, 0.97  # of the system voltage; a capacitor of the unit falls by more in half a second, or holds for 20 s
_MOSTLY, _NOTHING_V = 0.5, 1.0  # of the time looked at; at the input, below which no capacitor holds anything up
_LOST = 1.0e-3  # of a run's samples: more lost than that and flashes go missing by luck


def board_faults(e: Evidence) -> Iterator[BenchFault]:
    """Yield what the board's frames show that no unit can do."""
    if e.clock.wrong:
        yield BenchFault(
            FaultCode.BOARD_CLOCK,
            f"{e.clock.wrong}, and the board states {e.clock_half_width * 100:g} %: nothing that was timed counts; have its clock and its "
            "description checked, or use another board",
        )
    if e.still_s > _STILL_S:
        text = f"the board sent the same samples again for {e.still_s:.1f} s in all: its converter or its buffer stands still"
        yield BenchFault(FaultCode.SAMPLES_STILL, f"{text}; restart it, and have it checked if that does not help")
    for name, (read, should, u) in e.standards.items():
        if abs(read - should) > _STANDARD_K * u:
            text = f"the built-in standard {name} reads {read:.4g} and should read {should:.4g}: the converter or its reference is off"
            yield BenchFault(FaultCode.STANDARD_OFF, f"{text}; have the board calibrated or put right")
    if e.supply.not_shown_s > max(SHOWN_S, SHOWN_PART * e.supply.parted_s):
        text = "the drop does not show that the contact is open while input and output do: its amplifier is stuck or its scale wrong"
        yield BenchFault(FaultCode.DROP_STUCK, f"{text}; have the board put right")
    if e.supply.jumping_s > max(_JUMPS_S, _JUMPS_PART * e.supply.on_s):
        text = f"the output jumps from sample to sample while input and current stand still, for {e.supply.jumping_s:.2g} s"
        yield BenchFault(FaultCode.OUTPUT_JUMPS, f"{text}: sense lead SL is loose, or its channel is broken; check both and test again")
    if e.comparator_against_s > 0.0:
        text = f"the board contradicts itself: its comparator says of the output what samples do not, for {e.comparator_against_s:.2g} s"
        yield BenchFault(FaultCode.COMPARATOR_AGAINST, f"{text}; restart it, and have it checked if that does not help")
    yield from _two_currents(e)
    if e.supply.off.span_s > 0.0:
        yield from _two_drops(e)
    if e.supply.off.span_s > _RESTED_S:
        yield from _switched_off(e, e.supply.off)


def link_faults(e: Evidence) -> Iterator[BenchFault]:
    """Yield what is wrong with the clock or was lost on the line, and was corrected or counted: it spoils nothing."""
    if e.clock.corrected and e.clock_half_width and abs(e.clock.rel_error) > e.clock_half_width + 3.0 * e.clock.u:
        yield BenchFault(
            FaultCode.CLOCK_OFF,
            f"the board's clock is {e.clock.rel_error * 100:+.2f} % off, outside its own {e.clock_half_width * 100:g} %: "
            "corrected, but have the board checked",
            spoils=False,
        )
    if e.lost_part > _LOST:
        yield BenchFault(
            FaultCode.SAMPLES_LOST,
            f"{e.lost_part * 100:.1f} % of the samples never came: use another cable or USB port, away from hubs, and test again",
            spoils=False,
        )


def _two_currents(e: Evidence) -> Iterator[BenchFault]:
    """Compare the wide and the narrow range of the current."""
    *read, seconds = e.supply.both_a
    names = ("i_load", "i_load_low")
    if seconds <= SHOWN_S or not all(name in e.rest and rest_is_zero(e, name) for name in names):
        return
    wide_a, fine_a = (correct(e, name, a - e.rest[name].value) for name, a in zip(names, read, strict=True))
    parts = (*systematic_parts(e, "i_load", wide_a), *systematic_parts(e, "i_load_low", fine_a))
    if abs(wide_a - fine_a) > _STANDARD_K * math.hypot(*(c.u for c in parts)):
        text = f"i_load reads {wide_a:.2f} A while i_load_low reads {fine_a:.2f} A: the scale of one of them is wrong"
        yield BenchFault(FaultCode.CURRENTS_DIFFER, f"{text}; have the board calibrated or put right")


def _two_drops(e: Evidence) -> Iterator[BenchFault]:
    """Compare input less output with the drop, while the drop's amplifier was in range (of a board only)."""
    lits = [lit for lit in steadily_lit(e, e.cycles) if not lit.by_difference]
    read = [(lit.supply.value, lit.lamp.value, lit.drop.value) for lit in lits if lit.supply and lit.lamp and lit.drop]
    if not read:
        return
    # A scale may go wrong in the midst of a run: a few flashes in a row, so that no single reading counts.
    rows = [read[i : i + _IN_A_ROW] for i in range(max(len(read) - _IN_A_ROW, 0) + 1)]
    levels = [(median(v_in for v_in, _, _ in some), median(out for _, out, _ in some), median(v for _, _, v in some)) for some in rows]
    for input_v, output_v, drop_v in levels:
        if _is_apart(e, input_v, output_v, drop_v):
            text = f"input less output is {input_v - output_v:.2f} V while v_drop reads {drop_v:.2f} V: the scale of one of them is wrong"
            yield BenchFault(FaultCode.DROPS_DIFFER, f"{text}; have the board calibrated or put right")
            return
    least, most = (pick(levels, key=lambda level: level[2]) for pick in (min, max))
    moved_v, shown_v = most[2] - least[2], (most[0] - most[1]) - (least[0] - least[1])
    # What readings of the same inputs, near each other, differ by for counts and linearity.
    unsure_v = _STANDARD_K * math.hypot(*(e.accuracies[name].u_apart for name in ("v_in", "v_out", "v_drop")))
    if moved_v > max(_MOVES_ALONE * e.conditions.system_v, unsure_v) and shown_v < _SHOWN_WITH_IT * moved_v:
        text = f"v_drop moved by {moved_v:.2f} V in the run, and input less output by {shown_v:.2f} V: one of them does not read right"
        yield BenchFault(FaultCode.DROPS_DIFFER, f"{text}; check the sense leads, and have the board put right")


def _is_apart(e: Evidence, input_v: float, output_v: float, drop_v: float) -> bool:
    """Return whether input less output and the drop can't be of one contact."""
    of_drop = systematic_parts(e, "v_drop", drop_v, {"v_in": input_v})
    parts = (*systematic_parts(e, "v_in", input_v), *systematic_parts(e, "v_out", output_v), *of_drop)
    least_v = _STANDARD_K * math.hypot(*(c.u for c in parts))
    apart_v = input_v - output_v - drop_v
    # The drop is the lowest of the flash, and may have been more at its end, where the voltages are read.
    return apart_v < -least_v or apart_v > least_v + max(drop_v, 0.0) + _DROP_MOVES * e.conditions.system_v


def _switched_off(e: Evidence, off: SwitchedOff) -> Iterator[BenchFault]:
    """Yield what the board showed with the master switch open, when nothing can flow and nothing feeds the input."""
    first_v, lowest_v = off.input_v or (0.0, 0.0)
    if lowest_v > max(_FED * e.conditions.system_v, _HELD * first_v):
        text = f"the input shows {first_v:.1f} V with the master switch open, and it does not fall"
        yield BenchFault(FaultCode.INPUT_FED, f"{text}: the switch is bridged, or the board's samples stand still")
    for name, read_s in off.read_s.items():
        # A capacitor in the unit may hold the input up for a while, and then there is a drop.
        if read_s > _MOSTLY * off.span_s and (name != "v_drop" or first_v < _NOTHING_V):
            text = f"{name} does not read 0 with the master switch open: its zero is far off, or it is stuck"
            yield BenchFault(FaultCode.NOT_ZERO, f"{text}; have the board calibrated or put right")
