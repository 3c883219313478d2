"""The simulated mechanisms against what the trade says of them: common practice, no source."""

from __future__ import annotations

import pytest

from bench.simboard.loads import led_lamp, standard_bank
from bench.simboard.units import MECHANISMS, Rating, nominal
from bench.simboard.world import World
from reports.trade_table import CASES, FoundBehaviour, TradeCase, behaviour

BY_TITLE = {case.title: case for case in CASES}


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.title)
def test_rates_within_a_tenth_of_the_table(case: TradeCase) -> None:
    for kind, (rate, on) in case.expected.items():
        found = behaviour(kind, case)
        if rate is None:
            assert found == FoundBehaviour(None, 100.0, None, None, lit=True), kind
        else:
            assert found.rate_per_min == pytest.approx(rate, rel=0.10), kind
            assert found.on_percent == pytest.approx(on, abs=2.0), kind


@pytest.mark.parametrize(
    ("kind", "opening_s", "light_s"),
    [("NC", 0.69, 0.0), ("HWh", 0.89, 0.47), ("HWp", 0.90, 0.51), ("ELo", 0.33, 0.002)],
)
def test_starts(kind: str, opening_s: float, light_s: float) -> None:
    found = behaviour(kind, BY_TITLE["2 x 21 W, 12.8 V"])
    assert found.opening_s == pytest.approx(opening_s, rel=0.03)
    assert found.light_s == pytest.approx(light_s, rel=0.03, abs=0.001)


def test_two_coil_unit_blinks_then_waits() -> None:
    world = _run("TC", (1, 2))
    first, second = world.pulses[0], world.pulses[1]
    assert first.make_s == 0.0 and first.break_s == pytest.approx(0.012, abs=0.003)
    assert second.make_s == pytest.approx(0.46, rel=0.05)


@pytest.mark.parametrize(
    ("kind", "drop_v", "dark_a"),
    [
        ("NC", 0.36, 0.0),
        ("HWh", 0.15, 0.28),
        ("HWp", 0.09, 0.28),
        ("TC", 0.15, 0.007),
        ("ELo", 0.16, 0.004),
    ],
)
def test_drop_and_dark_current(kind: str, drop_v: float, dark_a: float) -> None:
    pulse = _run(kind, (1, 2)).pulses[3]
    assert pulse.lowest_drop_v == pytest.approx(drop_v, abs=0.006)
    assert pulse.dark_a == pytest.approx(dark_a, rel=0.15, abs=0.0005)


def test_more_load_hurries_a_thermal_unit_and_less_stops_it() -> None:
    rates = [behaviour("NC", BY_TITLE[title]) for title in ("1 x 21 W", "2 x 21 W, 12.8 V", "2 x 21 + 5 W", "3 x 21 W")]
    assert rates[0].lit and rates[0].rate_per_min is None
    known = [one.rate_per_min for one in rates[1:] if one.rate_per_min is not None]
    assert len(known) == 3 and known == sorted(known)


def test_an_overloaded_thermal_unit_opens_in_the_inrush() -> None:
    world = _run("NC", (1, 2, 3))
    later = list(world.pulses)[3]
    assert later.break_s is not None and later.break_s - later.make_s < 0.06
    assert later.steady_a > 1.3 * 3.0 * 1.797  # lamps not yet hot


def test_an_electronic_unit_keeps_its_rate() -> None:
    for kind in ("EL", "EL2"):
        for title in ("1 x 21 W", "2 x 21 W, 12.8 V", "4 x 21 W", "11 V", "15 V"):
            assert behaviour(kind, BY_TITLE[title]).rate_per_min == pytest.approx(90.0, rel=0.002)


def test_outage_signalling_sees_a_lamp_but_not_a_repeater() -> None:
    lost_repeater = _rate("ELo", (1, 2))
    full = _rate("ELo", (1, 2, 5))
    lost_lamp = _rate("ELo", (1, 5))
    assert lost_repeater == pytest.approx(full, rel=0.002)
    assert 2.0 <= lost_lamp / full <= 2.4
    # The threshold follows the supply, so that all lamps at 11 V are not taken for an outage.
    for volts in (11.0, 15.0):
        assert _rate("ELo", (1, 2), supply_v=volts) == pytest.approx(full, rel=0.002)
        assert _rate("ELo", (1, 5), supply_v=volts) / full > 2.0


