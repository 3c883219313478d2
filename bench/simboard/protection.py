"""Trips for currents and voltages: the level that was set, the hardware latch, the supply."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from bench.samples import Array
from bench.simboard.waveform import Waveform
from bench.wire import TripCause

# The rig's hardware trips: at once at 75 A, and at 30 A behind 100 kilohm and 0.47 microfarad.
FAST_TRIP_A = 75.0
SLOW_TRIP_A = 30.0
SLOW_TRIP_TAU_S = 0.047
SUPPLY_DELAY_S = 0.01


class Trip(NamedTuple):
    """When the board opens by itself, and why."""

    t_s: float
    cause: TripCause


class _Held:
    """Since when a condition has held without a gap."""

    def __init__(self) -> None:
        self._since_s: float | None = None

    def forget(self) -> None:
        self._since_s = None

    def at(self, t: Array, lasts: npt.NDArray[np.bool_], delay_s: float) -> float | None:
        """Return when the condition had held for the whole delay, None if it has not within this stretch of nodes."""
        since = self._since_s
        for k in (0, *(np.flatnonzero(lasts[1:] != lasts[:-1]) + 1).tolist()):
            if lasts[k]:
                since = float(t[k]) if since is None else since
                continue
            if since is not None and since + delay_s <= t[k]:
                return since + delay_s
            since = None
        self._since_s = since
        return since + delay_s if since is not None and since + delay_s <= t[-1] else None


class Latch:
    """The over-current latch in hardware: it trips at once at 75 A, and slowly at 30 A behind a capacitor whose charge it remembers."""

    def __init__(self) -> None:
        self._slow_a = 0.0

    @property
    def free(self) -> bool:
        """Whether it can be cleared."""
        return self._slow_a < SLOW_TRIP_A

    def watch(self, wave: Waveform) -> float | None:
        """Return when it first trips in this stretch, None if it does not. Its charge is then that of this moment: the rest never
        happens."""
        t, current = wave.t_s, wave.i_load
        slow = low_passed(t, current, self._slow_a)
        beyond = (current >= FAST_TRIP_A) | (slow >= SLOW_TRIP_A)
        k = int(beyond.argmax()) if beyond.any() else len(t) - 1
        self._slow_a = float(slow[k])
        return float(t[k]) if beyond[k] else None


class Protection:
    """The trips of a board that is shown every stretch in turn. Remembers since when current or supply are too large."""

    def __init__(self) -> None:
        self.latch = Latch()
        self._current = _Held()
        self._supply = _Held()

    def watch(self, wave: Waveform, level_a: float, delay_s: float, top_v: float, *, tripped: bool) -> Trip | None:
        """Return the first trip in this stretch; None while everything is open because of one (`tripped`). top_v: highest reading."""
        t = wave.t_s
        held = (
            (self._current.at(t, np.abs(wave.i_load) >= level_a, delay_s), TripCause.CURR),
            (self._supply.at(t, wave.v_in >= top_v, SUPPLY_DELAY_S), TripCause.SUPP),
            (self.latch.watch(wave), TripCause.LATC),
        )
        first = min((Trip(t_s, cause) for t_s, cause in held if t_s is not None), default=None)
        if tripped or first is None:
            return None
        self._current.forget()
        self._supply.forget()
        return first


def low_passed(t: Array, x: Array, before: float) -> Array:
    """Return a first-order low-pass of time constant 47 ms at the nodes of straight lines, exactly. `before`: its value at the first node,
    in the unit of x."""
    tau = SLOW_TRIP_TAU_S
    dt = t[1:] - t[:-1]
    decay = np.exp(dt / -tau)
    lag = tau * np.divide(x[1:] - x[:-1], dt, out=np.zeros_like(dt), where=dt > 0.0)
    gain = np.where(dt > 0.0, x[1:] - lag - (x[:-1] - lag) * decay, 0.0)
    grown = np.exp((t - t[0]) / tau)
    result = np.empty_like(t)
    result[0] = before
    np.cumsum(gain * grown[1:], out=result[1:])
    result[1:] += before
    result /= grown
    return result
