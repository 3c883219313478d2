"""The bench as the evidence shows it: what is wrong with it, and what of it was proved, so that nothing of it is charged to the unit.

Strategy. A unit can only be spoken of on a load, a supply and leads that were proved in the same test.

- Lamps. At the first make from cold the load's conductance is that of cold filaments, whatever is in series (a filmed or burnt contact
  shows in the drop, not here). At the end of a flash of any length the lamps draw at least what they draw when hot, at the voltage that
  they get; after a flash of a quarter of a second also at most that. Thus a dead lamp shows in a flash of a twentieth of a second.
- Supply. From every sample (bench.supply): how far the input falls for each ampere; and its level at the end of flashes.
- Leads. From every sample: an output above its input, a current with no voltage behind it.

What could not be looked at is not proved, and says why.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from statistics import median

from bench.cycles import Cycle, Lit
from bench.lamps import SIGNAL_W, US_RATED_V, US_SYSTEM_V, allowed_current_a, cold_siemens, expected_current_a
from bench.measure.evidence import Evidence, rest_is_zero, systematic
from bench.measure.vocabulary import LAMPS_WRONG, QUANTITIES, SUPPLY_GONE, BenchFault, BenchProof
from bench.supply import SwitchedOff
from bench.uncertainty import Estimate, Measurement, NotMeasured

_LIT_LEAST_S = 0.2  # before that the lamps' own inrush hides a change of load
# Excess of a cold lamp's current over its final value: 1.0 after 22 ms, 0.1 after 98 ms at 12 V (computed, 21 W lamps).
INRUSH = 2.0
INRUSH_TAU_S: Mapping[float, float] = {6.0: 0.062, 12.0: 0.033, 24.0: 0.026}
_TOO_MUCH_S = 0.25  # a flash must last so long before more current than expected says anything
_MARGIN = 0.02  # lamps that get less than their test voltage follow the power law of the current no better than this
_OTHER_OFF, _GETS = 0.25, 0.93  # LED lamps follow the supply steeply: 5 % less voltage is 13 % less current (common practice, no source)
_DIED = 0.10
_COUNTS_S = 0.05
_SETTLED_S = 0.35  # lamps lit for longer are settled; of shorter flashes only those of like length can be compared
_LEAST_FLASH_S = 0.03  # shorter ones (the blip of a two-coil unit) are over before the amplifiers have settled on a level
_SUPPLY_OHM: Mapping[float, float] = {6.0: 0.14, 12.0: 0.24, 24.0: 0.69}  # of a supply that will do, beside the loop; a battery has 0.02
# Cold resistance: lamps are within 6 % (UN R37), the room within a tenth; leads and switches behind the output's sense lead add their
# own (28 to 45 mohm in the reference rig).
_NOT_COLD, _BANK_OHM = 1.2, 0.045
_NOT_COLD_RECORDED = 2.0  # leads and clamps of a recording are anybody's; lamps lit a second ago have more than twice the cold resistance
_FILMED_OHM, _NOT_COLD_FILMED = 0.2, 2.0  # a film that gives way during the make blurs what is read there
_DROP_MOVES = 0.03  # of the system voltage, within a flash
_SHOWN_S = 5.0e-3  # a contradiction between channels that lasts longer is none of an edge
_OF_SYSTEM = (0.65, 1.4)  # of a recording, whose supply nobody set: 6 V systems run at 5.5 to 7.5 V, 12 V at 9 to 15, 24 V at 18 to 30
_NEARER, _LESS = 0.5, 0.95  # of the distance to the current of the right lamps; others that take less, for short flashes draw too much
_TOO_MUCH = "one is of a higher wattage, or one too many is lit, or the system is another"
_SHOWN_PART = 0.15  # of the time in which the lamps draw: a lead that is off shows in all of it, noise and edges in little
_GONE_S = 0.1  # without voltage behind a closed master switch; the frames of a slow run show its opening 17 ms late
_STILL_S = 0.25  # samples that repeat for longer are no damage of the line, which hands over a frame or two twice
_STANDARD_K = 5.0  # standard uncertainties, as in a board's own self-test
_RESTED_S = 0.2  # the bench at rest is sampled for longer than that before a unit is switched on
_FED, _HELD = 0.3, 0.97  # of the system voltage; a capacitor of the unit falls by more in half a second, or holds for 20 s
_MOSTLY, _NOTHING_V = 0.5, 1.0
_LOST = 1.0e-3  # of a run's samples: more lost than that and flashes go missing by luck
_TIMED = ("s", "1/min")  # units of what a wrong clock makes worthless
_START = ("start_s", "start_largest_s", "first_light_s", "first_extinction_s", "inrush_first_a", "inrush_ratio")


def check_bench(e: Evidence, died: int | None) -> tuple[tuple[BenchFault, ...], tuple[BenchProof, ...]]:
    """All bench faults that show, none if the bench is in order; and what was proved of it."""
    faults = tuple(_found(e, died))
    return faults, tuple(_proofs(e, died, {fault.code for fault in faults}))


def _found(e: Evidence, died: int | None) -> Iterator[BenchFault]:
    yield from _board(e)
    yield from _leads(e)
    if e.clock.corrected and e.clock_half_width and abs(e.clock.rel_error) > e.clock_half_width + 3.0 * e.clock.u:
        yield BenchFault(
            "clock-off",
            f"the board's clock is {e.clock.rel_error * 100:+.2f} % off, outside its own {e.clock_half_width * 100:g} %: "
            "corrected, but have the board looked at",
            spoils=False,
        )
    if e.lost_part > _LOST:
        yield BenchFault(
            "samples-lost",
            f"{e.lost_part * 100:.1f} % of the samples never came: use another cable or USB port, away from hubs, and test again",
            spoils=False,
        )
    yield from _supply(e)
    yield from _lamps(e, died)


def _board(e: Evidence) -> Iterator[BenchFault]:
    """What the board's frames show that no unit can do."""
    if e.clock.wrong:
        yield BenchFault(
            "board-clock",
            f"{e.clock.wrong}, and the board states {e.clock_half_width * 100:g} %: nothing that was timed counts; have its clock and its "
            "description looked at, or use another board",
        )
    if e.still_s > _STILL_S:
        text = f"the board sent the same samples again for {e.still_s:.1f} s: its converter or its buffer stands still"
        yield BenchFault("samples-still", f"{text}; restart it, and have it looked at if that does not help")
    for name, (read, should, u) in e.standards.items():
        if abs(read - should) > _STANDARD_K * u:
            text = f"the built-in standard {name} reads {read:.4g} and should read {should:.4g}: the converter or its reference is off"
            yield BenchFault("standard-off", f"{text}; have the board calibrated or put right")
    if e.supply.not_shown_s > max(_SHOWN_S, _SHOWN_PART * e.supply.parted_s):
        text = "the drop does not show that the contact is open while input and output do: its amplifier is stuck or its scale wrong"
        yield BenchFault("drop-stuck", f"{text}; have the board put right")
    yield from _two_currents(e)
    if e.supply.off.span_s > 0.0:
        yield from _two_drops(e)
    if e.supply.off.span_s > _RESTED_S:
        yield from _switched_off(e, e.supply.off)


