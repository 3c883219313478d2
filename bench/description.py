"""What a board says about itself: channels, ranges, uncertainties, modes, loads, limits (firmware/PROTOCOL.md section 8).

Pure. A different board is a different description, not different host code.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from bench.wire.frames import SAMPLES_PER_FRAME, crc16
from bench.wire.text import format_number, parse_number

PROTOCOL_VERSION = 1
PERIOD_SCANS = 64
LOAD_KINDS = ("LAMP", "PILOT", "LEAK", "FREE")
LIMIT_NAMES = ("CURR", "DELAY", "TIME", "SIL")
_T25_K = 298.15
_ZERO_CELSIUS_K = 273.15


class DescriptionError(Exception):
    """A board's description can't be used. The message is one line and quotes the line at fault."""


@dataclass(frozen=True, slots=True)
class Range:
    """Reading = (count - zero) * scale. Uncertainties are standard (k = 1), in the channel's unit; `u_scale` is relative."""

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
        """Standard uncertainty of the mean of many readings near this one, in the channel's unit: scale, zero and linearity."""
        return math.sqrt((self.u_scale * reading) ** 2 + self.u_zero**2 + self.u_line**2)


@dataclass(frozen=True, slots=True)
class NtcCurve:
    """A thermistor to ground, fed from the converter's reference through `series_ohm`; B equation about 25 degC."""

    series_ohm: float
    r25_ohm: float
    b_k: float

    def temperature_c(self, ratio: float) -> float:
        """`ratio` is count over full scale (2 ** bits), strictly between 0 and 1."""
        resistance = self.series_ohm * ratio / (1.0 - ratio)
        return 1.0 / (1.0 / _T25_K + math.log(resistance / self.r25_ohm) / self.b_k) - _ZERO_CELSIUS_K

    def ratio(self, temperature_c: float) -> float:
        """The inverse of `temperature_c`."""
        resistance = self.r25_ohm * math.exp(self.b_k * (1.0 / (temperature_c + _ZERO_CELSIUS_K) - 1.0 / _T25_K))
        return resistance / (resistance + self.series_ohm)


class Share(NamedTuple):
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
    common: tuple[Share, ...] = ()
    curve: NtcCurve | None = None

    def range(self, number: int) -> Range:
        """The range in use while voltage range `number` is selected: the channel's own of that number, else its first."""
        return next((r for r in self.ranges if r.number == number), self.ranges[0])


@dataclass(frozen=True, slots=True)
class Mode:
    name: str
    ticks_per_sample: int
    slots: int
    bits: int


@dataclass(frozen=True, slots=True)
class Load:
    """`nominal`: W for LAMP and PILOT, ohm for LEAK, 0 for FREE."""

    number: int
    kind: str
    nominal: float


@dataclass(frozen=True, slots=True)
class Limit:
    name: str
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
class Loop:
    """Series resistance from the supply's terminals through switch, shunt and wiring to the lamps, unit shorted, with its standard
    uncertainty; ohm."""

    ohm: float
    u_ohm: float


@dataclass(frozen=True)
class BoardDescription:
    """`calibrated`: the day of the calibration that ranges and clock come from, as a number such as 20261125; 0 for none. `loop`: None
    where the board does not state it."""

    model: str
    serial: str
    clock_hz: float
    clock_half_width: float
    modes: Mapping[str, Mode]
    channels: Mapping[str, Channel]
    loads: Mapping[int, Load] = field(default_factory=dict)
    limits: Mapping[str, Limit] = field(default_factory=dict)
    checks: tuple[Check, ...] = ()
    calibrated: int = 0
    loop: Loop | None = None

    def sample_period_s(self, mode: str) -> float:
        """Nominal time from one sample to the next (of the next slot), in s."""
        return self.modes[mode].ticks_per_sample / self.clock_hz

    @property
    def slots(self) -> int:
        """Slots per scan, the same in all modes."""
        return next(iter(self.modes.values())).slots


@dataclass
class _Draft:
    """What has been read so far; channels come in pieces and in any order."""

    board: tuple[str, str] | None = None
    clock: tuple[float, float] | None = None
    calibrated: int = 0
    modes: dict[str, Mode] = field(default_factory=dict)
    channels: dict[str, tuple[str, int, int, int, float]] = field(default_factory=dict)
    ranges: dict[str, dict[int, Range]] = field(default_factory=dict)
    common: dict[str, dict[str, float]] = field(default_factory=dict)
    curves: dict[str, NtcCurve] = field(default_factory=dict)
    checks: dict[str, Check] = field(default_factory=dict)
    loads: dict[int, Load] = field(default_factory=dict)
    limits: dict[str, Limit] = field(default_factory=dict)
    loop: Loop | None = None


def _require(condition: bool, what: str) -> None:
    if not condition:
        raise ValueError(what)


def _whole(text: str, low: int, high: int) -> int:
    _require(text.isascii() and text.isdigit() and len(text) < 10 and low <= int(text) <= high,
             f"{text!r} is not a whole number from {low} to {high}")
    return int(text)


def _not_negative(text: str) -> float:
    value = parse_number(text)
    _require(value >= 0.0, f"{text} is negative")
    return value