@pytest.mark.parametrize(("kind", "early", "late"), [("NC", 87.4, 88.8), ("HWh", 85.2, 84.4), ("HWp", 89.1, 88.4)])
def test_rate_drifts_as_the_can_warms(kind: str, early: float, late: float) -> None:
    makes = [p.make_s for p in _run(kind, (1, 2), 66.0).pulses]
    for rate, begin_s in ((early, 1.0), (late, 58.0)):
        some = [t for t in makes if begin_s <= t <= begin_s + 5.0]
        assert 60.0 * (len(some) - 1) / (some[-1] - some[0]) == pytest.approx(rate, rel=0.01)


def test_led_lamps() -> None:
    """Two of 0.15 A: NC and TC stay lit, a hot wire stays dark and the LEDs glow at 29 %, outage signalling races."""
    assert _lit_for_ever("NC") and _lit_for_ever("TC")
    for kind in ("HWh", "HWp"):
        world = _leds(kind)
        assert not world.pulses
        assert world.advance(6.1).i_load[-1] == pytest.approx(0.086, rel=0.03)
    assert len(_leds("ELo").pulses) > 2 * len(_leds("EL").pulses) - 2 > 10
    assert not _leds("EL2").pulses  # can't feed itself through LED lamps


def test_pilot() -> None:
    for kind in ("HWh", "HWp", "TC", "ELo"):
        assert _run(kind, (1, 2, 7)).pulses[3].pilot_lit
    assert not _run("HWh", (1, 7)).pulses[3].pilot_lit
    for kind in ("NC", "EL", "EL2"):
        assert not _run(kind, (1, 2, 7)).pulses[3].pilot_lit


def test_first_peak_from_cold() -> None:
    # 13.16 V over lamps, wiring and unit; the unit's own pilot lamp not fitted.
    for kind, unit_ohm in (("NC", 0.102), ("TC", 0.042), ("ELo", 0.045)):
        assert _run(kind, (1, 2)).pulses[0].peak_a == pytest.approx(13.16 / (0.3496 + unit_ohm), rel=0.005)
    # And with the link: 37.7 A.
    world = World("LINK", scatter=False)
    world.switch(loads=frozenset({1, 2}), master=True)
    assert world.advance(0.01).i_load[0] == pytest.approx(37.7, rel=0.005)


@pytest.mark.parametrize("kind", MECHANISMS)
@pytest.mark.parametrize("system_v", [6.0, 24.0])
def test_other_voltages(kind: str, system_v: float) -> None:
    world = World(nominal(kind, Rating(system_v)), supply_v=system_v * 12.8 / 12.0, system_v=system_v, scatter=False)
    world.switch(loads=frozenset({1, 2}), master=True)
    world.advance(8.0)
    makes = [p.make_s for p in world.pulses][2:]
    assert 60.0 <= 60.0 * (len(makes) - 1) / (makes[-1] - makes[0]) <= 120.0


def _run(kind: str, loads: tuple[int, ...], seconds: float = 4.0, supply_v: float = 12.8) -> World:
    world = World(nominal(kind), supply_v=supply_v, scatter=False)
    world.switch(loads=frozenset(loads), master=True)
    world.advance(seconds)
    return world


def _rate(kind: str, loads: tuple[int, ...], supply_v: float = 12.8) -> float:
    makes = [p.make_s for p in _run(kind, loads, 6.0, supply_v).pulses][2:]
    return 60.0 * (len(makes) - 1) / (makes[-1] - makes[0])


def _leds(kind: str) -> World:
    bank = standard_bank().fitted(1, led_lamp(0.15)).fitted(2, led_lamp(0.15))
    # The supply as it was set with filament lamps: 12.8 V at those.
    world = World(nominal(kind), supply_v=13.13, bank=bank, scatter=False)
    world.switch(loads=frozenset({1, 2}), master=True)
    world.advance(6.0)
    return world


def _lit_for_ever(kind: str) -> bool:
    world = _leds(kind)
    flashes = len(world.pulses)
    world.switch(master=False)
    return flashes == 0 and world.pulses[0].steady_a == pytest.approx(0.32, rel=0.05)