def _two_currents(e: Evidence) -> Iterator[BenchFault]:
    """The wide and the narrow range of the current against each other."""
    *read, seconds = e.supply.both_a
    names = ("i_load", "i_load_low")
    if seconds <= _SHOWN_S or not all(name in e.rest and rest_is_zero(e, name) for name in names):
        return
    wide_a, fine_a = (a - e.rest[name].value for name, a in zip(names, read, strict=True))
    parts = (*systematic(e, "i_load", wide_a), *systematic(e, "i_load_low", fine_a))
    if abs(wide_a - fine_a) > _STANDARD_K * math.hypot(*(c.u for c in parts)):
        text = f"i_load reads {wide_a:.2f} A while i_load_low reads {fine_a:.2f} A: the scale of one of them is wrong"
        yield BenchFault("currents-differ", f"{text}; have the board calibrated or put right")


def _two_drops(e: Evidence) -> Iterator[BenchFault]:
    """Of a board: input less output against the drop, while the drop's amplifier was in range."""
    lits = [lit for lit in _steadily_lit(e, e.cycles) if not lit.by_difference]
    read = [(lit.supply.value, lit.lamp.value, lit.drop.value) for lit in lits if lit.supply and lit.lamp and lit.drop]
    if not read:
        return
    input_v, output_v, drop_v = (median(values) for values in zip(*read, strict=True))
    parts = (*systematic(e, "v_in", input_v), *systematic(e, "v_out", output_v), *systematic(e, "v_drop", drop_v, {"v_in": input_v}))
    least_v = _STANDARD_K * math.hypot(*(c.u for c in parts))
    apart_v = input_v - output_v - drop_v
    # The drop is the lowest of the flash, and may have been more at its end, where the voltages are read.
    if apart_v < -least_v or apart_v > least_v + max(drop_v, 0.0) + _DROP_MOVES * e.conditions.system_v:
        text = f"input less output is {input_v - output_v:.2f} V while v_drop reads {drop_v:.2f} V: the scale of one of the three is wrong"
        yield BenchFault("drops-differ", f"{text}; have the board calibrated or put right")


