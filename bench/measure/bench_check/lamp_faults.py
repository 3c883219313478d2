"""The lamps: cold at the first make, hot at the end of a flash, the same from the first flash to the last."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterator, Mapping, Sequence
from statistics import median

from bench.cycles import Cycle, Lit
from bench.lamps import SIGNAL_W, US_RATED_V, US_SYSTEM_V, allowed_current_a, cold_conductance, expected_current_a
from bench.measure.bench_check.steady_flashes import LIT_LEAST_S, lit_s
from bench.measure.evidence import Evidence, systematic_parts
from bench.measure.vocabulary import LAMPS_WRONG, BenchFault, BenchProof, FaultCode, ProofItem

# Excess of a cold lamp's current over its final value: 1.0 after 22 ms, 0.1 after 98 ms at 12 V (computed, 21 W lamps).
INRUSH = 2.0
INRUSH_TAU_S: Mapping[float, float] = {6.0: 0.062, 12.0: 0.033, 24.0: 0.026}
_TOO_MUCH_S = 0.25  # a flash must last so long before more current than expected says anything
_MARGIN = 0.02  # lamps that get less than their test voltage follow the power law of the current no better than this
_OTHER_OFF, _GETS = 0.25, 0.93  # LED lamps follow the supply steeply: 5 % less voltage is 13 % less current (common practice, no source)
_DIED = 0.10  # of the conductance: a lamp of 5 W beside two of 21 W is 0.11 of it
_COUNTS_S = 0.05  # a shorter flash is over before its level can be read
_SETTLED_S = 0.35  # lamps lit for longer are settled; of shorter flashes only those of like length can be compared
_LEAST_FLASH_S = 0.03  # shorter ones (the blip of a two-coil unit) are over before the amplifiers have settled on a level
# Cold resistance: lamps are within 6 % (UN R37), the room within a tenth; leads and switches behind the output's sense lead add their
# own (28 to 45 mohm in the reference rig).
_NOT_COLD, _BANK_OHM = 1.2, 0.045
_NOT_COLD_RECORDED = 2.0  # leads and clamps of a recording are anybody's; lamps lit a second ago have more than twice the cold resistance
_FILMED_OHM, _NOT_COLD_FILMED = 0.2, 2.0  # a film that gives way during the make blurs what is read there
_NEARER, _LESS = 0.5, 0.95  # of the distance to the current of the right lamps; others that take less, for short flashes draw too much
_TOO_MUCH = "one is of a higher wattage, or one too many is lit, or the system is another"


def lamp_faults(e: Evidence, died: int | None) -> Iterator[BenchFault]:
    """Yield other lamps than there should be, lamps that were not cold, or one that failed at the cycle of index `died`."""
    if (part := _other_load(e)) is not None and abs(part - 1.0) > _OTHER_OFF and not _low_at_load(e):
        yield BenchFault(
            FaultCode.LAMP_CURRENT,
            f"the load takes {part * 100:.0f} % of the {e.conditions.other_a:.2f} A that it should: check what is fitted",
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
        yield BenchFault(FaultCode.LAMP_CURRENT, f"the lamps take {part * 100:.0f} % of what {names} should: {why}")
    elif ratios and (other_w := _other_rating(e, least)) is not None:
        text = f"the lamps take {least * 100:.0f} % of what {names} should, as {other_w:g} W lamps do: check what is fitted"
        yield BenchFault(FaultCode.LAMP_CURRENT, text)
    elif ratios and (seen := _cold_ohm(e)) is not None and seen[0] > seen[1]:
        cold_ohm = 1.0 / cold_conductance(e.conditions.lamps_w, e.conditions.system_v)
        yield BenchFault(
            FaultCode.LAMPS_NOT_COLD,
            f"at the first make the load had {seen[0] * 1000:.0f} mohm, cold {names} have {cold_ohm * 1000:.0f}: "
            "the lamps were still warm, or are no filament lamps, or a socket has resistance",
        )
    if died is not None:
        at = died + e.cycles_before + 1
        yield BenchFault(
            FaultCode.LAMP_DIED, f"the lamps' current changed at flash {at}: a lamp or its holder failed; nothing after that counts"
        )


def _ratios(e: Evidence, cycles: Sequence[Cycle]) -> list[tuple[float, float, bool]]:
    """Return the lamps' current at the end of each flash over that of the same lamps when hot, by how much the inrush may still raise it,
    and whether more than expected says anything: lamps behind a film warm up slowly."""
    flashes = [(c.on_s, c.lit) for c in cycles if c.on_s > _LEAST_FLASH_S]
    if not flashes and e.lit_now is not None and lit_s(e) > _LEAST_FLASH_S:
        flashes = [(min(lit_s(e), e.lit_now.settled_s), e.lit_now)]
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
    """Return the rated watts of what is lit: the lamps, and the tell-tale if its terminal is live; all of it passes the shunt."""
    tell_tale = e.conditions.pilot_w > 0.0 and _is_live(e, lit)
    return (*e.conditions.lamps_w, e.conditions.pilot_w) if tell_tale else e.conditions.lamps_w


def _is_filmed(e: Evidence, lit: Lit) -> bool:
    """Return whether the contact lost so much that what the lamps do at first is blurred by it."""
    ohm = _FILMED_OHM * (e.conditions.system_v / 12.0) ** 2  # a heater of the same heat has four times the resistance at twice the voltage
    return lit.drop is not None and lit.drop_a is not None and lit.drop.value > ohm * max(lit.drop_a.value, 0.1)


def _allowed(e: Evidence, lamp_v: float, lamps_w: tuple[float, ...]) -> tuple[float, float]:
    """Return the least and most of the lamps' current over the expected: their tolerance, their age, and what the channel is known to (95
    %)."""
    system_v = e.conditions.system_v
    expected = expected_current_a(lamps_w, system_v, lamp_v)
    low, high = (math.fsum(ends) / expected for ends in zip(*(allowed_current_a(w, system_v, lamp_v) for w in lamps_w), strict=True))
    u = _relative_u(e, expected)
    return low - 2.0 * u - _MARGIN, high + 2.0 * u + _MARGIN


def _relative_u(e: Evidence, current_a: float) -> float:
    """Return the relative standard uncertainty that all readings of such a current share."""
    return math.hypot(*(c.u for c in systematic_parts(e, "i_load", current_a))) / current_a


def _other_load(e: Evidence) -> float | None:
    """Return the part of the expected current that a load of LED lamps or resistors takes; None if it was never lit, or its current is not
    known."""
    lits = [c.lit for c in e.cycles if c.on_s > _LEAST_FLASH_S] or ([e.lit_now] if e.lit_now is not None else [])
    read = [lit.steady.value - _tell_tale_a(e, lit) for lit in lits if lit.steady is not None]
    return median(read) / e.conditions.other_a if e.conditions.other_a and read else None


def _tell_tale_a(e: Evidence, lit: Lit) -> float:
    """Return the current of the tell-tale, which passes the shunt too, in A; 0 while its terminal is dead."""
    if not _is_live(e, lit) or lit.supply is None:
        return 0.0
    return expected_current_a((e.conditions.pilot_w,), e.conditions.system_v, lit.supply.value)


def _is_live(e: Evidence, lit: Lit) -> bool:
    return lit.pilot is not None and lit.pilot.value > 0.4 * e.conditions.system_v


def _low_at_load(e: Evidence) -> bool:
    """Return whether the load gets clearly less than the supply: what an LED lamp then takes says nothing."""
    lits = [c.lit for c in e.cycles] or ([e.lit_now] if e.lit_now is not None else [])
    volts = [(lit.lamp.value, lit.supply.value) for lit in lits if lit.lamp is not None and lit.supply is not None]
    return not volts or median(lamp / supply for lamp, supply in volts) < _GETS


def _other_rating(e: Evidence, part: float) -> float | None:
    """Return the rating of the lighter lamps that stand where the signal lamps should, if the current is clearly nearer to theirs, in W.

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
    """Return what the load had at the first make from cold, less its uncertainty, and the most that cold lamps may have; None if not seen,
    ohm."""
    first = e.first_lit or (e.lit_now if not e.cycles else None)
    if e.is_start_missed or e.applied is None or first is None or first.conductance is None:
        return None
    cold_ohm = 1.0 / cold_conductance(e.conditions.lamps_w, e.conditions.system_v)
    allowed = _NOT_COLD if e.conditions.wiring_known else _NOT_COLD_RECORDED
    most = (_NOT_COLD_FILMED if _is_filmed(e, first) else allowed) * (cold_ohm + _BANK_OHM)
    return (1.0 - 3.0 * first.conductance.u / first.conductance.value) / first.conductance.value, most


