"""Where the numbers of a recording stand, how they are written, what they are."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path

from bench.recording.stamps import TimeColumn

_TIME = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9, "min": 60.0, "h": 3600.0}
_VOLT = {"V": 1.0, "mV": 1e-3, "uV": 1e-6, "kV": 1e3}
_AMPERE = {"A": 1.0, "mA": 1e-3, "uA": 1e-6, "kA": 1e3}
CHANNEL_UNITS: Mapping[str, Mapping[str, float]] = {
    "time": _TIME,
    "i_load": _AMPERE,
    "v_in": _VOLT,
    "v_out": _VOLT,
    "v_drop": _VOLT,
    "v_pilot": _VOLT,
    "temperature": {"degC": 1.0},
}
# A row in which one of these is missing is a gap: what a contact did cannot be seen from half of its signals.
MAIN = ("i_load", "v_in", "v_out", "v_drop")
EVERYTHING = (-math.inf, math.inf)


@dataclass(frozen=True)
class Column:
    """A column that is used: its channel, the factor to SI, its place and title in the file."""

    channel: str
    factor: float
    place: int
    title: str


@dataclass(frozen=True)
class FileLayout:
    """Where the numbers stand in the file, how they are written, and which of its rows are wanted.

    `lines_before` the first row. `window_s`: the wanted stretch, in s of the file. `ends`: least and greatest value of channels that went
    beyond their range, where they are clipped; `odd`: those of which such readings are none. `slow`: rows from one reading to the next, of
    channels that were read less often than there are rows.
    """

    path: Path
    encoding: str
    lines_before: int
    separator: str
    decimal: str
    titles: tuple[str, ...]
    columns: tuple[Column, ...]
    time: TimeColumn
    window_s: tuple[float, float] = EVERYTHING
    ends: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    odd: frozenset[str] = frozenset()
    slow: Mapping[str, int] = field(default_factory=dict)

    @property
    def name(self) -> str:
        """The recording, for messages."""
        return f"recording {self.path.name}"

    @property
    def width(self) -> int:
        """Number of columns of the file."""
        return len(self.titles)

    @property
    def contact_channels(self) -> tuple[str, ...]:
        """The channels by which the contact is seen closed or open."""
        shows = ("v_in", "v_out") if "v_out" in self.channels() else MAIN
        return tuple(channel for channel in shows if channel in self.channels())

    def turn_round(self, channels: Iterable[str]) -> FileLayout:
        """The same, with the sign of these channels turned."""
        turned = frozenset(channels)
        return replace(self, columns=tuple(replace(c, factor=-c.factor) if c.channel in turned else c for c in self.columns))

    def channels(self) -> tuple[str, ...]:
        """Return the channels that the file holds."""
        return tuple(c.channel for c in self.columns)
