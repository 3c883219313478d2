"""Manual actions at a bench, performed by a person or by SIMulation commands; and who performs them."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Protocol, TypeAlias

from bench.calibration import MeterAccuracy


@dataclass(frozen=True, slots=True)
class FitLink:
    """Put the shorting link in the unit's place."""


@dataclass(frozen=True, slots=True)
class FitUnit:
    """Put the unit in its place."""

    unit: str


@dataclass(frozen=True, slots=True)
class FitResistor:
    """Put a resistor in the unit's place, the sense leads on its ends."""

    ohm: float


SUPPLY_PART = 0.02
"""How far a supply may be off. One that was set at its own terminals, not at the lamps, is 2.7 % off (computed, 2 x 21 W at 12.8 V)."""


@dataclass(frozen=True, slots=True)
class SetSupply:
    """Set the supply to `volts` at the lamps, with the unit shorted and the rated load on: that is `open_v` without load.

    `loads`: the numbers of that load on the board; None where the supply is set for no load in particular.
    """

    volts: float
    open_v: float
    loads: tuple[int, ...] | None = None

    @property
    def within_v(self) -> float:
        """How far from `open_v` it may be."""
        return SUPPLY_PART * self.open_v

    def well_set(self, v_in_v: float) -> bool:
        """Return whether this voltage, without load, is so near that it will be found right again."""
        return abs(v_in_v - self.open_v) <= 0.5 * self.within_v


@dataclass(frozen=True, slots=True)
class Cool:
    """Leave everything as it is for `seconds`."""

    seconds: float


@dataclass(frozen=True, slots=True)
class Do:
    """Whatever `text` says."""

    text: str


@dataclass(frozen=True, slots=True)
class MeasuringPoint:
    """Where a meter is to be read: the board's channel there, its unit, where that is for people, and how good the meter is on the range
    used there."""

    channel: str
    unit: str
    text: str
    accuracy: MeterAccuracy


Action: TypeAlias = FitLink | FitUnit | FitResistor | SetSupply | Cool | Do
Meanwhile: TypeAlias = Callable[[], Mapping[str, float]]
"""What to call at least five times a second while the operator is waited for: it keeps the board's attention for 0.1 s, and raises what
becomes of it, and of the test. While a supply is set, it gives the readings of the channels, the supply without load at `v_in`; else
nothing."""


class Operator(Protocol):
    """Who performs manual actions: a person, or a simulated board's commands."""

    def do(self, action: Action, meanwhile: Meanwhile) -> bool | None:
        """Do it, or have it done, and return when it is.

        True: it is certainly as asked, so the session need not look at the supply, nor wait for what cools. Else it does both.
        """


class MeterReader(Operator, Protocol):
    """An operator with a meter."""

    def read_meter(self, place: MeasuringPoint, meanwhile: Meanwhile) -> float:
        """Return what it shows there now, in the place's unit. Who has to wait for it calls `meanwhile` at least five times a second."""
