"""The filament lamp against published figures; the source stands beside each check."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench.simboard.filament import RESISTANCE_EXPONENT, filament, rated_filament
from bench.simboard.loads import led_lamp, standard_bank, steady_a

# Resistivity of tungsten in microohm cm at 300, 400 .. 3600 K: Forsythe and Worthing, 1925.
TUNGSTEN = (
    5.65, 8.06, 10.56, 13.23, 16.09, 19.00, 21.94, 24.93, 27.94, 30.98, 34.08, 37.19, 40.36, 43.55, 46.78, 50.05, 53.35,
    56.67, 60.06, 63.48, 66.91, 70.39, 73.91, 77.49, 81.04, 84.70, 88.33, 92.04, 95.76, 99.54, 103.3, 107.2, 111.1, 115.0,
)  # fmt: skip

AMBIENT_K = 297.15
LAMP = rated_filament(21.0, 12.0)


def test_resistance_follows_the_tungsten_table() -> None:
    kelvin = np.arange(300.0, 3601.0, 100.0)
    slope, _ = np.polyfit(np.log(kelvin), np.log(TUNGSTEN), 1)
    assert slope == pytest.approx(RESISTANCE_EXPONENT, abs=0.0006)
    # Anchored where a lamp works, at 2700 K, the law lies within 6 % of the table from cold to beyond lit, 2 % from 2000 K on.
    ratio = (kelvin / 2700.0) ** RESISTANCE_EXPONENT / (np.array(TUNGSTEN) / 81.04)
    assert np.max(np.abs(ratio - 1.0)) < 0.06
    assert np.max(np.abs(ratio[kelvin >= 2000.0] - 1.0)) < 0.02


def test_heat_capacity_of_tungsten() -> None:
    # NIST-JANAF (Chase 1998): 132.2, 149.9, 175.6, 204.5 J/kg K at 298, 1000, 2000, 2800 K. The straight line keeps within 4 %.
    for kelvin, published in ((298.15, 132.2), (1000.0, 149.9), (2000.0, 175.6), (2800.0, 204.5)):
        assert LAMP.capacity_j_per_k(kelvin) / LAMP.mass_kg == pytest.approx(published, rel=0.04)


def test_wattage_at_test_voltage() -> None:
    # Directive 97/24/EC, data sheet of the two-filament 21/5 W lamp: 25 W and 6 W at 13.5 V, within 6 % and 10 %.
    assert LAMP.steady_a(13.5) * 13.5 == pytest.approx(25.0, rel=0.06)
    small = rated_filament(5.0, 12.0)
    assert small.steady_a(13.5) * 13.5 == pytest.approx(6.0, rel=0.10)
    # And near its name at 12 V: P ~ V^1.5..1.6 puts 25 W at 13.5 V between 20.7 and 21.0 W.
    assert LAMP.steady_a(12.0) * 12.0 == pytest.approx(21.0, rel=0.02)


@pytest.mark.parametrize(("system_v", "volts"), [(6.0, 6.4), (12.0, 12.8), (24.0, 25.6)])
def test_exponent_of_current(system_v: float, volts: float) -> None:
    # IES Lighting Handbook, from memory: 0.541 gas-filled, 0.580 vacuum; Standard Handbook for Electrical Engineers: 0.55.
    lamp = rated_filament(21.0, system_v)
    exponent = math.log(lamp.steady_a(1.1 * volts) / lamp.steady_a(0.9 * volts)) / math.log(1.1 / 0.9)
    assert 0.54 <= exponent <= 0.58


@pytest.mark.parametrize("watts", [5.0, 10.0, 21.0])
def test_inrush_ratio(watts: float) -> None:
    # Lamp makers and installation guides: ten to fifteen times the steady current without series resistance.
    lamp = rated_filament(watts, 12.0)
    ratio = (12.8 / lamp.resistance_ohm(AMBIENT_K)) / lamp.steady_a(12.8)
    assert 10.0 <= ratio <= 15.0


def test_a_warm_filament_draws_less() -> None:
    # Computed for two lamps behind 0.10 ohm: peak over steady after 0.3 .. 10 s off; common practice, no source.
    hot = LAMP.steady_k(12.8)
    emf = 12.8 + 0.2 * LAMP.steady_a(12.8)
    for off_s, times in ((0.3, 2.1), (0.6, 3.0), (1.0, 4.3), (3.0, 9.5), (10.0, 10.5)):
        ohm = 0.5 * LAMP.resistance_ohm(LAMP.cooled_k(hot, off_s, AMBIENT_K)) + 0.10
        assert emf / ohm / (2.0 * LAMP.steady_a(12.8)) == pytest.approx(times, rel=0.03)


@given(st.floats(0.5, 60.0), st.floats(5.0, 30.0), st.floats(0.2, 1.3))
def test_steady_state_balances(watts: float, volts: float, share: float) -> None:
    lamp = filament(watts, volts)
    kelvin = lamp.steady_k(share * volts)
    assert lamp.loss_w(kelvin, AMBIENT_K) == pytest.approx((share * volts) ** 2 / lamp.resistance_ohm(kelvin), rel=1e-6)


@given(st.floats(300.0, 3000.0), st.floats(0.0, 20.0), st.floats(0.0, 20.0))
def test_cooling_in_two_goes_is_cooling_in_one(kelvin: float, first_s: float, second_s: float) -> None:
    whole = LAMP.cooled_k(kelvin, first_s + second_s, AMBIENT_K)
    parts = LAMP.cooled_k(LAMP.cooled_k(kelvin, first_s, AMBIENT_K), second_s, AMBIENT_K)
    assert AMBIENT_K <= whole <= kelvin
    assert parts == pytest.approx(whole, abs=0.3)


def test_led_lamp() -> None:
    led = led_lamp(0.15)
    assert steady_a(led, 12.8) == pytest.approx(0.15)
    assert steady_a(led, 8.0) == 0.0
    bank = standard_bank(24.0)
    # Twice the volts, half the current: the same watts.
    assert bank.current_a((6,), 25.6) * 25.6 == pytest.approx(0.15 * 12.8)


def test_bad_arguments() -> None:
    with pytest.raises(ValueError, match=r"must be 6, 12 or 24, not 13\.0"):
        rated_filament(21.0, 13.0)
    with pytest.raises(ValueError, match=r"1\.\.6, not 7"):
        standard_bank().fitted(7, None)