def _switched_off(e: Evidence, off: SwitchedOff) -> Iterator[BenchFault]:
    """What the board showed with the master switch open, when nothing can flow and nothing feeds the input."""
    first_v, lowest_v = off.input_v or (0.0, 0.0)
    if lowest_v > max(_FED * e.conditions.system_v, _HELD * first_v):
        text = f"the input shows {first_v:.1f} V with the master switch open, and it does not fall"
        yield BenchFault("input-fed", f"{text}: the switch is bridged, or the board's samples stand still")
    for name, read_s in off.read_s.items():
        # A capacitor in the unit may hold the input up for a while, and then there is a drop.
        if read_s > _MOSTLY * off.span_s and (name != "v_drop" or first_v < _NOTHING_V):
            text = f"{name} does not read 0 with the master switch open: its zero is far off, or it is stuck"
            yield BenchFault("not-zero", f"{text}; have the board calibrated or put right")


def _leads(e: Evidence) -> Iterator[BenchFault]:
    shown_s = max(_SHOWN_S, _SHOWN_PART * e.supply.drawing_s)
    if e.supply.input_lost_s > shown_s:
        yield BenchFault("sense-in-off", "the lamps draw their current but the input reads less than the output: sense lead SB is off")
    elif e.supply.swapped_s > _SHOWN_S:
        text = "the output reads more than the input: swap the sense leads SB and SL, or the unit is in backwards"
        yield BenchFault("sense-leads-swapped", text)
    elif e.supply.output_lost_s > shown_s:
        yield BenchFault("sense-out-off", "the lamps draw their current but the output reads nothing: sense lead SL is off")


def _supply(e: Evidence) -> Iterator[BenchFault]:
    if e.supply.gone_s > _GONE_S and e.supply.input_lost_s <= _SHOWN_S:
        text = f"the supply went away while the unit was on: nothing stood at its input for {e.supply.gone_s:.1f} s"
        yield BenchFault(SUPPLY_GONE, f"{text}; look at plugs, fuse and current limit, and test again")
    ohm = e.supply.source_ohm(e.conditions.open_v)
    most_ohm = e.conditions.loop_ohm + _SUPPLY_OHM[e.conditions.system_v]  # the loop lies in part behind the input, how much is not known
    if ohm is not None and ohm > most_ohm and _supply_gives_way(e, most_ohm):
        yield BenchFault(
            "supply-limited",
            f"the supply gives way under the inrush as if {ohm:.2f} ohm were in the lead: use a battery, or a supply of 40 A",
        )
    lits = _steadily_lit(e, e.cycles)
    readings = [lit.supply.value for lit in lits if lit.supply is not None]
    low, high = e.conditions.supply_low_v, e.conditions.supply_high_v
    if readings and low is None and not _OF_SYSTEM[0] <= median(readings) / e.conditions.system_v <= _OF_SYSTEM[1]:
        text = f"the supply was {median(readings):.1f} V at the unit while on: no {e.conditions.system_v:g} V system runs at that"
        yield BenchFault("supply-out-of-range", f"{text}; say which the unit is for, 6, 12 or 24 V")
    if readings and low is not None and high is not None:
        worst = max(readings, key=lambda v: max(low - v, v - high))
        if not low <= worst <= high:
            text = f"the supply was {worst:.2f} V at the unit while on, not {low:.1f} to {high:.1f} V: set it and test again"
            yield BenchFault("supply-out-of-range", text)


