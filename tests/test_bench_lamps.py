"""The lamps of the bench from evidence written by hand: what lies on this side of a limit is no fault, what lies on the other is."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import pytest
from hand_evidence import ACCURACY, LAMP_V, STEADY_A, TWO_LAMPS, cycles, evidence, lit, measured, near

from bench.lamps import allowed_current_a, expected_current_a
from bench.measure import BenchFault, Conditions
from bench.measure.bench_check import check_bench, lamp_died_at
from bench.readings import Reading
from bench.uncertainty import Estimate, NotMeasured

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


# The lamps' current.


def limits_of(lamps_w: tuple[float, ...], system_v: float = 12.0) -> tuple[float, float]:
    """Least and most of the expected current: tolerance of the lamps, 2 % for the power law, and two uncertainties of the wide range."""
    volts = 12.8 * system_v / 12.0
    expected = expected_current_a(lamps_w, system_v, volts)
    known = ACCURACY["i_load"]
    u = math.hypot(known.u_scale * expected, known.u_zero, known.u_line) / expected
    low, high = (sum(allowed_current_a(w, system_v, volts)[k] for w in lamps_w) / expected for k in (0, 1))
    return low - 0.02 - 2.0 * u, high + 0.02 + 2.0 * u


@pytest.mark.parametrize("system_v", [12.0, 24.0])
@pytest.mark.parametrize("lamps_w", [(21.0, 21.0), (21.0,), (21.0, 21.0, 5.0)])
def test_lamps_may_take_what_their_tolerance_and_the_channel_allow(lamps_w: tuple[float, ...], system_v: float) -> None:
    low, high = limits_of(lamps_w, system_v)
    volts = system_v / 12.0 * LAMP_V
    steady_a = expected_current_a(lamps_w, system_v, volts)
    conditions = Conditions(system_v, lamps_w=lamps_w)
    low_most = low + 0.002 if system_v == 24.0 else 0.9  # in a 12 V socket it may be an 18 W lamp that takes less
    for part, said in ((low - 0.002, "one is dead"), (low_most, ""), (high - 0.002, ""), (high + 0.002, "higher wattage")):
        level = lit(supply=1.03 * volts, lamp=volts, steady=part * steady_a, conductance=None)
        found = faults(level, conditions=conditions)
        assert [one.code for one in found] == ["lamp-current"] * bool(said), part
        assert not said or (said in found[0].text and f"take {part * 100:.0f} % of what {lamps_w[0]:g} W" in found[0].text)
        assert proof("lamps", level, conditions=conditions)[0] is (not said)


def test_the_middle_flash_tells_and_not_the_worst() -> None:
    assert codes([drawing(p) for p in (1.0, 0.5, 1.0, 0.5, 1.0, 1.0)]) == []
    assert codes([drawing(p) for p in (0.5, 1.0, 0.5, 0.5, 0.5, 1.0)]) == ["lamp-current"]
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
        level = lit(supply=6.4, lamp=6.2, steady=part * steady_a, drop=0.1, conductance=None)
        assert codes(level, [(0.26, 0.3)] * 6, conditions=conditions) == named


@pytest.mark.parametrize(("drop_v", "named"), [(0.70, ["lamp-current"]), (0.74, [])])
def test_lamps_behind_a_film_may_be_late(drop_v: float, named: list[str]) -> None:
    """0.2 ohm at 3.6 A are 0.72 V."""
    assert codes(lit(steady=1.2 * STEADY_A, drop=drop_v, drop_a=3.6)) == named


def test_a_lamp_that_gets_next_to_no_voltage_says_nothing() -> None:
    dim = 3.5
    expected = expected_current_a((21.0, 21.0), 12.0, dim)
    assert codes(lit(lamp=3.7, steady=0.5 * expected, conductance=None)) == ["lamp-current"]
    assert codes(lit(lamp=dim, steady=0.5 * expected, conductance=None)) == []


def test_a_tell_tale_draws_its_part_while_it_is_live() -> None:
    """10 W beside 2 x 21 W: 10 W more of 50 W. It is live above 4.8 V."""
    conditions = replace(TWO_LAMPS, pilot_w=10.0)
    assert codes(drawing(1.2), conditions=conditions) == []
    assert codes(lit(steady=1.2 * STEADY_A, pilot=4.7), conditions=conditions) == ["lamp-current"]
    assert codes(lit(steady=1.2 * STEADY_A, pilot=4.9), conditions=conditions) == []
    assert codes(drawing(1.2)) == ["lamp-current"]


@pytest.mark.parametrize(("part", "named"), [(0.87, True), (0.915, False)])
def test_lighter_lamps_in_the_sockets_of_27_watt_ones(part: float, named: bool) -> None:
    """21 W lamps take 0.856 of what 27 W lamps do: nearer than half the way to 1 is theirs."""
    conditions = Conditions(lamps_w=(27.0, 27.0))
    steady_a = part * expected_current_a((27.0, 27.0), 12.0, LAMP_V)
    found = faults(lit(steady=steady_a, conductance=None), conditions=conditions)
    assert [one.code for one in found] == ["lamp-current"] * named
    assert not named or ("take 87 % of what 27 W + 27 W should, as 21 W lamps do" in found[0].text)


def test_lamps_that_are_no_signal_lamps_keep_their_own_tolerance() -> None:
    """21 W lamps take 0.84 of what 25 W ones do, which may themselves take 0.86 of it."""
    conditions = Conditions(lamps_w=(25.0, 25.0))
    steady_a = 0.87 * expected_current_a((25.0, 25.0), 12.0, LAMP_V)
    assert codes(lit(steady=steady_a, conductance=None), conditions=conditions) == []


def test_sound_lamps_are_none_of_another_rating() -> None:
    """23 W lamps (US) take 0.999 of what 21 W lamps do: nothing tells these two apart."""
    for k in range(300):
        assert codes(drawing(0.92 + 0.0004 * k)) == []


def test_a_tell_tale_brings_its_own_tolerance() -> None:
    """(2 x 25 x 1.06 + 10 x 1.19 x 1.10) W of 60 W are 1.10, and 0.04 for channel and power law; without a tell-tale it is 1.06."""
    conditions = replace(TWO_LAMPS, pilot_w=10.0)
    whole_a = expected_current_a((21.0, 21.0, 10.0), 12.0, LAMP_V)
    assert [codes(lit(steady=part * whole_a), conditions=conditions) for part in (1.12, 1.15)] == [[], ["lamp-current"]]
    blip_first = [lit(pilot=0.0), *[lit(steady=1.12 * whole_a)] * 5]
    assert codes(blip_first, [(0.02, 0.3), *[(0.4, 0.3)] * 5], conditions=conditions) == [], "a blip does not say whether it is lit"
    small = {name: replace(known, u_scale=0.0, u_zero=1e-4, u_line=1e-4) for name, known in ACCURACY.items()}
    one = Conditions(lamps_w=(5.0,), pilot_w=1.0)
    taken_a = 1.2 * expected_current_a((5.0, 1.0), 12.0, LAMP_V)
    assert codes(lit(steady=taken_a, conductance=None), conditions=one, accuracies=small) == []
    assert codes(lit(steady=taken_a, conductance=None), conditions=replace(one, pilot_w=0.0), accuracies=small) == ["lamp-current"]


@pytest.mark.parametrize(("drop_v", "named"), [(0.17, ["lamp-current"]), (0.19, [])])
def test_a_film_has_a_quarter_of_the_resistance_at_half_the_voltage(drop_v: float, named: list[str]) -> None:
    steady_a = 1.2 * expected_current_a((21.0, 21.0), 6.0, 6.2)
    level = lit(supply=6.4, lamp=6.2, steady=steady_a, drop=drop_v, drop_a=3.6, conductance=None)
    assert codes(level, conditions=Conditions(6.0, lamps_w=(21.0, 21.0))) == named


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
    level = lit(conductance=Reading(1.0 / ohm, u / ohm, 20), drop=drop_v, drop_a=3.6)
    found = faults([level, *[lit()] * 5])
    assert [one.code for one in found] == ["lamps-not-cold"] * named
    if named:
        assert f"the load had {(1 - 3 * u) * ohm * 1000:.0f} mohm, cold 21 W + 21 W have 250" in found[0].text
        assert proof("lamps", [level, *[lit()] * 5]) == (False, "100 % of the expected current")
        assert codes([level, *[lit()] * 5], lost_at_start=True) == codes([level, *[lit()] * 5], applied=None) == []
        assert codes([level, *[lit()] * 5], conditions=Conditions(filament=False)) == []


def test_of_lamps_that_are_lit_for_good_the_flash_at_hand_shows_whether_they_were_cold() -> None:
    made = cycles(FLASHES)
    warm = lit(conductance=1.0)
    still = {"begun": made[0].begun, "lit_now": warm, "now_s": 9.0, "closed_now": True, "first_lit": None}
    assert [one.code for one in check_bench(evidence([], **still), None)[0]] == ["lamps-not-cold"]
    assert check_bench(evidence(made, **(still | {"now_s": made[-1].ended.t_s + 0.2})), None)[0] == ()


def test_lamps_whose_current_was_not_read_are_not_said_to_have_been_warm() -> None:
    assert codes(lit(conductance=1.0, steady=None)) == [] and codes(lit(conductance=1.0)) == ["lamps-not-cold"]


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
    assert not named or f"{part * 100:.0f} %" in found[0].text
    low = replace(level, lamp=Reading(11.0, 0.01, 9))
    assert codes([low, low, low, low, level, level], conditions=conditions) == [], "the middle one tells"
    unread = [replace(level, lamp=None), *[level] * 4, replace(level, supply=None)]
    assert codes(unread, conditions=conditions) == ["lamp-current"] * named
    odd = replace(level, steady=Reading(1.5 * 0.8, 0.01, 9))
    assert codes([level, odd, level, level, odd, level], conditions=conditions) == ["lamp-current"] * named
    assert proof("lamps", low, conditions=conditions) == (False, "not filament lamps: their current says nothing")


def test_the_tell_tale_is_no_part_of_an_led_load() -> None:
    pilot_a = expected_current_a((5.0,), 12.0, 12.8)
    conditions = Conditions(filament=False, other_a=0.8, pilot_w=5.0)
    level = lit(supply=12.8, lamp=12.5, steady=0.8 + pilot_a)
    assert codes(level, conditions=conditions) == []
    assert codes(replace(level, pilot=Reading(0.0, 0.01, 9)), conditions=conditions) == ["lamp-current"]
    assert codes(level, conditions=replace(conditions, pilot_w=0.0)) == ["lamp-current"]
    assert codes(replace(level, supply=None), conditions=conditions) == [], "at volts that were not read neither is told from the other"


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
        ((1.0, 1.0, 1.0, 0.5, 0.5, 1.0, 0.5, 0.5), 3),  # its holder made contact once more
        ((0.5, 0.5, 1.0, 1.0, 1.0), 2),  # a holder that makes contact after all
        ((1.0, 1.0, 0.5, 1.0, 1.0), None),  # it came back
        ((1.0, 1.0, 0.91, 0.91, 0.91), None),
        ((1.0, 1.0, 0.89, 0.89, 0.89), 2),
        ((1.0, 1.0, 1.09, 1.09, 1.09), None),
        ((1.0, 1.0, 1.11, 1.11, 1.11), 2),
        ((1.0, 0.97, 0.94, 0.91, 0.88, 0.85), None),  # lamps that warm up, step by step
        ((1.0, 1.0, 0.92, 0.92, 0.84, 0.84, 0.84), None),  # against the middle of the three before it: 0.92
        ((1.0, 1.0, 1.0, 0.85, 0.85, 1.0, 1.0, 1.0), 3),  # for good is by the middle of three: it stayed so for two
    ],
)
def test_a_lamp_dies_where_the_load_changes_for_good_by_a_tenth(flashes: tuple[float, ...], at: int | None) -> None:
    assert died(*flashes) == at


def test_of_flashes_cut_short_only_a_fall_tells() -> None:
    """The filament is colder, so that it conducts better."""
    lasted = (0.4, 0.4, 0.4, 0.1, 0.1, 0.1)
    assert died(1.0, 1.0, 1.0, 1.3, 1.3, 1.3, on_s=lasted) is None
    assert died(1.0, 1.0, 1.0, 1.15, 1.15, 1.15, on_s=(0.4, 0.4, 0.4, 0.25, 0.25, 0.25)) is None, "0.4 s are usual"
    assert died(1.0, 1.0, 1.0, 1.15, 1.15, 1.15, on_s=0.25) == 3, "unless all are as short"
    assert died(1.0, 1.0, 1.0, 0.8, 0.8, 0.8, on_s=lasted) == 3
    assert died(1.0, 1.0, 1.0, 0.8, 0.8, 0.8, on_s=(0.4, 0.4, 0.4, 0.08, 0.08, 0.08)) == 3
    assert died(1.0, 1.0, 1.0, 0.8, 0.8, 0.8, on_s=(0.4, 0.4, 0.4, 0.04, 0.04, 0.04)) is None, "too short to read"


def test_flashes_that_were_not_read_say_nothing_of_lamps_that_die() -> None:
    lits = [lit(), lit(steady=None), lit(lamp=None), lit(), lit(), lit()]
    assert lamp_died_at(evidence(cycles(FLASHES, lits))) is None


def test_complete_flashes_come_before_the_one_at_hand() -> None:
    end_s = cycles(FLASHES)[-1].ended.t_s
    assert codes(lit_now=drawing(0.5), now_s=end_s + 0.3) == []


def test_a_voltage_that_changes_is_no_lamp_that_dies() -> None:
    """What conducts as before is the same load; and at less than 0.3 of the system's voltage nothing is read."""
    sags = [lit()] * 3 + [lit(lamp=0.8 * LAMP_V, steady=0.8 * STEADY_A)] * 3
    assert lamp_died_at(evidence(cycles(FLASHES, sags))) is None
    for volts, at in ((3.5, None), (3.7, 3)):
        dim = [lit()] * 3 + [lit(lamp=volts, steady=0.5 * STEADY_A * volts / LAMP_V)] * 3
        assert lamp_died_at(evidence(cycles(FLASHES, dim))) == at


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
