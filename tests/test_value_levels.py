"""Levels and their budgets, of cycles written by hand: every component against its own sum."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import pytest
from hand_evidence import (
    ACCURACY,
    SHARE,
    STEADY_A,
    cycles,
    dark,
    estimate,
    evidence,
    lit,
    measured,
    near,
    parts,
    reason,
)
from scipy import stats

from bench.measure import Conditions, Counts, Measured, measure
from bench.measure.evidence import correct, current_channel
from bench.readings import Reading
from bench.supply import SupplyEvidence
from bench.uncertainty import Component, Estimate, NotMeasured

STEADY = [(0.4, 0.3)] * 4


def scatter(found: Estimate) -> Component:
    (one,) = [c for c in found.budget if "scatter of" in c.source]
    return one


# Drop and resistance.


def drops(*volts: float, supply: float = 12.8, drop_a: float = 3.6, u: float = 1e-4, **changes: object) -> Measured:
    lits = [lit(supply=supply, drop=Reading(v, u, 20), drop_a=drop_a, **changes) for v in volts]
    return measured(cycles([(0.4, 0.3)] * len(volts), lits), rest={"v_drop": Reading(0.012, 2e-5, 7000), "v_in": Reading(0.1, 1.0, 7000)})


def test_a_drop_is_read_less_its_zero_and_less_its_share_of_the_supply() -> None:
    """0.002 of 12.8 V are 25.6 mV of common mode, and the reading at rest was 12 mV."""
    volts = (0.36, 0.37, 0.35)
    m = drops(*volts)
    found = estimate(m, "drop_v")
    off = 0.012 + 0.002 * 12.8
    assert found.value == near(0.36 - off)
    by_source = parts(found)
    first = 0.36 - off
    assert by_source["v_drop: scale"].u == near(first * 1.7e-3)
    assert by_source["v_drop: share of v_in"].u == near(SHARE.u * 12.8)
    assert by_source["v_drop: zero (taken at rest)"].u == 2e-5
    assert by_source["v_drop: linearity and counts"].u == near(math.sqrt(2.0) * 5.3e-4)
    assert scatter(found).u == near(stats.sem(volts))
    assert len(by_source) == 5
    largest = estimate(m, "drop_largest_v")
    assert largest.value == near(0.37 - off)
    assert parts(largest)["noise"].u == 1e-4
    assert largest.budget[1:] == found.budget[1:]
    assert estimate(m, "drop_carried_v").value == near(3.5 / 3.6 * found.value)


def test_a_drop_from_two_voltages_has_the_errors_of_both() -> None:
    found = estimate(drops(1.4, 1.41, 1.42, supply=12.8, lamp=11.4, by_difference=True), "drop_v")
    by_source = parts(found)
    assert found.value == near(1.41), "no zero and no share is taken off"
    assert by_source["v_in: scale"].u == near(12.8 * 1.1e-3)
    assert by_source["v_out: scale"].u == near(11.4 * 1.3e-3)
    assert (by_source["v_in: zero"].u, by_source["v_out: zero"].u) == (2.3e-2, 2.7e-2)
    assert (by_source["v_in: linearity and counts"].u, by_source["v_out: linearity and counts"].u) == (3.1e-3, 3.3e-3)


def test_one_drop_beyond_the_amplifier_makes_the_mean_as_bad_as_that() -> None:
    lits = [lit(drop=0.9), lit(drop=1.1, by_difference=True), lit(drop=0.9)]
    assert {"v_in: scale", "v_out: scale"} < set(parts(estimate(measured(cycles([(0.4, 0.3)] * 3, lits)), "drop_v")))


def test_a_resistance_has_the_relative_errors_of_drop_and_current() -> None:
    m = drops(0.36, 0.37, 0.35, drop_a=3.6)
    drop, ohm = estimate(m, "drop_v"), estimate(m, "contact_ohm")
    assert ohm.value == near(drop.value / 3.6)
    scale = parts(ohm)
    assert scale["i_load_low: scale"].u == near(ohm.value * 2.1e-3)
    assert scale["v_drop: scale"].u == near(parts(drop)["v_drop: scale"].u / 3.6)
    current_u = math.hypot(3.6 * 2.1e-3, 0.0041, 0.0043)
    assert (ohm.u / ohm.value) ** 2 == near((drop.u / drop.value) ** 2 + (current_u / 3.6) ** 2)
    assert [c.kind for c in ohm.budget if c.source.startswith("drop: scatter")] == ["A"]
    carried = estimate(m, "drop_carried_v")
    assert carried.u == near(3.5 * ohm.u)


@pytest.mark.parametrize(("drop_a", "known"), [(0.04, True), (0.02, False)])
def test_a_resistance_needs_five_times_the_uncertainty_of_its_current(drop_a: float, known: bool) -> None:
    """0.0041 and 0.0043 A of zero and linearity: u = 5.9 mA, five times that 30 mA."""
    m = drops(0.36, 0.36, 0.36, drop_a=drop_a)
    assert isinstance(m.values["contact_ohm"], Estimate) is known
    if not known:
        assert reason(m, "contact_ohm") == "the current is too small for a resistance"
    assert m.values["drop_carried_v"] == m.values["drop_v"]


def test_without_a_current_there_is_a_drop_and_no_resistance() -> None:
    m = drops(0.36, 0.36, 0.36, drop_a=None)  # type: ignore[arg-type]
    assert reason(m, "contact_ohm") == "no current was read with the drop"
    assert m.values["drop_carried_v"] == m.values["drop_v"]


def test_the_drop_is_read_before_the_twentieth_flash() -> None:
    """SAE J2068, after a public summary: whatever the contact does later is no part of it."""
    volts = [0.3] * 20 + [0.9] * 6
    found = estimate(drops(*volts), "drop_v")
    assert (found.n, found.value) == (20, near(0.3 - 0.012 - 0.0256))
    lits = [lit(drop=Reading(v, 1e-4, 20)) for v in volts]
    skipped = estimate(measure(evidence(cycles([(0.4, 0.3)] * 26, lits)), Counts(5, 3)), "drop_v")
    assert (skipped.n, skipped.value) == (15, near(0.3 - 0.0256, abs=1e-3))


def test_a_unit_that_stays_lit_has_a_drop_and_too_few_flashes_have_none() -> None:
    begun = cycles(STEADY)[0].begun
    stays = measured([], begun=begun, closed_now=True, now_s=9.0, lit_now=lit(drop=Reading(0.3, 2e-4, 20), supply=12.5), starts=[begun])
    found = estimate(stays, "drop_v")
    assert (found.n, found.value) == (1, near(0.3 - 0.025))
    assert parts(found)["drop: noise"].u == 2e-4
    unread = measured([], begun=begun, closed_now=True, now_s=9.0, lit_now=lit(drop=None), starts=[begun])
    assert reason(unread, "drop_v") == "too few flashes with a readable drop"
    lits = [lit(), lit(drop=None), lit()]
    assert reason(measured(cycles(STEADY[:3], lits)), "drop_v") == "too few flashes with a readable drop"
    assert isinstance(measured(cycles(STEADY[:3], lit(drop=None)), lit_now=lit()).values["drop_v"], NotMeasured)


# Currents and voltages.


def test_levels_have_scale_zero_and_linearity_of_their_channels() -> None:
    lits = [lit(supply=12.8 + k / 100, lamp=12.4 + k / 50, steady=3.6 + k / 20, pilot=12.0 + k / 40) for k in (0, 2, 1)]
    m = measured(cycles([(0.4, 0.3)] * 3, lits))
    for name, channel, first, step in (
        ("supply_v", "v_in", 12.8, 0.01), ("lamp_v", "v_out", 12.4, 0.02), ("steady_a", "i_load_low", 3.6, 0.05),
        ("pilot_on_v", "v_pilot", 12.0, 0.025),
    ):  # fmt: skip
        found, known = estimate(m, name), ACCURACY[channel]
        assert found.value == near(first + step), name
        by_source = parts(found)
        scaled = found.value if name == "pilot_on_v" else first
        assert by_source.pop(f"{channel}: scale").u == near(known.u_scale * scaled), name
        assert by_source.pop(f"{channel}: zero").u == known.u_zero, name
        assert by_source.pop(f"{channel}: linearity and counts").u == known.u_line, name
        assert by_source.pop(f"{channel}: scatter of 3 cycles").u == near(step / math.sqrt(3.0)), name
        assert not by_source, name


def test_a_current_is_taken_from_the_range_that_holds_it() -> None:
    """The finer range ends at 7.67 A; within a hundredth of that it is clipped."""
    for steady_a, channel in ((7.5, "i_load_low"), (7.6, "i_load"), (20.0, "i_load")):
        found = estimate(measured(cycles(STEADY[:3], lit(steady=steady_a)), conditions=Conditions(filament=False)), "steady_a")
        assert f"{channel}: scale" in parts(found), steady_a


def test_the_inrush_has_its_carrying_back_and_the_wide_range() -> None:
    lits = [lit(peak=Reading(36.0, 0.5, 20)), *(lit(peak=Reading(v, u, 20)) for v, u in ((30.0, 0.4), (31.0, 0.2), (32.0, 0.3)))]
    m = measured(cycles([(0.4, 0.3)] * 4, lits), Counts(1, 3))
    first, later, ratio = (estimate(m, name) for name in ("inrush_first_a", "inrush_later_a", "inrush_ratio"))
    assert (first.value, first.n) == (36.0, 1)
    assert [c.u for c in first.budget] == near([0.5, 36.0 * 1.9e-3, 0.021, 0.023])
    assert later.value == near(31.0)
    # What the model may be off by does not fall with the number of flashes.
    assert [c.u for c in later.budget] == near([1.0 / math.sqrt(3.0), 30.0 * 1.9e-3, 0.021, 0.023, 0.3])
    steady = estimate(m, "steady_a")
    assert ratio.value == near(36.0 / steady.value)
    assert ratio.u / ratio.value == near(math.hypot(first.u / first.value, steady.u / steady.value))
    lost = measured(cycles(STEADY), lost_at_start=True)
    assert reason(lost, "inrush_first_a").startswith("the first make was not sampled closely enough")
    assert isinstance(lost.values["inrush_ratio"], NotMeasured)


def test_zeros_taken_at_rest_stand_in_for_those_of_the_range() -> None:
    rest = {"i_load": Reading(0.3, 4e-4, 9000), "i_load_low": Reading(0.1, 5e-5, 9000), "v_in": Reading(0.0, 1e-9, 9000)}
    m = measured(cycles(STEADY), rest=rest)
    assert parts(estimate(m, "steady_a"))["i_load_low: zero (taken at rest)"].u == 5e-5
    assert parts(estimate(m, "inrush_first_a"))["i_load: zero (taken at rest)"].u == 4e-4
    assert parts(estimate(m, "supply_v"))["v_in: zero"].u == 2.3e-2, "a voltage at rest may be anything"


@pytest.mark.parametrize(("on_s", "left"), [(0.05, 2.0 * math.exp(-50 / 33)), (0.1, 2.0 * math.exp(-100 / 33)), (0.36, 0.0)])
def test_what_the_inrush_may_still_add_falls_with_the_length_of_the_flash(on_s: float, left: float) -> None:
    found = parts(estimate(measured(cycles([(on_s, 0.3)] * 3)), "steady_a"))
    inside = found.get("inrush not over")
    assert (inside is None) == (left == 0.0 or on_s >= 0.2)
    if inside is not None:
        assert inside.u == near(STEADY_A * left / math.sqrt(3.0))
        assert (inside.shape, inside.kind) == ("rectangular", "B")
    led = estimate(measured(cycles([(on_s, 0.3)] * 3), conditions=Conditions(filament=False)), "steady_a")
    assert "inrush not over" not in parts(led)


def test_what_lights_for_too_short_a_time_to_be_read_has_no_levels() -> None:
    brief = measured(cycles([(0.05, 0.3)] * 3, lit(steady=None, supply=None, lamp=None)))
    for name in ("steady_a", "supply_v", "lamp_v"):
        assert reason(brief, name) == "no flash was sampled closely enough, or the readings stand at the end of the range"
    never = measured([], applied=None)
    assert reason(never, "steady_a") == "the lamps were never lit"
    assert reason(never, "supply_v") == reason(never, "lamp_v") == "the unit was never closed"


def test_a_voltage_read_in_the_inrush_may_still_be_pulled_down_by_it() -> None:
    """0.1 s after the make 2 exp(-100 / 33) of the current may be too much, and with it as much of the fall from 12.9 V without load."""
    left = 2.0 * math.exp(-100 / 33)
    m = measured(cycles([(0.1, 0.3)] * 3))
    for name in ("supply_v", "lamp_v"):
        found = parts(estimate(m, name))["inrush not over"]
        assert (found.u, found.shape) == (near(left * (12.9 - estimate(m, name).value) / math.sqrt(3.0)), "rectangular")
        assert "inrush not over" not in parts(estimate(measured(cycles(STEADY)), name))
        assert "inrush not over" not in parts(estimate(measured(cycles([(0.1, 0.3)] * 3), conditions=Conditions(filament=False)), name))
        never_idle = SupplyEvidence((12.4, 30.0), 0.0, drawing_s=2.0)
        assert "inrush not over" not in parts(estimate(measured(cycles([(0.1, 0.3)] * 3), supply=never_idle), name))
    soon = measured(cycles([(0.02, 0.3)] * 3), supply=SupplyEvidence((12.4, 30.0), 14.0, drawing_s=2.0))
    most = parts(estimate(soon, "supply_v"))["inrush not over"].u
    assert most == near((14.0 - estimate(soon, "supply_v").value) / math.sqrt(3.0)), "all of the fall at the most"


# Which zero is taken off, and which range read.


def test_a_range_ends_a_hundredth_below_its_end() -> None:
    """7.67 A less a hundredth of 8.17 A are 7.588 A."""
    e = evidence(cycles(STEADY))
    assert [current_channel(e, amps) for amps in (-1.0, 7.585, 7.591, 20.0)] == ["i_load_low", "i_load_low", "i_load", "i_load"]
    assert current_channel(replace(e, accuracies={"i_load": ACCURACY["i_load"]}), 1.0) == "i_load"


def test_a_zero_that_rest_does_not_show_is_that_of_the_range() -> None:
    """An instrument whose zero lies below the end of its input reads nothing of it at rest."""
    hidden = {name: replace(known, zero_at_rest=False) for name, known in ACCURACY.items()}
    rest = {"v_drop": Reading(0.012, 2e-5, 7000), "i_load_low": Reading(0.1, 2e-5, 7000)}
    seen, unseen = measured(cycles(STEADY), rest=rest), measured(cycles(STEADY), rest=rest, accuracies=hidden)
    assert estimate(seen, "drop_v").value == near(estimate(unseen, "drop_v").value - 0.012)
    assert parts(estimate(unseen, "drop_v"))["v_drop: zero"].u == 1.9e-3
    assert parts(estimate(unseen, "steady_a"))["i_load_low: zero"].u == 0.0041


def test_the_share_of_a_channel_that_was_not_read_is_that_of_a_closed_contact() -> None:
    e = evidence(cycles(STEADY))
    assert correct(e, "v_drop", 0.3, {}) == near(0.3 - 0.002 * 12.9) and correct(e, "v_drop", 0.3, {"v_in": 10.0}) == near(0.28)


def test_two_cycles_have_a_scatter_and_one_its_noise() -> None:
    lits = [lit(supply=12.8), lit(supply=12.9)]
    two = estimate(measured(cycles(STEADY[:2], lits), Counts(0, 2)), "supply_v")
    assert (scatter(two).u, scatter(two).dof, two.n) == (near(0.05), 1.0, 2)


def test_late_drops_are_those_of_three_flashes_at_least() -> None:
    found = estimate(measured(cycles([(0.4, 0.3)] * 26), Counts(18, 3)), "drop_v")
    assert found.n == 3, "beyond the twentieth, but no fewer than are averaged"
    assert estimate(measured(cycles([(0.4, 0.3)] * 26), Counts(12, 3)), "drop_v").n == 8


# The dark current.


def leak(*amps: float, u: float = 1e-4) -> Measured:
    return measured(cycles([(0.4, 0.3)] * len(amps), darks=[dark(current=Reading(a, u, 100)) for a in amps]))


@pytest.mark.parametrize(("moved_a", "told"), [(5.5e-3, True), (6.5e-3, False), (-5.5e-3, True), (-6.5e-3, False)])
def test_a_zero_that_moves_by_six_milliampere_is_no_leak(moved_a: float, told: bool) -> None:
    """The first three OFF periods against the last three; what lies between says nothing."""
    found = leak(0.02, 0.02, 0.02, 0.05, 0.05, *(0.02 + moved_a,) * 3).values["dark_a"]
    assert isinstance(found, Estimate) is told
    if isinstance(found, NotMeasured):
        assert (found.fault, f"moved by {moved_a * 1000:.0f} mA" in found.reason) == ("bench", True)


def test_noise_may_move_it_too() -> None:
    """Three times the noise of the noisiest reading more is allowed: 6 mA and 3 x 1 mA."""
    assert isinstance(leak(0.02, 0.02, 0.02, *(0.0285,) * 3, u=1e-3).values["dark_a"], Estimate)
    assert isinstance(leak(0.02, 0.02, 0.02, *(0.0295,) * 3, u=1e-3).values["dark_a"], NotMeasured)


def test_few_off_periods_leave_half_the_drift_of_a_cold_amplifier_in_the_budget() -> None:
    few, enough = estimate(leak(*(0.02,) * 5), "dark_a"), estimate(leak(*(0.02,) * 6), "dark_a")
    moved = parts(few)["zero of the current since it was read at rest"]
    assert (moved.u, moved.shape) == (near(0.1 / math.sqrt(3.0)), "rectangular")
    assert set(parts(few)) - set(parts(enough)) == {moved.source, "i_load_low: scatter of 5 cycles"}
    assert "too few OFF periods" in few.note and not enough.note


def test_a_unit_that_stays_dark_has_a_dark_current_and_one_that_stays_lit_has_none() -> None:
    still: dict[str, Any] = {"starts": [], "begun": None, "now_s": 9.0, "dark_now": dark(current=Reading(0.02, 1e-4, 100))}
    assert estimate(measured([], **still, closed_now=False), "dark_a").value == 0.02
    assert reason(measured([], **still, closed_now=True), "dark_a") == "the lamps were never dark"
    assert reason(measured([], **still, closed_now=False, applied=None), "dark_a") == "the lamps were never dark"


# Pilot and surroundings.


def test_the_pilot_is_read_while_it_is_lit_whichever_half_that_is() -> None:
    anti = measured(cycles(STEADY, lit(pilot=0.1), dark(pilot=11.5)))
    assert estimate(anti, "pilot_on_v").value == near(11.5)
    assert reason(measured(cycles(STEADY, lit(pilot=2.9), dark(pilot=0.0))), "pilot_on_v").startswith("the pilot terminal was never live")
    assert estimate(measured(cycles(STEADY, lit(pilot=3.1))), "pilot_on_v").value == near(3.1)
    assert reason(measured([], starts=[], begun=None), "pilot_on_v") == "no flash was seen"
    without = {name: known for name, known in ACCURACY.items() if name != "v_pilot"}
    assert reason(measured(cycles(STEADY), accuracies=without), "pilot_on_v") == "the recording has no pilot voltage"


def test_the_temperature_is_known_to_its_noise_and_its_channel() -> None:
    known = ACCURACY | {"temperature": replace(ACCURACY["v_in"], u_zero=0.5, u_line=0.2, u_scale=0.01)}
    found = estimate(measured(cycles(STEADY), accuracies=known, temperature=Reading(24.0, 0.3, 5)), "temperature_c")
    assert (found.value, found.n) == (24.0, 5)
    assert [c.u for c in found.budget] == [0.3, 0.0, 0.5, 0.2]
    assert reason(measured(cycles(STEADY)), "temperature_c") == "no temperature channel"