def _supply_gives_way(e: Evidence, most_ohm: float) -> bool:
    """Whether the fall is the supply's: a supply set too low stands as low without load."""
    idle = e.supply.source_ohm(None)
    return e.supply.idle_v == 0.0 or (idle is not None and idle > most_ohm)


def _ratios(e: Evidence, cycles: Sequence[Cycle]) -> list[tuple[float, float, bool]]:
    """The lamps' current at the end of each flash over that of the same lamps when hot, by how much the inrush may still raise it, and
    whether more than expected says anything: lamps behind a film warm up slowly."""
    flashes = [(c.on_s, c.lit) for c in cycles if c.on_s > _LEAST_FLASH_S]
    if not flashes and e.lit_now is not None and _lit_s(e) > _LEAST_FLASH_S:
        flashes = [(min(_lit_s(e), e.lit_now.settled_s), e.lit_now)]
    return [
        (
            lit.steady.value / expected_current_a(_lit_w(e, lit), e.conditions.system_v, lit.lamp.value),
            1.0 + INRUSH * math.exp(-on_s / INRUSH_TAU_S[e.conditions.system_v]),
            on_s > _TOO_MUCH_S and not _is_filmed(e, lit),
        )
        for on_s, lit in flashes
        if lit.steady is not None and lit.lamp is not None and lit.lamp.value > 0.3 * e.conditions.system_v
    ]


def _lit_w(e: Evidence, lit: Lit) -> tuple[float, ...]:
    """Rated watts of what is lit: the lamps, and the tell-tale if its terminal is live; all of it passes the shunt."""
    tell_tale = e.conditions.pilot_w > 0.0 and _is_live(e, lit)
    return (*e.conditions.lamps_w, e.conditions.pilot_w) if tell_tale else e.conditions.lamps_w


def _is_filmed(e: Evidence, lit: Lit) -> bool:
    """Whether the contact lost so much that what the lamps do at first is blurred by it."""
    ohm = _FILMED_OHM * (e.conditions.system_v / 12.0) ** 2  # a heater of the same heat has four times the resistance at twice the voltage
    return lit.drop is not None and lit.drop_a is not None and lit.drop.value > ohm * max(lit.drop_a.value, 0.1)


def _allowed(e: Evidence, lamp_v: float, lamps_w: tuple[float, ...]) -> tuple[float, float]:
    """Least and most of the lamps' current over the expected: their tolerance, their age, and what the channel is known to (95 %)."""
    system_v = e.conditions.system_v
    expected = expected_current_a(lamps_w, system_v, lamp_v)
    low, high = (math.fsum(ends) / expected for ends in zip(*(allowed_current_a(w, system_v, lamp_v) for w in lamps_w), strict=True))
    u = _relative_u(e, expected)
    return low - 2.0 * u - _MARGIN, high + 2.0 * u + _MARGIN


def _relative_u(e: Evidence, current_a: float) -> float:
    """Relative standard uncertainty that all readings of such a current share."""
    return math.hypot(*(c.u for c in systematic(e, "i_load", current_a))) / current_a


def _other_load(e: Evidence) -> float | None:
    """Part of the expected current that a load of LED lamps or resistors takes; None if it was never lit, or its current is not known."""
    lits = [c.lit for c in e.cycles if c.on_s > _LEAST_FLASH_S] or ([e.lit_now] if e.lit_now is not None else [])
    read = [lit.steady.value - _tell_tale_a(e, lit) for lit in lits if lit.steady is not None]
    return median(read) / e.conditions.other_a if e.conditions.other_a and read else None


def _tell_tale_a(e: Evidence, lit: Lit) -> float:
    """Current of the tell-tale, which passes the shunt too, in A; 0 while its terminal is dead."""
    if not _is_live(e, lit) or lit.supply is None:
        return 0.0
    return expected_current_a((e.conditions.pilot_w,), e.conditions.system_v, lit.supply.value)


def _is_live(e: Evidence, lit: Lit) -> bool:
    return lit.pilot is not None and lit.pilot.value > 0.4 * e.conditions.system_v