def _board(d: _Draft, f: list[str]) -> None:
    _require(d.board is None, "a second line of this kind")
    _require(f[0] == str(PROTOCOL_VERSION), f"protocol version {f[0]} is not the {PROTOCOL_VERSION} that this program speaks")
    d.board = f[1], f[2]


def _clock(d: _Draft, f: list[str]) -> None:
    _require(d.clock is None, "a second line of this kind")
    d.clock = parse_number(f[0]), _not_negative(f[1])
    _require(d.clock[0] > 0.0 and d.clock[1] < 1.0, "a frequency above 0 and a relative error below 1 are needed")


def _calibrated(d: _Draft, f: list[str]) -> None:
    _require(d.calibrated == 0, "a second line of this kind")
    d.calibrated = _whole(f[0], 1, 99991231)


def _mode(d: _Draft, f: list[str]) -> None:
    _require(f[0] in ("FAST", "PREC") and f[0] not in d.modes, "a mode is FAST or PREC, once")
    mode = Mode(f[0], _whole(f[1], 1, 65535), _whole(f[2], 1, SAMPLES_PER_FRAME), _whole(f[3], 1, 12))
    _require(SAMPLES_PER_FRAME % mode.slots == 0, f"{SAMPLES_PER_FRAME} samples do not hold whole scans of {mode.slots}")
    d.modes[f[0]] = mode


def _channel(d: _Draft, f: list[str]) -> None:
    _require(f[0] not in d.channels, "a second channel of this name")
    every = _whole(f[4], 1, PERIOD_SCANS)
    _require(PERIOD_SCANS % every == 0, f"{every} does not divide {PERIOD_SCANS}")
    d.channels[f[0]] = f[1], _whole(f[2], 0, SAMPLES_PER_FRAME - 1), _whole(f[3], 0, every - 1), every, _not_negative(f[5])


def _range(d: _Draft, f: list[str]) -> None:
    number = _whole(f[1], 0, 3)
    ranges = d.ranges.setdefault(f[0], {})
    _require(number not in ranges, "a second range of this number")
    zero, scale, low, high = (parse_number(x) for x in f[2:6])
    _require(scale > 0.0 and low < high, "a scale above 0 and a lowest reading below the highest are needed")
    u_scale, u_zero, u_line, noise = (_not_negative(x) for x in f[6:10])
    ranges[number] = Range(number, zero, scale, low, high, u_scale, u_zero, u_line, noise)


def _common(d: _Draft, f: list[str]) -> None:
    parts = d.common.setdefault(f[0], {})
    _require(f[1] not in parts, "a second line for this pair")
    parts[f[1]] = _not_negative(f[2])


def _curve(d: _Draft, f: list[str]) -> None:
    _require(f[1] == "NTC", f"a curve of kind {f[1]!r} is not known")
    _require(f[0] not in d.curves, "a second curve for this channel")
    curve = NtcCurve(*(parse_number(x) for x in f[2:5]))
    _require(min(curve.series_ohm, curve.r25_ohm, curve.b_k) > 0.0, "resistances and B must be above 0")
    d.curves[f[0]] = curve


def _check(d: _Draft, f: list[str]) -> None:
    _require(f[0] not in d.checks, "a second check of this channel")
    d.checks[f[0]] = Check(f[0], parse_number(f[1]), _not_negative(f[2]))


def _loop(d: _Draft, f: list[str]) -> None:
    _require(d.loop is None, "a second line of this kind")
    d.loop = Loop(_not_negative(f[0]), _not_negative(f[1]))


def _load(d: _Draft, f: list[str]) -> None:
    number = _whole(f[0], 1, 8)
    _require(number not in d.loads and f[1] in LOAD_KINDS, f"a load is one of {', '.join(LOAD_KINDS)}, once for each number")
    d.loads[number] = Load(number, f[1], _not_negative(f[2]))


def _limit(d: _Draft, f: list[str]) -> None:
    _require(f[0] in LIMIT_NAMES and f[0] not in d.limits, f"a limit is one of {', '.join(LIMIT_NAMES)}, once")
    limit = Limit(f[0], *(parse_number(x) for x in f[1:4]))
    _require(limit.low <= limit.default <= limit.high, "the default does not lie between the smallest and the largest")
    d.limits[f[0]] = limit


_READERS: Mapping[str, tuple[int, Callable[[_Draft, list[str]], None]]] = {
    "board": (3, _board),
    "calibrated": (1, _calibrated),
    "clock": (2, _clock),
    "mode": (4, _mode),
    "channel": (6, _channel),
    "range": (10, _range),
    "common": (3, _common),
    "curve": (5, _curve),
    "check": (3, _check),
    "loop": (2, _loop),
    "load": (3, _load),
    "limit": (4, _limit),
}