def lamps_proof(e: Evidence, died: int | None, wrong: set[str]) -> BenchProof:
    """Return whether the lamps were proved by their current, and why not. `died`: cycle at which one burnt out; `wrong`: codes of faults
    found."""
    if (part := _other_load(e)) is not None and not _low_at_load(e):
        return BenchProof(ProofItem.LAMPS, FaultCode.LAMP_CURRENT not in wrong, f"{part * 100:.0f} % of the expected current")
    if not e.conditions.filament:
        return BenchProof(ProofItem.LAMPS, False, "not filament lamps: their current says nothing")
    if not e.conditions.lamps_w:
        return BenchProof(ProofItem.LAMPS, False, "their watts are not known")
    if "i_load" not in e.accuracies:
        return BenchProof(ProofItem.LAMPS, False, "no current was recorded")
    ratios = _ratios(e, e.cycles if died is None else e.cycles[:died])
    if not ratios:
        return BenchProof(
            ProofItem.LAMPS, False, "no flash in which their current and voltage could be read" if e.cycles else "nothing lit them"
        )
    part = median(r for r, _, _ in ratios)
    return BenchProof(ProofItem.LAMPS, not wrong & LAMPS_WRONG, f"{part * 100:.0f} % of the expected current")


def lamp_died_at(e: Evidence) -> int | None:
    """Return the index of the first kept cycle in which the load itself (its conductance) had changed for good; None if it never did.

    The flash at hand counts as one more: a fixed-load unit whose lamp dies stays on.
    """
    if not e.conditions.filament:
        return None
    usual = median(c.on_s for c in e.cycles) if e.cycles else 0.0
    settled_s = max(min(_SETTLED_S, 0.9 * usual), LIT_LEAST_S)
    # Where a slow instrument reads long before the end of a flash, that is what counts.
    flashes = [(min(c.on_s, c.lit.settled_s), c.lit) for c in e.cycles]
    if e.broke is None and e.lit_now is not None:
        flashes.append((min(lit_s(e), e.lit_now.settled_s), e.lit_now))
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
        before = median(known) if known else 0.0
        if before <= 0.0:
            continue  # nothing flowed before: no load that could have changed
        after = median(g for _, g, _ in loads[k : k + 3])
        changes = loads[k][1] / before - 1.0, after / before - 1.0
        # A flash cut short leaves the filament colder, and its conductance higher: only a fall tells then.
        if max(changes) < -_DIED or (loads[k][2] and min(changes) > _DIED):
            return loads[k][0]
    return None