def _lamps(e: Evidence, died: int | None) -> Iterator[BenchFault]:
    if (part := _other_load(e)) is not None and abs(part - 1.0) > _OTHER_OFF and not _low_at_load(e):
        yield BenchFault(
            "lamp-current", f"the load takes {part * 100:.0f} % of the {e.conditions.other_a:.2f} A that it should: look at what is fitted"
        )
    if not e.conditions.lamps_w or not e.conditions.filament:
        return
    names = " + ".join(f"{w:g} W" for w in e.conditions.lamps_w)
    ratios = _ratios(e, e.cycles if died is None else e.cycles[:died])
    some = next((c.lit for c in e.cycles if c.on_s > _LEAST_FLASH_S), e.lit_now)
    lit_w = e.conditions.lamps_w if some is None else _lit_w(e, some)
    low, high = _allowed(e, 12.8 * e.conditions.system_v / 12.0, lit_w)
    least = median(r for r, _, _ in ratios) if ratios else 1.0
    most = median([r / raised for r, raised, settled in ratios if settled] or [1.0])
    if least < low or most > high:
        part, why = (least, "one is dead, or of a lower wattage, or its holder is bad") if least < low else (most, _TOO_MUCH)
        yield BenchFault("lamp-current", f"the lamps take {part * 100:.0f} % of what {names} should: {why}")
    elif ratios and (other_w := _other_rating(e, least)) is not None:
        text = f"the lamps take {least * 100:.0f} % of what {names} should, as {other_w:g} W lamps do: look at what is fitted"
        yield BenchFault("lamp-current", text)
    elif ratios and (seen := _cold_ohm(e)) is not None and seen[0] > seen[1]:
        cold_ohm = 1.0 / cold_siemens(e.conditions.lamps_w, e.conditions.system_v)
        yield BenchFault(
            "lamps-not-cold",
            f"at the first make the load had {seen[0] * 1000:.0f} mohm, cold {names} have {cold_ohm * 1000:.0f}: "
            "the lamps were still warm, or are no filament lamps, or a socket has resistance",
        )
    if died is not None:
        at = died + e.cycles_before + 1
        yield BenchFault("lamp-died", f"the lamps' current changed at flash {at}: a lamp or its holder failed; nothing after that counts")


def _other_rating(e: Evidence, part: float) -> float | None:
    """Rating of the lighter lamps that stand where the signal lamps should, if the current is clearly nearer to theirs; else None.

    US lamps may differ by a tenth from their catalogue, by as much as one rating from the next: within that tolerance the nearer wins.
    """
    signal_w = max(e.conditions.lamps_w)
    if e.conditions.system_v != US_SYSTEM_V or signal_w not in SIGNAL_W:
        return None
    right_a = expected_current_a(e.conditions.lamps_w, US_SYSTEM_V, US_RATED_V)
    part = min(1.0, part + 2.0 * _relative_u(e, right_a))  # beyond what the channel may be off by
    for other_w in SIGNAL_W:
        swapped = [other_w if watts == signal_w else watts for watts in e.conditions.lamps_w]
        other = expected_current_a(swapped, US_SYSTEM_V, US_RATED_V) / right_a
        if other < _LESS and abs(part - other) < _NEARER * abs(part - 1.0):
            return other_w
    return None


def _cold_ohm(e: Evidence) -> tuple[float, float] | None:
    """What the load had at the first make from cold, less its uncertainty, and the most that cold lamps may have; None if not seen, ohm."""
    first = e.first_lit or (e.lit_now if not e.cycles else None)
    if e.start_missed or e.applied is None or first is None or first.siemens is None:
        return None
    cold_ohm = 1.0 / cold_siemens(e.conditions.lamps_w, e.conditions.system_v)
    allowed = _NOT_COLD if e.conditions.wiring_known else _NOT_COLD_RECORDED
    most = (_NOT_COLD_FILMED if _is_filmed(e, first) else allowed) * (cold_ohm + _BANK_OHM)
    return (1.0 - 3.0 * first.siemens.u / first.siemens.value) / first.siemens.value, most


