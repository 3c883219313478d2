"""The values of a description: what a board is, and what its readings mean."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import NamedTuple

from bench.description.channels import NEEDED, LoadKind, ProtectionName
from bench.wire import ModeName

_HOTTEST_K = 1000.0
_T25_K = 298.15
_ZERO_CELSIUS_K = 273.15


@dataclass(frozen=True, slots=True)
class Range:
    """Reading = (count - zero) * scale. Uncertainties are standard (k = 1), in the channel's unit; `u_scale` is relative.

    `low` and `high` (readings), `u_zero`, `u_line` and `noise` are in that unit.
    """

    number: int
    zero: float
    scale: float
    low: float
    high: float
    u_scale: float
    u_zero: float
    u_line: float
    noise: float

    def u_at(self, reading: float) -> float:
        """Return the standard uncertainty of the mean of many readings near this `reading`, both in the channel's unit: scale, zero and
        linearity."""
        return math.sqrt((self.u_scale * reading) ** 2 + self.u_zero**2 + self.u_line**2)


@dataclass(frozen=True, slots=True)
class NtcCurve:
    """A thermistor to ground, fed from the converter's reference through `series_ohm`; B equation about 25 degC."""

    series_ohm: float
    r25_ohm: float
    b_k: float

    def temperature_c(self, ratio: float) -> float:
        """Return degC for `ratio`, count over full scale (2 ** bits), strictly between 0 and 1. A ratio that no temperature gives reads 727
        degC."""
        resistance = self.series_ohm * ratio / (1.0 - ratio)
        per_k = 1.0 / _T25_K + math.log(resistance / self.r25_ohm) / self.b_k
        return 1.0 / max(per_k, 1.0 / _HOTTEST_K) - _ZERO_CELSIUS_K

    def ratio(self, temperature_c: float) -> float:
        """Return count over full scale at that temperature: the inverse of `temperature_c`."""
        resistance = self.r25_ohm * math.exp(self.b_k * (1.0 / (temperature_c + _ZERO_CELSIUS_K) - 1.0 / _T25_K))
        return resistance / (resistance + self.series_ohm)


class CommonModeError(NamedTuple):
    """A channel reads in error a part of the channel `other`: `part` of it, known with standard uncertainty `u`.

    A board states u only; `part` stays 0 until the shorting link has shown it (`bench.zero`).
    """

    other: str
    u: float
    part: float = 0.0


@dataclass(frozen=True, slots=True)
class Channel:
    """`delay_s`: time constant of the first-order input filter. `common`: shares of other channels that are read in error."""

    name: str
    unit: str
    slot: int
    first: int
    every: int
    delay_s: float
    ranges: tuple[Range, ...]
    common: tuple[CommonModeError, ...] = ()
    curve: NtcCurve | None = None

    def range(self, number: int) -> Range:
        """Return the range in use while voltage range `number` is selected: the channel's own of that number, else its first."""
        return next((r for r in self.ranges if r.number == number), self.ranges[0])


@dataclass(frozen=True, slots=True)
class Mode:
    """A sample mode: clock ticks from one sample to the next, slots in a scan, bits of a sample."""

    name: ModeName
    ticks_per_sample: int
    slots: int
    bits: int


@dataclass(frozen=True, slots=True)
class BoardLoad:
    """`nominal`: W for LAMP and PILOT, ohm for LEAK, 0 for FREE."""

    number: int
    kind: LoadKind
    nominal: float


@dataclass(frozen=True, slots=True)
class ProtectionLimit:
    """A setting of the protection that a board takes from `low` to `high`: A for CURR, else s. `default` in the same unit."""

    name: ProtectionName
    low: float
    high: float
    default: float


@dataclass(frozen=True, slots=True)
class Check:
    """A built-in standard: `channel` should read `expected` with standard uncertainty `u`."""

    channel: str
    expected: float
    u: float


@dataclass(frozen=True, slots=True)
class ScanPlace:
    """A place in the scan plan: `slot` of every `every`th scan from `first` on."""

    slot: int
    first: int
    every: int


@dataclass(frozen=True, slots=True)
class Loop:
    """Series resistance from the supply's terminals through switch, shunt and wiring to the lamps, unit shorted, with its standard
    uncertainty; ohm."""

    ohm: float
    u_ohm: float


@dataclass(frozen=True)
class BoardDescription:
    """`calibrated`: the day of the calibration that ranges and clock come from, as a number such as 20261125; 0 for none. `loop`: None
    where the board does not state it. `unread`: the places in the scan plan of channels that this program can't read. `clock_half_width`:
    relative.
    """

    model: str
    serial: str
    clock_hz: float
    clock_half_width: float
    modes: Mapping[str, Mode]
    channels: Mapping[str, Channel]
    loads: Mapping[int, BoardLoad] = field(default_factory=dict)
    limits: Mapping[str, ProtectionLimit] = field(default_factory=dict)
    checks: tuple[Check, ...] = ()
    calibrated: int = 0
    loop: Loop | None = None
    unread: Mapping[str, ScanPlace] = field(default_factory=dict)

    def sample_period_s(self, mode: str) -> float:
        """Return the nominal time from one sample to the next (of the next slot), in s."""
        return self.modes[mode].ticks_per_sample / self.clock_hz

    @property
    def missing(self) -> tuple[str, ...]:
        """The channels that a test of a unit needs and this board lacks."""
        return tuple(name for name in NEEDED if name not in self.channels)

    def mode_of(self, name: ModeName) -> Mode:
        """Return the mode of that name, as a frame says it; of a board that has only the other, that one, since samples need a time."""
        return self.modes.get(name) or next(iter(self.modes.values()))

    @property
    def slots(self) -> int:
        """Slots per scan, the same in all modes."""
        return next(iter(self.modes.values())).slots