def parse_description(lines: Iterable[str]) -> BoardDescription:
    """A description from its lines, in any order; unknown first words are ignored. DescriptionError if it can't be used."""
    draft = _Draft()
    for line in lines:
        word, *fields = line.split(",")
        if word not in _READERS:
            continue
        count, read = _READERS[word]
        try:
            _require(len(fields) == count, f"{count} fields are needed behind the first word, not {len(fields)}")
            _require(all(fields), "an empty field")
            read(draft, fields)
        except ValueError as error:
            raise DescriptionError(f"the board's description can't be used: line {line!r}: {error}") from error
    return _assemble(draft)


def _assemble(draft: _Draft) -> BoardDescription:
    def stop(what: str) -> DescriptionError:
        return DescriptionError(f"the board's description can't be used: {what}")

    if draft.board is None or draft.clock is None or not draft.modes or not draft.channels:
        raise stop("it needs a line 'board', a line 'clock', and lines 'mode' and 'channel'")
    if len({mode.slots for mode in draft.modes.values()}) > 1:
        raise stop("its modes differ in slots per scan")
    slots = next(iter(draft.modes.values())).slots
    for kind, names in (("range", draft.ranges), ("common", draft.common), ("curve", draft.curves), ("check", draft.checks)):
        for name in names:
            if name not in draft.channels:
                raise stop(f"a line '{kind}' is for channel {name!r}, which has no line 'channel'")
    channels = {}
    for name, (unit, slot, first, every, delay_s) in draft.channels.items():
        if name not in draft.ranges:
            raise stop(f"channel {name!r} has no line 'range'")
        if slot >= slots:
            raise stop(f"channel {name!r} is in slot {slot} of {slots}")
        ranges = tuple(draft.ranges[name][n] for n in sorted(draft.ranges[name]))
        common = tuple(Share(other, u) for other, u in draft.common.get(name, {}).items())
        channels[name] = Channel(name, unit, slot, first, every, delay_s, ranges, common, draft.curves.get(name))
    for channel in channels.values():
        for other in channels.values():
            if (other.name > channel.name and (other.slot, other.every) == (channel.slot, channel.every)
                    and other.first == channel.first):
                raise stop(f"channels {channel.name!r} and {other.name!r} claim the same place")
    for name, parts in draft.common.items():
        for other_name in parts:
            if other_name not in channels:
                raise stop(f"a line 'common' of channel {name!r} names {other_name!r}, which has no line 'channel'")
    checks = tuple(draft.checks.values())
    return BoardDescription(
        *draft.board, *draft.clock, draft.modes, channels, draft.loads, draft.limits, checks, draft.calibrated, draft.loop
    )


def description_lines(d: BoardDescription) -> tuple[str, ...]:
    """The lines of a description, in the order of PROTOCOL.md section 8."""
    return tuple(",".join(x if isinstance(x, str) else format_number(x) for x in fields) for fields in _fields(d))


def _fields(d: BoardDescription) -> Iterator[tuple[str | float, ...]]:
    yield "board", PROTOCOL_VERSION, d.model, d.serial
    if d.calibrated:
        yield "calibrated", d.calibrated
    yield "clock", d.clock_hz, d.clock_half_width
    for m in d.modes.values():
        yield "mode", m.name, m.ticks_per_sample, m.slots, m.bits
    for c in d.channels.values():
        yield "channel", c.name, c.unit, c.slot, c.first, c.every, c.delay_s
    for c in d.channels.values():
        for r in c.ranges:
            yield "range", c.name, r.number, r.zero, r.scale, r.low, r.high, r.u_scale, r.u_zero, r.u_line, r.noise
    for c in d.channels.values():
        for share in c.common:
            yield "common", c.name, share.other, share.u
    for c in d.channels.values():
        if c.curve is not None:
            yield "curve", c.name, "NTC", c.curve.series_ohm, c.curve.r25_ohm, c.curve.b_k
    for check in d.checks:
        yield "check", check.channel, check.expected, check.u
    if d.loop is not None:
        yield "loop", d.loop.ohm, d.loop.u_ohm
    for load in d.loads.values():
        yield "load", load.number, load.kind, load.nominal
    for limit in d.limits.values():
        yield "limit", limit.name, limit.low, limit.high, limit.default


def description_crc(lines: Iterable[str]) -> int:
    """The answer to `SYSTem:BOARd:CHECk?` for these lines."""
    return crc16("".join(line + "\n" for line in lines).encode("ascii", "replace"))


def scan_plan(description: BoardDescription, period_scans: int = PERIOD_SCANS) -> Mapping[str, npt.NDArray[np.int64]]:
    """For each channel the indices of its samples within `period_scans` scans, ascending; the plan repeats after those.

    Where two channels claim a place, the rarer one has it (PROTOCOL.md section 5). `period_scans` must be a multiple of 64.
    """
    if period_scans < 1 or period_scans % PERIOD_SCANS:
        raise ValueError(f"period_scans must be a multiple of {PERIOD_SCANS}, got {period_scans}")
    slots = description.slots
    owner = np.full(period_scans * slots, -1, dtype=np.int64)
    channels = sorted(description.channels.values(), key=lambda c: c.every)
    for number, channel in enumerate(channels):
        owner[channel.first * slots + channel.slot :: channel.every * slots] = number
    return {channel.name: np.flatnonzero(owner == number) for number, channel in enumerate(channels)}