def _proofs(e: Evidence, died: int | None, wrong: set[str]) -> Iterator[BenchProof]:
    yield _lamps_proof(e, died, wrong)
    loaded = e.supply.loaded
    if loaded is None:
        yield BenchProof("supply", False, "nothing drew more than 2 A")
    else:
        kept = not wrong & {"supply-limited", "supply-out-of-range", SUPPLY_GONE}
        yield BenchProof("supply", kept, f"{loaded[0]:.2f} V at {loaded[1]:.1f} A at the lowest")
    seen = loaded is not None and not wrong & {"sense-in-off", "sense-out-off", "sense-leads-swapped"}
    shown = "both followed the contact; where they are clipped, only the link shows"
    yield BenchProof("sense leads", seen, shown if seen else "no current by which to tell them")


def _low_at_load(e: Evidence) -> bool:
    """Whether the load gets clearly less than the supply: what an LED lamp then takes says nothing."""
    lits = [c.lit for c in e.cycles] or ([e.lit_now] if e.lit_now is not None else [])
    volts = [(lit.lamp.value, lit.supply.value) for lit in lits if lit.lamp is not None and lit.supply is not None]
    return not volts or median(lamp / supply for lamp, supply in volts) < _GETS


def _lamps_proof(e: Evidence, died: int | None, wrong: set[str]) -> BenchProof:
    if (part := _other_load(e)) is not None and not _low_at_load(e):
        return BenchProof("lamps", "lamp-current" not in wrong, f"{part * 100:.0f} % of the expected current")
    if not e.conditions.filament:
        return BenchProof("lamps", False, "not filament lamps: their current says nothing")
    if not e.conditions.lamps_w:
        return BenchProof("lamps", False, "their watts are not known")
    if "i_load" not in e.accuracies:
        return BenchProof("lamps", False, "no current was recorded")
    ratios = _ratios(e, e.cycles if died is None else e.cycles[:died])
    if not ratios:
        return BenchProof("lamps", False, "no flash in which their current and voltage could be read" if e.cycles else "nothing lit them")
    part = median(r for r, _, _ in ratios)
    return BenchProof("lamps", not wrong & LAMPS_WRONG, f"{part * 100:.0f} % of the expected current")


def _steadily_lit(e: Evidence, cycles: Sequence[Cycle]) -> list[Lit]:
    """Flashes that outlast the inrush; without one, what is lit now if that does."""
    lits = [c.lit for c in cycles if c.on_s > _LIT_LEAST_S]
    return lits or ([e.lit_now] if e.lit_now is not None and _lit_s(e) > _LIT_LEAST_S else [])


def _lit_s(e: Evidence) -> float:
    """How long the flash at hand has been, or was, lit; since it was found lit if its make was not seen."""
    if e.begun is None:
        return e.end_s - e.state_since_s if e.closed_now else 0.0
    return (e.broke.t_s if e.broke is not None else e.end_s) - e.begun.t_s


def lamp_died_at(e: Evidence) -> int | None:
    """Index of the first kept cycle in which the load itself (its conductance) had changed for good; None if it never did.

    The flash at hand counts as one more: a fixed-load unit whose lamp dies stays on.
    """
    if not e.conditions.filament:
        return None
    usual = median(c.on_s for c in e.cycles) if e.cycles else 0.0
    settled_s = max(min(_SETTLED_S, 0.9 * usual), _LIT_LEAST_S)
    # Where a slow instrument reads long before the end of a flash, that is what counts.
    flashes = [(min(c.on_s, c.lit.settled_s), c.lit) for c in e.cycles]
    if e.broke is None and e.lit_now is not None:
        flashes.append((min(_lit_s(e), e.lit_now.settled_s), e.lit_now))
    loads = [
        (i, lit.steady.value / lit.lamp.value, on_s > settled_s)
        for i, (on_s, lit) in enumerate(flashes)
        if on_s > _COUNTS_S and lit.steady is not None and lit.lamp is not None and lit.lamp.value > 0.3 * e.conditions.system_v
    ]
    known: deque[float] = deque(maxlen=3)
    for k in range(1, len(loads)):
        _, g, settled = loads[k - 1]
        if settled:
            known.append(g)
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
        if fault.code == "board-clock":
            for name, value in found.items():
                if QUANTITIES[name].unit in _TIMED and isinstance(value, Estimate):
                    found[name] = NotMeasured(fault.text, "bench")
        if fault.code == "lamp-died":
            for name, value in found.items():
                if isinstance(value, NotMeasured):
                    found[name] = replace(value, fault="bench")
    return found
