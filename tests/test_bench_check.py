"""Faults of the bench from evidence written by hand: what lies on this side of a limit is no fault, what lies on the other is."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from hand_evidence import ACCURACY, STEADY_A, TWO_LAMPS, cycles, dark, evidence, lit, measured, reason

from bench.clock import ClockEstimate
from bench.measure import BenchFault, Conditions, Measured
from bench.measure.bench_check import check_bench
from bench.readings import Reading
from bench.supply import SupplyEvidence
from bench.uncertainty import Component, NotMeasured

FLASHES = [(0.4, 0.3)] * 6
CLOCK_U = 4e-5


def faults(lits: Any = None, on_off_s: Any = FLASHES, **changes: Any) -> tuple[BenchFault, ...]:
    return check_bench(evidence(cycles(on_off_s, lits), **changes), None)[0]


def codes(lits: Any = None, on_off_s: Any = FLASHES, **changes: Any) -> list[str]:
    return [fault.code for fault in faults(lits, on_off_s, **changes)]


def proof(item: str, lits: Any = None, on_off_s: Any = FLASHES, **changes: Any) -> tuple[bool, str]:
    of = cycles(on_off_s, lits)
    (found,) = [one for one in check_bench(evidence(of, **changes), None)[1] if one.item == item]
    return found.proved, found.text


def drawing(part: float) -> Any:
    """Lamps that take this part of what two 21 W lamps take at their voltage."""
    return lit(steady=part * STEADY_A)


def test_a_bench_in_order() -> None:
    assert codes() == []


# Clock and link.


@pytest.mark.parametrize(("off", "named"), [(5.1e-3, False), (5.13e-3, True), (-5.1e-3, False), (-5.13e-3, True)])
def test_a_clock_is_off_beyond_its_own_half_width_and_three_uncertainties(off: float, named: bool) -> None:
    """0.5 % and 3 x 40 ppm."""
    clock = ClockEstimate(off, (Component("fit", CLOCK_U),), True, 20.0)
    found = faults(clock=clock, clock_half_width=5e-3)
    assert [one.code for one in found] == ["clock-off"] * named
    if named:
        assert not found[0].spoils and f"{off * 100:+.2f} % off, outside its own 0.5 %" in found[0].text
    assert codes(clock=replace(clock, corrected=False), clock_half_width=5e-3) == []
    assert codes(clock=replace(clock, rel_error=2 * off)) == ["clock-off"]
    assert codes(clock=replace(clock, rel_error=2 * off), clock_half_width=0.0) == []


@pytest.mark.parametrize(("part", "named"), [(0.9e-3, False), (1.1e-3, True), (0.02, True)])
def test_one_sample_in_a_thousand_may_be_lost(part: float, named: bool) -> None:
    found = faults(lost_part=part)
    assert [one.code for one in found] == ["samples-lost"] * named
    assert not named or (f"{part * 100:.1f} % of the samples" in found[0].text and not found[0].spoils)


# Leads and supply.


@pytest.mark.parametrize(
    ("seen", "found"),
    [
        ({"input_lost_s": 0.29}, []),
        ({"input_lost_s": 0.31}, ["sense-in-off"]),
        ({"output_lost_s": 0.29}, []),
        ({"output_lost_s": 0.31}, ["sense-out-off"]),
        ({"swapped_s": 4e-3}, []),
        ({"swapped_s": 6e-3}, ["sense-leads-swapped"]),
        ({"input_lost_s": 4e-3, "drawing_s": 0.01}, []),
        ({"input_lost_s": 6e-3, "drawing_s": 0.01}, ["sense-in-off"]),
        ({"input_lost_s": 1.0, "swapped_s": 1.0, "output_lost_s": 1.0}, ["sense-in-off"]),
        ({"swapped_s": 1.0, "output_lost_s": 1.0}, ["sense-leads-swapped"]),
    ],
)
def test_a_lead_that_is_off_shows_in_more_than_a_sixth_of_the_time(seen: dict[str, Any], found: list[str]) -> None:
    """The lamps drew for 2 s: 0.15 of that are 0.3 s. What lasts no longer than 5 ms is an edge."""
    supply = replace(SupplyEvidence((12.4, 30.0), 12.9, drawing_s=2.0), **seen)
    assert codes(supply=supply) == found
    assert proof("sense leads", supply=supply)[0] is (not found)


@pytest.mark.parametrize(("system_v", "supply_ohm"), [(6.0, 0.14), (12.0, 0.24), (24.0, 0.69)])
@pytest.mark.parametrize("loop_ohm", [None, 0.05, 0.4])
def test_a_supply_that_gives_way(system_v: float, supply_ohm: float, loop_ohm: float | None) -> None:
    """So many ohms between the voltage without load and that under the inrush, beside those that the board states; 0.10 and twice 0.03
    where nobody states any."""
    conditions = Conditions(system_v, filament=False)
    if loop_ohm is not None:
        conditions = replace(conditions, loop_ohm=loop_ohm)
    most_ohm = supply_ohm + (0.16 if loop_ohm is None else loop_ohm)
    for ohm, named in ((most_ohm - 0.01, False), (most_ohm + 0.01, True)):
        idle_v = 1.05 * system_v
        amps = 0.8 * idle_v / ohm
        sunk = SupplyEvidence((idle_v - ohm * amps, amps), idle_v, drawing_s=2.0)
        level = lit(supply=system_v)
        found = faults(level, conditions=conditions, supply=sunk)
        assert [one.code for one in found] == ["supply-limited"] * named, ohm
        assert not named or f"as if {ohm:.2f} ohm" in found[0].text
        assert proof("supply", level, conditions=conditions, supply=sunk)[0] is not named
        assert not named or found[0].spoils


def test_a_supply_that_went_away() -> None:
    """For longer than 20 ms; a sense lead that is off shows the same in the dark."""
    for gone_s, named in ((0.019, []), (0.021, ["supply-gone"]), (3.0, ["supply-gone"])):
        supply = SupplyEvidence((12.4, 30.0), 12.9, drawing_s=2.0, gone_s=gone_s)
        assert codes(supply=supply) == named and proof("supply", supply=supply)[0] is (not named)
        assert all(fault.spoils and f"for {gone_s:.2f} s" in fault.text for fault in faults(supply=supply))
    assert codes(supply=SupplyEvidence((12.4, 30.0), 12.9, drawing_s=2.0, gone_s=1.0, input_lost_s=1.9)) == ["sense-in-off"]


def test_a_supply_that_came_again_had_gone() -> None:
    """Of a board, whose master switch stays closed; of a recording it was switched off. Leads that are wrong, and a supply that gives way,
    show the same."""
    on = SupplyEvidence((12.4, 30.0), 12.9, drawing_s=2.0, on_s=5.0)
    assert codes(supply=on) == []
    (fault,) = faults(supply=on, came_again=True)
    assert (fault.code, fault.spoils) == ("supply-gone", True)
    assert "for a moment" in fault.text
    assert codes(supply=replace(on, on_s=0.0), came_again=True) == []
    assert codes(supply=replace(on, swapped_s=1.0), came_again=True) == ["sense-leads-swapped"]
    assert codes(supply=replace(on, input_lost_s=1.0), came_again=True) == ["sense-in-off"]
    assert codes(supply=replace(on, loaded=(3.0, 25.0)), came_again=True) == ["supply-limited"]


def test_a_supply_set_too_low_does_not_give_way() -> None:
    """Set to 13 V, it stands at 12.2 V without load: under 25 A it falls by 0.34 ohm from there, though by 0.37 from 13 V."""
    conditions = replace(TWO_LAMPS, open_v=13.0)
    assert codes(conditions=conditions, supply=SupplyEvidence((3.7, 25.0), 12.2, drawing_s=2.0)) == []
    assert codes(conditions=conditions, supply=SupplyEvidence((3.3, 25.0), 12.2, drawing_s=2.0)) == ["supply-limited"]
    assert codes(conditions=conditions, supply=SupplyEvidence((3.7, 25.0), 0.0, drawing_s=2.0)) == ["supply-limited"], "never seen idle"
    assert codes(conditions=conditions, supply=SupplyEvidence((4.5, 25.0), 0.0, drawing_s=2.0)) == []


@pytest.mark.parametrize(("volts", "named"), [(12.29, True), (12.3, False), (13.3, False), (13.31, True)])
def test_the_supply_must_be_where_it_was_asked_to_be_in_every_flash(volts: float, named: bool) -> None:
    conditions = replace(TWO_LAMPS, supply_low_v=12.3, supply_high_v=13.3)
    lits = [lit(), lit(), lit(supply=volts), lit(), lit(), lit()]
    found = faults(lits, conditions=conditions)
    assert [one.code for one in found] == ["supply-out-of-range"] * named
    assert not named or f"the supply was {volts:.2f} V at the unit while on, not 12.3 to 13.3 V" in found[0].text
    assert codes(lits, conditions=replace(conditions, supply_high_v=None)) == [], "to one end alone nothing is held"
    brief = [(0.4, 0.3)] * 2 + [(0.19, 0.3)] + [(0.4, 0.3)] * 3
    assert codes(lits, brief, conditions=conditions) == [], "what is read within 0.2 s is the inrush"


@pytest.mark.parametrize(("lit_s", "named"), [(0.19, False), (0.21, True)])
def test_the_flash_at_hand_shows_the_supply_where_none_is_complete(lit_s: float, named: bool) -> None:
    begun = cycles(FLASHES)[0].begun
    still = {"begun": begun, "starts": [begun], "lit_now": lit(supply=12.0), "now_s": begun.t_s + lit_s, "closed_now": True}
    conditions = replace(TWO_LAMPS, supply_low_v=12.3, supply_high_v=13.3)
    assert [one.code for one in check_bench(evidence([], conditions=conditions, **still), None)[0]] == ["supply-out-of-range"] * named


def test_the_worst_supply_is_named() -> None:
    conditions = replace(TWO_LAMPS, supply_low_v=12.3, supply_high_v=13.3)
    (found,) = faults([lit(supply=v) for v in (12.2, 13.9, 12.8, 12.8, 12.8, 12.1)], conditions=conditions)
    assert "the supply was 13.90 V" in found.text


@pytest.mark.parametrize(("volts", "named"), [(7.7, True), (7.9, False), (16.7, False), (16.9, True)])
def test_a_supply_that_nobody_set_must_fit_the_system(volts: float, named: bool) -> None:
    """0.65 to 1.4 times 12 V, in the middle one of the flashes."""
    conditions = Conditions(filament=False)
    found = faults([*[lit(supply=volts)] * 4, lit(supply=12.0), lit(supply=12.0)], conditions=conditions)
    assert [one.code for one in found] == ["supply-out-of-range"] * named
    assert not named or f"the supply was {volts:.1f} V at the unit while on: no 12 V system" in found[0].text
    assert codes([*[lit(supply=12.0)] * 4, lit(supply=volts), lit(supply=volts)], conditions=conditions) == []
    asked = replace(conditions, supply_low_v=volts - 0.5, supply_high_v=volts + 0.5)
    stiff = cycles(FLASHES, lit(supply=volts), dark(supply=volts))
    found = check_bench(evidence(stiff, conditions=asked), None)[0]
    assert not found, "one that was set is held to what it was set to"


@pytest.mark.parametrize(("system_v", "falls_v", "named"), [(12.0, 0.67, False), (12.0, 0.69, True), (6.0, 0.61, False), (6.0, 0.63, True)])
def test_a_supply_falls_under_the_lamps_by_no_more_than_the_loop_makes(system_v: float, falls_v: float, named: bool) -> None:
    """3.5 A through 0.16 ohm are 0.56 V, and 1 % of the system voltage beside."""
    idle_v = 1.07 * system_v
    conditions = Conditions(system_v, filament=False, supply_low_v=0.8 * system_v, supply_high_v=1.2 * system_v)
    level = lit(supply=idle_v - falls_v, steady=3.5)

    def named_of(lits: Any, on_off_s: Any = FLASHES, of: Conditions = conditions) -> list[str]:
        return [one.code for one in check_bench(evidence(cycles(on_off_s, lits, dark(supply=idle_v)), conditions=of), None)[0]]

    assert named_of([replace(level, supply=Reading(idle_v - 1.2 * falls_v, 0.01, 100)), *[level] * 5]) == ["supply-sags"] * named
    assert named_of(level, [(0.19, 0.3)] * 6) == [], "the inrush is not over"
    assert named_of(level, of=replace(conditions, supply_low_v=None)) == [], "nobody knows a recording's loop"


# What cannot be looked at.


@pytest.mark.parametrize(
    ("changes", "text"),
    [
        ({"conditions": Conditions(filament=False)}, "not filament lamps: their current says nothing"),
        ({"conditions": Conditions()}, "their watts are not known"),
        ({"accuracies": {name: a for name, a in ACCURACY.items() if not name.startswith("i_")}}, "no current was recorded"),
    ],
)
def test_lamps_that_are_not_known_are_not_proved(changes: dict[str, Any], text: str) -> None:
    assert proof("lamps", **changes) == (False, text)


def test_nothing_lit_is_nothing_proved() -> None:
    nothing = SupplyEvidence(None, 12.9)
    made = evidence([], starts=[], begun=None, closed_now=False, supply=nothing, dark_now=dark())
    assert {p.item: (p.proved, p.text) for p in check_bench(made, None)[1]} == {
        "lamps": (False, "nothing lit them"),
        "supply": (False, "nothing drew more than 2 A"),
        "sense leads": (False, "no current by which to tell them"),
    }
    assert proof("supply") == (True, "12.40 V at 30.0 A at the lowest")


def test_a_supply_that_gives_way_or_warm_lamps_spoil_starts_and_inrush_and_no_more() -> None:
    spoilt = {"start_s", "start_largest_s", "first_light_s", "first_extinction_s", "inrush_first_a", "inrush_ratio"}
    sunk = SupplyEvidence((1.0, 30.0), 12.9, drawing_s=2.0)
    plain = measured(cycles(FLASHES))
    for m in (measured(cycles(FLASHES), supply=sunk), measured(cycles(FLASHES, [lit(conductance=1.0), *[lit()] * 5]))):
        (fault,) = m.bench_faults
        assert {name for name in plain.values if _differs(m, plain, name)} == spoilt
        assert {reason(m, name) for name in spoilt} == {fault.text}
        assert m.values["start_s"] == NotMeasured(fault.text, "bench")


def _differs(one: Measured, other: Measured, name: str) -> bool:
    return one.values[name] != other.values[name]
