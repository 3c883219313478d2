"""What filament lamps of a rated wattage take: to tell a dead or wrong lamp in the bank from a fault of the unit.

Objective wattages at test voltage: UN R37 and Directive 97/24/EC data sheets (21 W and 5 W filaments read; 10 W from
memory). Current against voltage: I ~ V^0.55 (Standard Handbook for Electrical Engineers, after a public summary).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

TEST_V: Mapping[float, float] = {6.0: 6.75, 12.0: 13.5, 24.0: 28.0}
_OBJECTIVE_W: Mapping[float, Mapping[float, float]] = {
    21.0: {6.0: 26.0, 12.0: 25.0, 24.0: 28.0},
    10.0: {6.0: 10.0, 12.0: 10.0, 24.0: 12.5},
    5.0: {6.0: 5.0, 12.0: 5.0, 24.0: 7.0},
}
CURRENT_EXPONENT = 0.55
US_SYSTEM_V, US_RATED_V = 12.0, 12.8
US_LAMPS_W: Mapping[float, float] = {18.0: 18.4, 23.0: 23.0, 27.0: 26.9}
"""Watts of US lamps at US_RATED_V, by what is marked or said of them; all are for 12 V systems. 18.4 W (ANSI trade number 1141, 1.44 A) and
26.9 W (1156 and the bright filament of 1157, 2.10 A): lamp catalogue, read; 23 W (1073 and 1034, 1.80 A): lamp table, read; their amperes
from memory."""
SIGNAL_W = (18.0, 21.0, 23.0, 27.0)
"""Ratings of signal lamps, any of which may stand in a socket by mistake."""
TOLERANCE = 0.06  # of the objective wattage of 21 W filaments, same data sheets
_SMALL_TOLERANCE = 0.10  # of that of smaller ones, same data sheets
_US_TOLERANCE = 0.10  # of the current of US lamps: lamp catalogues, read
_AGED = 0.04  # a lamp loses so much of its current in its life (common practice, no source)

COLD_OVER_HOT = 14.6  # resistance at 2750 K over that at 24 degC: the tungsten table of Forsythe and Worthing (1925)


def expected_current_a(rated_w: Iterable[float], system_v: float, lamp_v: float) -> float:
    """Return the current in A that these lamps take together at lamp_v; ValueError for a system voltage that no lamp is made for."""
    test_v = _test_v(system_v)
    return _watts(rated_w, system_v) / test_v * float((max(lamp_v, 0.0) / test_v) ** CURRENT_EXPONENT)


def allowed_current_a(rated_w: float, system_v: float, lamp_v: float) -> tuple[float, float]:
    """Return the least and most current in A that a sound lamp of this rating takes at lamp_v, new or aged; ValueError as above.

    Small lamps come with either objective: their rating (R5W, R10W; from memory), or 1.19 times it (6 W for the 5 W filament of a
    21/5 W lamp, Directive 97/24/EC).
    """
    expected = expected_current_a([rated_w], system_v, lamp_v)
    if rated_w == 21.0:
        return (1.0 - TOLERANCE - _AGED) * expected, (1.0 + TOLERANCE) * expected
    if system_v == US_SYSTEM_V and rated_w in US_LAMPS_W:
        return (1.0 - _US_TOLERANCE - _AGED) * expected, (1.0 + _US_TOLERANCE) * expected
    other = expected * 1.19 * rated_w / _watts([rated_w], system_v)
    return (1.0 - _SMALL_TOLERANCE - _AGED) * min(expected, other), (1.0 + _SMALL_TOLERANCE) * max(expected, other)


def cold_conductance(rated_w: Iterable[float], system_v: float) -> float:
    """Return the conductance in S of these lamps together, cold; ValueError as above."""
    return COLD_OVER_HOT * _watts(rated_w, system_v) / _test_v(system_v) ** 2


def _test_v(system_v: float) -> float:
    if system_v not in TEST_V:
        raise ValueError(f"system voltage must be one of {', '.join(f'{v:g}' for v in TEST_V)} V, got {system_v!r}")
    return TEST_V[system_v]


def _watts(rated_w: Iterable[float], system_v: float) -> float:
    """Return the watts at test voltage of these lamps together."""
    return sum(_objective_w(w, system_v) for w in rated_w)


def _objective_w(rated_w: float, system_v: float) -> float:
    if system_v == US_SYSTEM_V and rated_w in US_LAMPS_W:
        return US_LAMPS_W[rated_w] * float((TEST_V[system_v] / US_RATED_V) ** (1.0 + CURRENT_EXPONENT))
    # A wattage not in the table is taken as 1.19 times its rating, as the 21 W lamp is.
    return _OBJECTIVE_W.get(rated_w, {}).get(system_v, 1.19 * rated_w)
