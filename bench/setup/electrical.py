"""What a set-up means electrically: currents, voltages without load, protection, what the analysis has to know."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from bench.bank import Socket
from bench.description import BoardDescription, Loop
from bench.measure import Conditions
from bench.setup.loads import RunLoad
from bench.setup.setup import Setup

LOOP_ASSUMED = Loop(0.10, 0.03)
"""Of a board that does not state its own: what SAE J823 (1994) asks for, after a public summary; how far benches are off it is a guess."""
_INRUSH: Mapping[str, float] = {"filament": 15.0, "led": 3.0, "resistor": 1.0, "led+resistor": 3.0}
"""Times the steady current that a cold load takes from a stiff source, at most: filaments 10 to 15 (general lighting notes); LED lamps, for
the capacitors at their input (common practice, no source)."""
_SUPPLY_PART = 0.025


def steady_a(load: RunLoad, setup: Setup, lamp_v: float) -> float | None:
    """Return what the load takes when it is hot, in A; None if that is not known (a place whose lamp is not stated)."""
    known = _known(load, setup)
    return None if known is None else sum(socket.current_a(setup.system_v, lamp_v) for socket in known)


def _known(load: RunLoad, setup: Setup) -> tuple[Socket, ...] | None:
    """Return what the load holds, where that can be relied on: not on the description, if the lamps are said to be others."""
    return load.known if setup.filament or setup.bank is not None else None


def loop_of(description: BoardDescription) -> Loop:
    """Series resistance from supply to lamps: the board's own, or LOOP_ASSUMED."""
    return description.loop or LOOP_ASSUMED


def open_v(setup: Setup, rated: RunLoad, lamp_v: float, description: BoardDescription) -> float:
    """Return the supply's voltage without load that leaves lamp_v at the lamps, unit shorted and rated load on (SAE J823)."""
    return lamp_v + loop_of(description).ohm * (steady_a(rated, setup, lamp_v) or 0.0)


def conditions_for(setup: Setup, rated: RunLoad, load: RunLoad, lamp_v: float, description: BoardDescription) -> Conditions:
    """Return what the analysis has to know; the band of the supply is what the loop leaves at the unit, 2.5 % wider each way, and by what
    the loop's uncertainty (k = 2) may hide at the rated load."""
    loop = loop_of(description)
    source_v = open_v(setup, rated, lamp_v, description)
    falls = 1.2 * loop.ohm * (steady_a(load, setup, lamp_v) or 0.0)
    slack = _SUPPLY_PART * lamp_v + 2.0 * loop.u_ohm * (steady_a(rated, setup, lamp_v) or 0.0)
    return Conditions(
        system_v=setup.system_v,
        lamps_w=load.watts,
        filament=setup.filament and load.filament,
        supply_low_v=source_v - falls - slack,
        supply_high_v=source_v + slack,
        open_v=source_v,
        pilot_w=load.pilot_w,
        other_a=None if load.filament else steady_a(load, setup, lamp_v),
        loop_ohm=loop.ohm + 2.0 * loop.u_ohm,
    )


def protection_a(setup: Setup, load: RunLoad, lamp_v: float, description: BoardDescription) -> float | None:
    """Return the over-current level in A: a quarter above the inrush of the cold load; the largest if the load is not known."""
    limit = description.limits.get("CURR")
    if limit is None:
        return None
    inrush_a = most_inrush_a(setup, load, lamp_v, description)
    return limit.high if inrush_a is None else min(max(round(1.25 * inrush_a, 1), limit.low), limit.high)


def most_inrush_a(setup: Setup, load: RunLoad, lamp_v: float, description: BoardDescription) -> float | None:
    """Return the most that the cold load may take through the loop, in A; None if the load is not known."""
    known = _known(load, setup)
    if known is None:
        return None
    cold_conductance_s = sum(_INRUSH[socket.kind] * socket.current_a(setup.system_v, lamp_v) for socket in known) / lamp_v
    loop_ohm = max(loop_of(description).ohm - 2.0 * loop_of(description).u_ohm, 0.0)
    return open_v(setup, load, lamp_v, description) * cold_conductance_s / (1.0 + loop_ohm * cold_conductance_s)


def on_time_s(at_most_s: float, description: BoardDescription) -> float | None:
    """Longest on-time to set for a run of at_most_s: a few seconds more, within what the board allows."""
    limit = description.limits.get("TIME")
    return None if limit is None else min(max(math.ceil(at_most_s + 5.0), limit.low), limit.high)


def range_reach_v(setup: Setup, volts: Sequence[float]) -> float:
    """Return the voltage that the board's voltage range must reach for runs at these supply voltages."""
    return max(1.15 * v + 0.5 for v in volts)
