"""The simulated thermal circuit against SciPy's `solve_ivp` with events.

The same equations, written again here from their constants.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.integrate import solve_ivp

from bench.simboard.filament import rated_filament
from bench.simboard.units import nominal
from bench.simboard.world import World

# Two 21 W lamps: 25 W at 13.5 V, lit to 2750 K; 85 % radiated as T^4.87, 15 % lost through gas; 9.06 mg.
_AMBIENT_K = 297.15
_OHM = 13.5**2 / 25.0 / 2750.0**1.205
_RADIATED = 0.85 * 25.0 / (2750.0**4.87 - _AMBIENT_K**4.87)
_GAS = 0.15 * 25.0 / (2750.0 - _AMBIENT_K)
_MASS = 9.06e-6
_SENSE_OHM = 32_600.0


@dataclass(frozen=True)
class Edges:
    makes: list[float]
    breaks: list[float]


def _lamp_slope(kelvin: float, volts: float) -> float:
    heat = volts**2 / (_OHM * kelvin**1.205)
    lost = _RADIATED * (kelvin**4.87 - _AMBIENT_K**4.87) + _GAS * (kelvin - _AMBIENT_K)
    return float(heat - lost) / (_MASS * (124.0 + 0.0262 * kelvin))


def _thermal_closed(emf: float, until_s: float) -> Edges:
    """State: lamp K, power to the strip W, strip degC, can degC."""

    def slopes(closed: bool, y: np.ndarray) -> list[float]:
        lamp_k, power, strip, can = y
        volts = amps = 0.0
        if closed:
            load = 1.0 / (2.0 / (_OHM * lamp_k**1.205) + 1.0 / _SENSE_OHM)
            # The sense divider sits at the unit's output; moving it over 30 milliohm to the lamps shifts 0.4 mA by nothing.
            amps = emf / (0.10 + 0.090 + 0.012 + load)
            volts = amps * load
        crossing = 4.0e-3 * (strip - can)
        return [
            _lamp_slope(lamp_k, volts),
            (amps**2 * 0.090 - power) / 0.015,
            (power - crossing) / 3.6e-3,
            (crossing - 0.10 * (can - 24.0)) / 7.0,
        ]

    y, t, closed = np.array([_AMBIENT_K, 0.0, 24.0, 24.0]), 0.0, True
    edges = Edges([0.0], [])
    while t < until_s:
        threshold = 232.0 if closed else 172.0

        def crossing(_: float, y: np.ndarray, threshold: float = threshold) -> float:
            return float(y[2] - threshold)

        crossing.terminal = True  # type: ignore[attr-defined]
        crossing.direction = 1.0 if closed else -1.0  # type: ignore[attr-defined]
        found = solve_ivp(
            lambda _, y, closed=closed: slopes(closed, y),
            (t, until_s), y, method="DOP853", rtol=1e-9, atol=1e-9, events=crossing,
        )  # fmt: skip
        t, y = float(found.t[-1]), found.y[:, -1]
        if found.t_events[0].size:
            (edges.breaks if closed else edges.makes).append(t)
            closed = not closed
    return edges


def test_thermal_unit_keeps_the_time_that_scipy_finds() -> None:
    world = World(nominal("NC"), scatter=False)
    world.switch(loads=frozenset({1, 2}), master=True)
    world.advance(8.0)
    pulses = [p for p in world.pulses if p.break_s is not None]
    emf = 12.8 + 0.10 * 2.0 * rated_filament(21.0, 12.0).steady_a(12.8)
    truth = _thermal_closed(emf, 8.0)
    assert len(pulses) == len(truth.breaks) >= 10
    makes, breaks = [p.make_s for p in pulses], [p.break_s or math.nan for p in pulses]
    # Periods within 0.01 % (asked: 0.05 %), no edge off by more than 0.5 ms after eleven flashes: ours has aged by those eleven.
    ours, theirs = np.diff(makes), np.diff(truth.makes[: len(makes)])
    assert np.max(np.abs(ours / theirs - 1.0)) < 1e-4
    assert np.max(np.abs(np.array(makes) - truth.makes[: len(makes)])) < 5e-4
    assert np.max(np.abs(np.array(breaks) - truth.breaks)) < 5e-4


def test_a_lamp_cools_as_scipy_says() -> None:
    lamp = rated_filament(21.0, 12.0)
    hot = lamp.steady_k(12.8)
    for seconds in (0.02, 0.3, 1.0, 3.0):
        found = solve_ivp(lambda _, y: [_lamp_slope(y[0], 0.0)], (0.0, seconds), [hot], method="DOP853", rtol=1e-10, atol=1e-8)
        assert abs(lamp.cooled_k(hot, seconds, _AMBIENT_K) - found.y[0, -1]) < 0.5


def _two_lamps_switched(emf: float, legs: list[tuple[float, frozenset[int]]], at_s: np.ndarray) -> np.ndarray:
    """Supply current in A at these instants, with the link in the socket; legs: (until s, lamps closed); both lamps cold at 0."""
    loop_ohm = 0.10 + 0.0005

    def lamp_volts(y: np.ndarray, closed: frozenset[int]) -> tuple[float, float]:
        siemens = 1.0 / _SENSE_OHM + sum(1.0 / (_OHM * y[n - 1] ** 1.205) for n in closed)
        amps = emf / (loop_ohm + 1.0 / siemens)
        return emf - amps * loop_ohm, amps

    begin, y, amps = 0.0, np.array([_AMBIENT_K, _AMBIENT_K]), np.empty_like(at_s)
    for end, closed in legs:

        def slopes(_: float, y: np.ndarray, closed: frozenset[int] = closed) -> list[float]:
            volts, _ = lamp_volts(y, closed)
            return [_lamp_slope(y[n - 1], volts if n in closed else 0.0) for n in (1, 2)]

        found = solve_ivp(slopes, (begin, end), y, method="DOP853", rtol=1e-9, atol=1e-9, dense_output=True)
        mine = (at_s > begin) & (at_s <= end)
        amps[mine] = [lamp_volts(found.sol(t), closed)[1] for t in at_s[mine]]
        begin, y = end, found.y[:, -1]
    return amps


def test_loads_switched_live_draw_the_current_that_scipy_finds() -> None:
    """Lamp 1 is steady, lamp 2 closes cold beside it, opens, closes again warm; then lamp 1 opens and closes."""
    one, two, both = frozenset({1}), frozenset({2}), frozenset({1, 2})
    legs = [(4.0, one), (4.5, both), (4.8, one), (5.2, both), (5.3, two), (5.8, both)]
    world = World("LINK", scatter=False)
    world.switch(master=True)
    pieces = []
    for end, closed in legs:
        world.switch(loads=closed)
        pieces.append(world.advance(end))
    # From 0.2 ms after each switching, closely at first.
    after = np.geomspace(2e-4, 0.0999, 60)
    begins = [0.0, *(end for end, _ in legs[:-1])]
    at_s = np.concatenate([begin + after for begin in begins])
    ours = np.concatenate([np.interp(b + after, piece.t_s, piece.i_load) for b, piece in zip(begins, pieces, strict=True)])
    emf = 12.8 + 0.10 * 2.0 * rated_filament(21.0, 12.0).steady_a(12.8)
    theirs = _two_lamps_switched(emf, legs, at_s)
    # Straight lines between the steps cost 0.35 % in the first millisecond (asked: 1 %).
    assert np.max(np.abs(ours / theirs - 1.0)) < 5e-3
    # At the instant itself: a cold lamp's inrush beside the lit one.
    inrush = _two_lamps_switched(emf, legs, np.array([4.0 + 1e-9]))[0]
    assert abs(pieces[1].i_load[0] / inrush - 1.0) < 1e-4
    assert inrush > 9.0 * pieces[0].i_load[-1]
