"""A description from its lines: what is needed, what is passed over, what is refused (firmware/PROTOCOL.md sections 8 and 11)."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TypeVar

from bench.description.channels import CHANNEL_UNITS, LOAD_KINDS, PROTECTION_NAMES
from bench.description.contents import (
    BoardDescription,
    BoardLoad,
    Channel,
    Check,
    CommonModeError,
    Loop,
    Mode,
    NtcCurve,
    ProtectionLimit,
    Range,
    ScanPlace,
)
from bench.description.lines import PROTOCOL_VERSION
from bench.description.plan import PERIOD_SCANS, scan_plan
from bench.errors import DescriptionError
from bench.wire.frames import SAMPLES_PER_FRAME
from bench.wire.header import MODE_NAMES
from bench.wire.text import format_number, parse_number, parse_whole

# What a board may say, least and most (PROTOCOL.md section 11): wide enough for any rig, narrow enough that nothing overflows or fills the
# memory. A sample every 10 us is more than a line of 1 Mbaud carries, one a millisecond too few to tell bounce from a flash.
LINES_MOST = 200
CLOCK_HZ, CLOCK_HALF_WIDTH_MOST = (1e4, 1e9), 0.1
INTERVAL_S = (1e-5, 1e-3)
DELAY_MOST_S = 1.0
COUNTS_MOST, SCALES = 1e5, (1e-9, 1e3)
LARGEST = 1e6  # readings and uncertainties, in the channel's unit
OHMS, BS_K = (10.0, 1e7), (500.0, 1e4)  # of a thermistor and its resistor; its B
LOAD_NOMINALS: Mapping[str, tuple[float, float]] = {"LAMP": (0.1, 1e3), "PILOT": (0.1, 1e3), "LEAK": (1.0, 1e9), "FREE": (0.0, 1e9)}
LIMIT_MOST = 1e7
LOOP_MOST_OHM = 10.0

W = TypeVar("W", bound=str)


@dataclass
class _Draft:
    """What has been read so far; channels come in pieces and in any order."""

    board: tuple[str, str] | None = None
    clock: tuple[float, float] | None = None
    calibrated: int = 0
    modes: dict[str, Mode] = field(default_factory=dict)
    channels: dict[str, tuple[str, ScanPlace, float]] = field(default_factory=dict)
    ranges: dict[str, dict[int, Range]] = field(default_factory=dict)
    common: dict[str, dict[str, float]] = field(default_factory=dict)
    curves: dict[str, NtcCurve | None] = field(default_factory=dict)
    checks: dict[str, Check] = field(default_factory=dict)
    loads: dict[int, BoardLoad] = field(default_factory=dict)
    limits: dict[str, ProtectionLimit] = field(default_factory=dict)
    loop: Loop | None = None


def _require(condition: bool, what: str) -> None:
    if not condition:
        raise ValueError(what)


def _word(text: str, words: Sequence[W]) -> W:
    """Return the word that `text` is; lines with other words were passed over before."""
    return next(word for word in words if word == text)


def _number(text: str, low: float, high: float) -> float:
    value = parse_number(text)
    _require(low <= value <= high, f"{text} is not from {low:g} to {high:g}")
    return value


def _u(text: str, high: float = LARGEST) -> float:
    """Return a number from 0 to `high`, such as a standard uncertainty."""
    return _number(text, 0.0, high)


def _board(d: _Draft, f: list[str]) -> None:
    version = parse_number(f[0])
    _require(version == PROTOCOL_VERSION, f"protocol version {f[0]} is not the {PROTOCOL_VERSION} that this program speaks")
    d.board = f[1], f[2]


def _clock(d: _Draft, f: list[str]) -> None:
    d.clock = _number(f[0], *CLOCK_HZ), _u(f[1], CLOCK_HALF_WIDTH_MOST)


def _calibrated(d: _Draft, f: list[str]) -> None:
    d.calibrated = parse_whole(f[0], 1, 99991231)


def _mode(d: _Draft, f: list[str]) -> None:
    mode = Mode(_word(f[0], MODE_NAMES), parse_whole(f[1], 1, 65535), parse_whole(f[2], 1, SAMPLES_PER_FRAME), parse_whole(f[3], 1, 12))
    _require(SAMPLES_PER_FRAME % mode.slots == 0, f"{SAMPLES_PER_FRAME} samples do not hold whole scans of {mode.slots}")
    d.modes[f[0]] = mode


def _channel(d: _Draft, f: list[str]) -> None:
    every = parse_whole(f[4], 1, PERIOD_SCANS)
    _require(PERIOD_SCANS % every == 0, f"{every} does not divide {PERIOD_SCANS}")
    place = ScanPlace(parse_whole(f[2], 0, SAMPLES_PER_FRAME - 1), parse_whole(f[3], 0, every - 1), every)
    unit = CHANNEL_UNITS.get(f[0])
    _require(unit in (None, f[1]), f"channel {f[0]} must be in {unit}")
    d.channels[f[0]] = f[1], place, _u(f[5], DELAY_MOST_S)


def _range(d: _Draft, f: list[str]) -> None:
    number = parse_whole(f[1], 0, 3)
    zero, scale = _number(f[2], -COUNTS_MOST, COUNTS_MOST), _number(f[3], *SCALES)
    low, high = (_number(x, -LARGEST, LARGEST) for x in f[4:6])
    _require(low < high, "the lowest reading is not below the highest")
    u_scale, u_zero, u_line, noise = _u(f[6], 1000.0), _u(f[7]), _u(f[8]), _u(f[9])
    d.ranges.setdefault(f[0], {})[number] = Range(number, zero, scale, low, high, u_scale, u_zero, u_line, noise)


def _common(d: _Draft, f: list[str]) -> None:
    d.common.setdefault(f[0], {})[f[1]] = _u(f[2], 1.0)


def _curve(d: _Draft, f: list[str]) -> None:
    # How many fields another kind of curve has is its own affair.
    _require(f[1] != "NTC" or len(f) >= 5, "an NTC has resistance, resistance at 25 degC and B")
    d.curves[f[0]] = NtcCurve(_number(f[2], *OHMS), _number(f[3], *OHMS), _number(f[4], *BS_K)) if f[1] == "NTC" else None


def _check(d: _Draft, f: list[str]) -> None:
    d.checks[f[0]] = Check(f[0], _number(f[1], -LARGEST, LARGEST), _u(f[2]))


def _loop(d: _Draft, f: list[str]) -> None:
    d.loop = Loop(_u(f[0], LOOP_MOST_OHM), _u(f[1], LOOP_MOST_OHM))


def _load(d: _Draft, f: list[str]) -> None:
    number = parse_whole(f[0], 1, 8)
    d.loads[number] = BoardLoad(number, _word(f[1], LOAD_KINDS), _number(f[2], *LOAD_NOMINALS[f[1]]))


def _limit(d: _Draft, f: list[str]) -> None:
    limit = ProtectionLimit(_word(f[0], PROTECTION_NAMES), *(_u(x, LIMIT_MOST) for x in f[1:4]))
    _require(limit.low <= limit.default <= limit.high, "the default does not lie between the smallest and the largest")
    d.limits[f[0]] = limit


@dataclass(frozen=True, slots=True)
class _Kind:
    """A kind of line: how many fields it must have, how many of the first say what it is about, how it is read.

    `words`: what the field `word_at` must be one of for a line that this program understands; others are passed over.
    """

    fields: int
    about: int
    read: Callable[[_Draft, list[str]], None]
    words: Collection[str] = ()
    word_at: int = 0


_KINDS: Mapping[str, _Kind] = {
    "board": _Kind(3, 0, _board),
    "clock": _Kind(2, 0, _clock),
    "calibrated": _Kind(1, 0, _calibrated),
    "mode": _Kind(4, 1, _mode, MODE_NAMES),
    "channel": _Kind(6, 1, _channel),
    "range": _Kind(10, 2, _range, CHANNEL_UNITS),
    "common": _Kind(3, 2, _common, CHANNEL_UNITS),
    "curve": _Kind(2, 1, _curve, CHANNEL_UNITS),
    "check": _Kind(3, 1, _check, CHANNEL_UNITS),
    "loop": _Kind(2, 0, _loop),
    "load": _Kind(3, 1, _load, LOAD_NOMINALS, 1),
    "limit": _Kind(4, 1, _limit, PROTECTION_NAMES),
}


def _told(text: str) -> str:
    """Return a field by what it says: of a number its value."""
    try:
        return format_number(parse_number(text))
    except ValueError:
        return text


def parse_description(lines: Iterable[str]) -> BoardDescription:
    """Return the description that these lines make, in any order. DescriptionError for one that this program can't work with.

    What a newer board may add is passed over by the rules of PROTOCOL.md section 11.
    """
    draft = _Draft()
    said: dict[tuple[str, ...], str] = {}
    for count, line in enumerate(lines, start=1):
        if count > LINES_MOST:
            raise DescriptionError(f"the board's description can't be used: it has more than {LINES_MOST} lines")
        word, *fields = line.split(",")
        kind = _KINDS.get(word)
        if kind is None:
            continue
        if kind.words and len(fields) > kind.word_at and fields[kind.word_at] not in kind.words:
            continue
        about = (word, *map(_told, fields[: kind.about]))
        if said.get(about) == line:
            continue
        try:
            _require(len(fields) >= kind.fields, f"{kind.fields} fields are needed after the first word")
            _require(all(fields), "an empty field")
            _require(about not in said, f"another line says otherwise: {said.get(about)!r}")
            kind.read(draft, fields)
        except ValueError as error:
            raise DescriptionError(f"the board's description can't be used: line {line!r}: {error}") from error
        said[about] = line
    return _assemble(draft)


def _assemble(draft: _Draft) -> BoardDescription:
    def stop(what: str) -> DescriptionError:
        return DescriptionError(f"the board's description can't be used: {what}")

    if draft.board is None or draft.clock is None or not draft.modes or not draft.channels:
        raise stop("it needs a line 'board', a line 'clock', and lines 'mode' and 'channel'")
    if len({mode.slots for mode in draft.modes.values()}) > 1:
        raise stop("its modes differ in slots per scan")
    for mode in draft.modes.values():
        interval_s = mode.ticks_per_sample / draft.clock[0]
        if not INTERVAL_S[0] <= interval_s <= INTERVAL_S[1]:
            allowed = f"{INTERVAL_S[0]:g} to {INTERVAL_S[1]:g} s"
            raise stop(f"in mode {mode.name} a sample would be taken every {interval_s:.3g} s, allowed are {allowed}")
    slots = next(iter(draft.modes.values())).slots
    for kind, names in (("range", draft.ranges), ("common", draft.common), ("curve", draft.curves), ("check", draft.checks)):
        for name in names:
            if name not in draft.channels:
                raise stop(f"a line '{kind}' is for channel {name!r}, which has no line 'channel'")
    for name, parts in draft.common.items():
        for other_name in parts:
            if other_name not in draft.channels:
                raise stop(f"a line 'common' of channel {name!r} names {other_name!r}, which has no line 'channel'")
    claimed: dict[ScanPlace, str] = {}
    for name, (_, place, _) in draft.channels.items():
        if place.slot >= slots:
            raise stop(f"channel {name!r} is in slot {place.slot} of {slots}")
        if place in claimed:
            raise stop(f"channels {claimed[place]!r} and {name!r} claim the same place")
        claimed[place] = name
        if name in CHANNEL_UNITS and name not in draft.ranges:
            raise stop(f"channel {name!r} has no line 'range'")
    channels = {name: _assembled(name, draft) for name in draft.channels if _is_readable(name, draft)}
    unread = {name: place for name, (_, place, _) in draft.channels.items() if name not in channels}
    checks = tuple(check for check in draft.checks.values() if check.channel in channels)
    return _without_unsampled(
        BoardDescription(
            *draft.board, *draft.clock, draft.modes, channels, draft.loads, draft.limits, checks, draft.calibrated, draft.loop, unread
        )
    )


def _without_unsampled(d: BoardDescription) -> BoardDescription:
    """Return the board without channels that can't be read: rarer ones leave them, or what they show a part of, no place in the scan
    plan."""
    never = {name for name, at in scan_plan(d).items() if not len(at)}
    gone = {name for name, channel in d.channels.items() if never & {name, *(share.other for share in channel.common)}}
    channels = {name: channel for name, channel in d.channels.items() if name not in gone}
    places = {name: ScanPlace(c.slot, c.first, c.every) for name, c in d.channels.items() if name in gone}
    checks = tuple(check for check in d.checks if check.channel not in gone)
    return replace(d, channels=channels, checks=checks, unread={**d.unread, **places})


def _is_readable(name: str, draft: _Draft) -> bool:
    """Return whether this program knows what the channel reads: by which law, and what it shows of others."""
    needed = (name, *draft.common.get(name, ()))
    return all(one in CHANNEL_UNITS and draft.curves.get(one, "straight") is not None for one in needed)


def _assembled(name: str, draft: _Draft) -> Channel:
    unit, place, delay_s = draft.channels[name]
    ranges = tuple(draft.ranges[name][n] for n in sorted(draft.ranges[name]))
    common = tuple(CommonModeError(other, u) for other, u in draft.common.get(name, {}).items())
    return Channel(name, unit, place.slot, place.first, place.every, delay_s, ranges, common, draft.curves.get(name))
