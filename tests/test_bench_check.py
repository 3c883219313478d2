"""Faults of the bench from evidence written by hand: what lies on this side of a limit is no fault, what lies on the other is."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import pytest
from hand_evidence import ACCURACY, LAMP_V, STEADY_A, TWO_LAMPS, cycles, dark, evidence, lit, measured, near, reason

from bench.clock import ClockEstimate
from bench.lamps import allowed_current_a, expected_current_a
from bench.measure import BenchFault, Conditions, Measured
from bench.measure.bench_check import check_bench, lamp_died_at
from bench.readings import Reading
from bench.supply import SupplyEvidence
from bench.uncertainty import Component, Estimate, NotMeasured

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
def test_a_lead_that_is_off_shows_in_more_than_a_sixth_of_the_time(seen: dict[str, float], found: list[str]) -> None:
    """The lamps drew for 2 s: 0.15 of that are 0.3 s. What lasts no longer than 5 ms is an edge."""
    supply = SupplyEvidence((12.4, 30.0), 12.9, **({"drawing_s": 2.0} | seen))
    assert codes(supply=supply) == found
    assert proof("sense leads", supply=supply)[0] is (not found)


@pytest.mark.parametrize(("system_v", "most_ohm"), [(6.0, 0.25), (12.0, 0.35), (24.0, 0.8)])
def test_a_supply_that_gives_way(system_v: float, most_ohm: float) -> None:
    """So many ohms between the voltage without load and that under the inrush."""
    conditions = Conditions(system_v, filament=False)
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


def test_a_supply_set_too_low_does_not_give_way() -> None:
    """Set to 13 V, it stands at 12.2 V without load: under 25 A it falls by 0.34 ohm from there, though by 0.37 from 13 V."""
    conditions = replace(TWO_LAMPS, open_v=13.0)
    assert codes(conditions=conditions, supply=SupplyEvidence((3.7, 25.0), 12.2, drawing_s=2.0)) == []
    assert codes(conditions=conditions, supply=SupplyEvidence((3.3, 25.0), 12.2, drawing_s=2.0)) == ["supply-limited"]
    assert codes(conditions=conditions, supply=SupplyEvidence((3.7, 25.0), 0.0, drawing_s=2.0)) == ["supply-limited"], "never seen idle"
    assert codes(conditions=conditions, supply=SupplyEvidence((4.5, 25.0), 0.0, drawing_s=2.0)) == []


@pytest.mark.parametrize(("volts", "named"), [(12.29, True), (12.31, False), (13.29, False), (13.31, True)])
def test_the_supply_must_be_where_it_was_asked_to_be_in_every_flash(volts: float, named: bool) -> None:
    conditions = replace(TWO_LAMPS, supply_low_v=12.3, supply_high_v=13.3)
    lits = [lit(), lit(), lit(supply=volts), lit(), lit(), lit()]
    found = faults(lits, conditions=conditions)
    assert [one.code for one in found] == ["supply-out-of-range"] * named
    assert not named or f"the supply was {volts:.2f} V at the unit while on, not 12.3 to 13.3 V" in found[0].text
    brief = [(0.4, 0.3)] * 2 + [(0.19, 0.3)] + [(0.4, 0.3)] * 3
    assert codes(lits, brief, conditions=conditions) == [], "what is read within 0.2 s is the inrush"


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


# The lamps' current.


def limits_of(lamps_w: tuple[float, ...], system_v: float = 12.0) -> tuple[float, float]:
    """Least and most of the expected current: tolerance of the lamps, 2 % for the power law, and two uncertainties of the wide range."""
    volts = 12.8 * system_v / 12.0
    expected = expected_current_a(lamps_w, system_v, volts)
    known = ACCURACY["i_load"]
    u = math.hypot(known.u_scale * expected, known.u_zero, known.u_line) / expected
    low, high = (sum(allowed_current_a(w, system_v, volts)[k] for w in lamps_w) / expected for k in (0, 1))
    return low - 0.02 - 2.0 * u, high + 0.02 + 2.0 * u


@pytest.mark.parametrize("lamps_w", [(21.0, 21.0), (21.0,), (21.0, 21.0, 5.0)])
def test_lamps_may_take_what_their_tolerance_and_the_channel_allow(lamps_w: tuple[float, ...]) -> None:
    low, high = limits_of(lamps_w)  # below 0.885 it may be 18 W lamps that stand there
    steady_a = expected_current_a(lamps_w, 12.0, LAMP_V)
    conditions = Conditions(lamps_w=lamps_w)
    for part, said in ((low - 0.002, "one is dead"), (max(low + 0.002, 0.885), ""), (high - 0.002, ""), (high + 0.002, "higher wattage")):
        found = faults(lit(steady=part * steady_a, siemens=None), conditions=conditions)
        assert [one.code for one in found] == ["lamp-current"] * bool(said), part
        assert not said or (said in found[0].text and f"take {part * 100:.0f} % of what {lamps_w[0]:g} W" in found[0].text)
        assert proof("lamps", lit(steady=part * steady_a, siemens=None), conditions=conditions)[0] is (not said)


def test_the_middle_flash_tells_and_not_the_worst() -> None:
    assert codes([drawing(p) for p in (1.0, 0.5, 1.0, 0.5, 1.0, 1.0)]) == []
    assert codes([drawing(p) for p in (1.0, 1.5, 1.0, 1.5, 1.0, 1.0)]) == []


@pytest.mark.parametrize(("on_s", "named"), [(0.24, []), (0.26, ["lamp-current"])])
def test_more_than_expected_says_something_after_a_quarter_of_a_second(on_s: float, named: list[str]) -> None:
    assert codes(drawing(1.2), [(on_s, 0.3)] * 6) == named


@pytest.mark.parametrize(("on_s", "named"), [(0.028, []), (0.032, ["lamp-current"])])
def test_less_than_expected_says_something_after_thirty_milliseconds(on_s: float, named: list[str]) -> None:
    assert codes(drawing(0.5), [(on_s, 0.3)] * 6, starts=[]) == named
    made = cycles([(on_s, 0.3)])
    at_hand = {"begun": made[0].begun, "broke": None, "lit_now": drawing(0.5), "now_s": made[0].begun.t_s + on_s, "closed_now": True}
    assert [one.code for one in check_bench(evidence([], **at_hand), None)[0]] == named


def test_what_is_left_of_the_inrush_is_no_lamp_too_many() -> None:
    """Of 6 V lamps 2 exp(-260 / 62) = 3 % are left after 0.26 s."""
    conditions = Conditions(6.0, lamps_w=(21.0, 21.0))
    _, high = limits_of((21.0, 21.0), 6.0)
    steady_a = expected_current_a((21.0, 21.0), 6.0, 6.2)
    raised = 1.0 + 2.0 * math.exp(-260 / 62)
    for part, named in ((raised * high - 0.005, []), (raised * high + 0.005, ["lamp-current"])):
        level = lit(supply=6.4, lamp=6.2, steady=part * steady_a, drop=0.1, siemens=None)
        assert codes(level, [(0.26, 0.3)] * 6, conditions=conditions) == named


@pytest.mark.parametrize(("drop_v", "named"), [(0.70, ["lamp-current"]), (0.74, [])])
def test_lamps_behind_a_film_may_be_late(drop_v: float, named: list[str]) -> None:
    """0.2 ohm at 3.6 A are 0.72 V."""
    assert codes(lit(steady=1.2 * STEADY_A, drop=drop_v, drop_a=3.6)) == named


def test_a_lamp_that_gets_next_to_no_voltage_says_nothing() -> None:
    dim = 3.5
    expected = expected_current_a((21.0, 21.0), 12.0, dim)
    assert codes(lit(lamp=3.7, steady=0.5 * expected, siemens=None)) == ["lamp-current"]
    assert codes(lit(lamp=dim, steady=0.5 * expected, siemens=None)) == []


def test_a_tell_tale_draws_its_part_while_it_is_live() -> None:
    """10 W beside 2 x 21 W: 10 W more of 50 W. It is live above 4.8 V."""
    conditions = replace(TWO_LAMPS, pilot_w=10.0)
    assert codes(drawing(1.2), conditions=conditions) == []
    assert codes(lit(steady=1.2 * STEADY_A, pilot=4.7), conditions=conditions) == ["lamp-current"]
    assert codes(lit(steady=1.2 * STEADY_A, pilot=4.9), conditions=conditions) == []
    assert codes(drawing(1.2)) == ["lamp-current"]


@pytest.mark.parametrize(("part", "named"), [(0.875, True), (0.915, False)])
def test_lighter_lamps_in_the_sockets_of_27_watt_ones(part: float, named: bool) -> None:
    """21 W lamps take 0.856 of what 27 W lamps do: nearer than half the way to 1 is theirs."""
    conditions = Conditions(lamps_w=(27.0, 27.0))
    steady_a = part * expected_current_a((27.0, 27.0), 12.0, LAMP_V)
    found = faults(lit(steady=steady_a, siemens=None), conditions=conditions)
    assert [one.code for one in found] == ["lamp-current"] * named
    assert not named or ("take 88 % of what 27 W + 27 W should, as 21 W lamps do" in found[0].text)


# Cold lamps.


COLD_OHM = 13.5**2 / (14.6 * 50.0)


@pytest.mark.parametrize(
    ("ohm", "u", "drop_v", "named"),
    [
        (1.2 * (COLD_OHM + 0.045) - 0.002, 1e-4, 0.36, False),
        (1.2 * (COLD_OHM + 0.045) + 0.002, 1e-4, 0.36, True),
        (0.40, 0.01, 0.36, True),  # 0.40 less three times 1 % is still beyond
        (0.40, 0.05, 0.36, False),  # less three times 5 % it is not
        (2.0 * (COLD_OHM + 0.045) - 0.005, 1e-4, 0.9, False),  # a film blurs the make
        (2.0 * (COLD_OHM + 0.045) + 0.005, 1e-4, 0.9, True),
    ],
)
def test_lamps_that_were_not_cold(ohm: float, u: float, drop_v: float, named: bool) -> None:
    """250 mohm by the tungsten table, 45 mohm of leads, a fifth of tolerance."""
    level = lit(siemens=Reading(1.0 / ohm, u / ohm, 20), drop=drop_v, drop_a=3.6)
    found = faults([level, *[lit()] * 5])
    assert [one.code for one in found] == ["lamps-not-cold"] * named
    if named:
        assert f"the load had {(1 - 3 * u) * ohm * 1000:.0f} mohm, cold 21 W + 21 W have 250" in found[0].text
        assert proof("lamps", [level, *[lit()] * 5]) == (False, "100 % of the expected current")
        assert codes([level, *[lit()] * 5], lost_at_start=True) == codes([level, *[lit()] * 5], applied=None) == []
        assert codes([level, *[lit()] * 5], conditions=Conditions(filament=False)) == []


def test_of_lamps_that_are_lit_for_good_the_flash_at_hand_shows_whether_they_were_cold() -> None:
    made = cycles(FLASHES)
    warm = lit(siemens=1.0)
    still = {"begun": made[0].begun, "lit_now": warm, "now_s": 9.0, "closed_now": True, "first_lit": None}
    assert [one.code for one in check_bench(evidence([], **still), None)[0]] == ["lamps-not-cold"]
    assert check_bench(evidence(made, **(still | {"now_s": made[-1].ended.t_s + 0.2})), None)[0] == ()


# Loads without filaments.


@pytest.mark.parametrize(("part", "named"), [(0.74, True), (0.76, False), (1.24, False), (1.26, True)])
def test_a_load_of_led_lamps_takes_its_current_within_a_quarter(part: float, named: bool) -> None:
    conditions = Conditions(filament=False, other_a=0.8)
    level = lit(supply=12.8, lamp=12.5, steady=part * 0.8)
    found = faults(level, conditions=conditions)
    assert [one.code for one in found] == ["lamp-current"] * named
    assert proof("lamps", level, conditions=conditions) == (not named, f"{part * 100:.0f} % of the expected current")
    # 11.8 of 12.8 V: an LED lamp follows its voltage steeply.
    assert codes(replace(level, lamp=Reading(11.8, 0.01, 9)), conditions=conditions) == []
    assert codes(replace(level, lamp=Reading(12.0, 0.01, 9)), conditions=conditions) == ["lamp-current"] * named


def test_the_tell_tale_is_no_part_of_an_led_load() -> None:
    pilot_a = expected_current_a((5.0,), 12.0, 12.8)
    conditions = Conditions(filament=False, other_a=0.8, pilot_w=5.0)
    level = lit(supply=12.8, lamp=12.5, steady=0.8 + pilot_a)
    assert codes(level, conditions=conditions) == []
    assert codes(replace(level, pilot=Reading(0.0, 0.01, 9)), conditions=conditions) == ["lamp-current"]
    assert codes(level, conditions=replace(conditions, pilot_w=0.0)) == ["lamp-current"]


# A lamp that dies.


def died(*parts_: float, on_s: Any = 0.4, **changes: Any) -> int | None:
    lasted = on_s if isinstance(on_s, tuple) else (on_s,) * len(parts_)
    return lamp_died_at(evidence(cycles([(one, 0.3) for one in lasted], [drawing(p) for p in parts_]), **changes))


@pytest.mark.parametrize(
    ("flashes", "at"),
    [
        ((1.0, 1.0, 1.0, 0.5, 0.5, 0.5), 3),
        ((1.0, 1.0, 1.0, 1.0, 1.0, 0.5), 5),
        ((1.0, 0.5), 1),
        ((0.5, 0.5, 1.0, 1.0, 1.0), 2),  # a holder that makes contact after all
        ((1.0, 1.0, 0.5, 1.0, 1.0), None),  # it came back
        ((1.0, 1.0, 0.91, 0.91, 0.91), None),
        ((1.0, 1.0, 0.89, 0.89, 0.89), 2),
        ((1.0, 1.0, 1.09, 1.09, 1.09), None),
        ((1.0, 1.0, 1.11, 1.11, 1.11), 2),
        ((1.0, 0.97, 0.94, 0.91, 0.88, 0.85), None),  # lamps that warm up, step by step
    ],
)
def test_a_lamp_dies_where_the_load_changes_for_good_by_a_tenth(flashes: tuple[float, ...], at: int | None) -> None:
    assert died(*flashes) == at


def test_of_flashes_cut_short_only_a_fall_tells() -> None:
    """The filament is colder, so that it conducts better."""
    lasted = (0.4, 0.4, 0.4, 0.1, 0.1, 0.1)
    assert died(1.0, 1.0, 1.0, 1.3, 1.3, 1.3, on_s=lasted) is None
    assert died(1.0, 1.0, 1.0, 0.8, 0.8, 0.8, on_s=lasted) == 3
    assert died(1.0, 1.0, 1.0, 0.8, 0.8, 0.8, on_s=(0.4, 0.4, 0.4, 0.04, 0.04, 0.04)) is None, "too short to read"


def test_the_flash_at_hand_is_one_more() -> None:
    """A unit for a fixed load stays on when a lamp dies."""
    made = cycles(FLASHES)
    stays = {"begun": made[-1].ended, "broke": None, "now_s": made[-1].ended.t_s + 2.0}
    assert lamp_died_at(evidence(made, lit_now=drawing(0.5), **stays)) == 6
    assert lamp_died_at(evidence(made, lit_now=drawing(1.0), **stays)) is None
    assert lamp_died_at(evidence(made, lit_now=drawing(0.5), conditions=Conditions(filament=False), **stays)) is None
    over = stays | {"broke": replace(made[0].broke, t_s=made[-1].ended.t_s + 1.0)}
    assert lamp_died_at(evidence(made, lit_now=drawing(0.5), **over)) is None, "that flash is over, and kept as lit_now no more"


def test_after_a_lamp_died_nothing_counts_and_nothing_missing_is_the_units() -> None:
    lits = [drawing(1.0)] * 5 + [drawing(0.5)] * 4
    m = measured(cycles([(0.4, 0.3)] * 5 + [(0.8, 0.3)] * 4, lits), cycles_before=2)
    (fault,) = m.bench_faults
    assert fault.code == "lamp-died" and "changed at flash 8:" in fault.text
    rate = m.values["rate_per_min"]
    assert isinstance(rate, Estimate) and (rate.n, rate.value) == (5, near(60.0 / 0.7))
    missing = [value for value in m.values.values() if isinstance(value, NotMeasured)]
    assert missing and all(one.fault == "bench" for one in missing)
    assert dict((p.item, p.proved) for p in m.proofs)["lamps"] is False


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
    for m in (measured(cycles(FLASHES), supply=sunk), measured(cycles(FLASHES, [lit(siemens=1.0), *[lit()] * 5]))):
        (fault,) = m.bench_faults
        assert {name for name in plain.values if _differs(m, plain, name)} == spoilt
        assert {reason(m, name) for name in spoilt} == {fault.text}
        assert m.values["start_s"] == NotMeasured(fault.text, "bench")


def _differs(one: Measured, other: Measured, name: str) -> bool:
    return one.values[name] != other.values[name]
