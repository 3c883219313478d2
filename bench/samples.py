"""Frames to samples: counts become SI values at known instants of the board's clock.

The value type is `Block`: a stretch of a run without a gap, each channel with its own sampling instants.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
import numpy.typing as npt

from bench.description import PERIOD_SCANS, BoardDescription, CommonModeError, scan_plan
from bench.uncertainty import Component, Shape
from bench.wire import EventFrame, EventKind, Placed, SampleFrame, TripCause, cause_word, unpack_samples

Array: TypeAlias = npt.NDArray[np.float64]

NEAR = 0.1
"""Of the range: within this, errors of linearity are much the same. They are smooth, but for the steps of single counts."""
# What two readings differ by for linearity grows with their distance, in standard uncertainties of it for each range: by so many for five
# harmonics over the range (computed), as in the simulated boards, and less for a smoother converter. Both are independent from a tenth of
# the range on, says the protocol page.
_STEEPEST = 20.9
_TOP = 0.01  # of the range: as near its upper end a reading may be clipped, since noise and a moved zero lower what is clipped
_NEIGHBOURS = 0.14  # what neighbouring counts differ by all the same (differential linearity 0.25 counts typical, ATmega328P data sheet)


@dataclass(frozen=True, slots=True)
class Accuracy:
    """What is known of a channel's errors, all standard uncertainties in its unit but `u_scale` (relative).

    Readings at or beyond `low` and `high` are clipped: they say "at least", no more (`clips`). `common` are the shares of other channels'
    readings that this channel reads in error (a drop amplifier's common mode). `scale_shape`, `zero_shape`: `rectangular` for
    limits of error; `u_zero_beside`: the part of u_zero that stands beside the one limit which gives it its shape. `zero_at_rest`:
    whether its reading with no supply on the unit is its zero, where what it reads is then 0. `line_is_smooth`: whether readings near
    each other share most of their u_line; those of an instrument whose counts are all that is known share nothing. `noise`: standard
    deviation of one sample.
    """

    low: float
    high: float
    u_scale: float
    u_zero: float
    u_line: float
    noise: float
    common: tuple[CommonModeError, ...] = ()
    scale_shape: Shape = "normal"
    zero_shape: Shape = "normal"
    u_zero_beside: float = 0.0
    zero_at_rest: bool = True
    line_is_smooth: bool = True

    @property
    def top(self) -> float:
        """The reading from which on the channel may be clipped at the upper end of its range."""
        if not math.isfinite(self.high):
            return math.inf
        span = self.high - self.low
        return self.high - (_TOP * span if math.isfinite(span) else 1e-9 * abs(self.high))

    def clips(self, values: Array) -> npt.NDArray[np.bool_]:
        """Return whether each of these readings may be clipped at the upper end of the range, where it says "at least" and no more."""
        return np.asarray(values >= self.top)

    @property
    def u_apart(self) -> float:
        """What two readings near each other on the scale differ by for linearity and counts alone."""
        return math.sqrt(2.0) * self.u_line * (_NEIGHBOURS if self.line_is_smooth else 1.0)

    def parts(
        self, channel: str, value: float, others: Mapping[str, float] | None = None, u_at_zero: float | None = None
    ) -> tuple[Component, ...]:
        """Return what a reading is off by in the same way every time: scale, zero, linearity, another channel's share.

        `value` is the reading in the channel's unit; `others` the readings of channels that it may partly show. `u_at_zero`: the random
        uncertainty of a reading of 0 that was taken off; None if none was.
        """
        found = [Component(f"{channel}: scale", abs(value) * self.u_scale, shape=self.scale_shape)]
        if u_at_zero is not None:
            # Two readings are compared: errors of linearity add, but near each other on the scale they are nearly the same.
            span = self.high - self.low
            apart = math.sqrt(2.0)
            if math.isfinite(span) and self.line_is_smooth:
                apart = min(apart, _STEEPEST * abs(value) / span)
            found.append(Component(f"{channel}: zero (taken at rest)", u_at_zero))
            found.append(Component(f"{channel}: linearity and counts", max(apart * self.u_line, self.u_apart)))
        else:
            largest_u = math.sqrt(max(self.u_zero**2 - self.u_zero_beside**2, 0.0))
            found.append(Component(f"{channel}: zero", largest_u, shape=self.zero_shape))
            if self.u_zero_beside:
                found.append(Component(f"{channel}: zero, smaller limits", self.u_zero_beside))
            found.append(Component(f"{channel}: linearity and counts", self.u_line))
        for share in self.common:
            found.append(Component(f"{channel}: share of {share.other}", abs((others or {}).get(share.other, 0.0)) * share.u))
        return tuple(found)


@dataclass(frozen=True, slots=True)
class Timing:
    """How well the instants of samples are known beside the clock; all 0 for a board, whose samples are stamped by its own counter.

    `skew_s`: half-width of how far two channels of one row lie apart in time. `stamp_u_s`: standard uncertainty of a time stamp.
    `sampling_s`: a reading may be the mean over up to this time instead of a value of one instant.
    """

    skew_s: float = 0.0
    stamp_u_s: float = 0.0
    sampling_s: float = 0.0


EXACT = Timing()


@dataclass(frozen=True, slots=True)
class Trace:
    """Samples of one channel: `t_s` and `values`, both shape (n,); t_s are the sampling instants, strictly increasing, s since the
    run's start. The channel's input filter has delayed what `values` show."""

    t_s: Array
    values: Array


@dataclass(frozen=True, slots=True)
class Block:
    """A stretch of a run without a gap inside; `gap_before` if samples are missing between the last block and this one.

    `master`: whether a board's master switch was closed as each of its frames began (the last of them may hold samples of after a
    change); None for a recording. Every block spans `begin_s` to `end_s` (the instant at which the next would begin). `comparator`: whether
    the board's comparator was high as each of its frames began; empty for a recording.
    """

    begin_s: float
    end_s: float
    traces: Mapping[str, Trace]
    gap_before: bool = False
    master: bool | None = None
    comparator: tuple[bool, ...] = ()


@dataclass(frozen=True, slots=True)
class SwitchEvent:
    """The board (or a person) switched: at `t_s` the master is `master` and the loads in the set `loads` are closed.

    `reason` is `command` or the word of a trip cause (`cause_word`).
    """

    t_s: float
    master: bool
    loads: frozenset[int]
    reason: str = "command"


@dataclass(frozen=True, slots=True)
class Burst:
    """The board's comparator changed `changes` times within a few milliseconds, first at `t_s`, and ended `high` or not."""

    t_s: float
    high: bool
    changes: int


Sampled: TypeAlias = Block | SwitchEvent | Burst


class Tail:
    """The last rows of a stream: columns of equal length that grow and are forgotten together. `columns` is empty before the first rows."""

    def __init__(self) -> None:
        self.columns: tuple[Array, ...] = ()

    def append(self, *rows: Array) -> None:
        """Add rows, given by column."""
        kept = zip(self.columns, rows, strict=True)
        self.columns = tuple(np.concatenate(pair) for pair in kept) if self.columns else rows

    def forget(self, begin: int, end: int) -> None:
        """Take out the rows from `begin` to `end` (exclusive)."""
        if end > begin:
            self.columns = tuple(np.concatenate((column[:begin], column[end:])) if begin else column[end:] for column in self.columns)


def accuracies(description: BoardDescription, range_number: int) -> dict[str, Accuracy]:
    """Return what the board says of each channel's errors while voltage range `range_number` is selected."""
    found = {}
    for channel in description.channels.values():
        r = channel.range(range_number)
        found[channel.name] = Accuracy(r.low, r.high, r.u_scale, r.u_zero, r.u_line, r.noise, channel.common)
    return found


class Sampler:
    """Placed frames of one run in; blocks, switch events and bursts out. One verb, `feed`; it keeps nothing but its place."""

    def __init__(self, description: BoardDescription) -> None:
        self._description = description
        self._plan, self._periods = scan_plan(description), 1
        self._period = PERIOD_SCANS * description.slots
        self.range_number = 0

    def feed(self, placed: Sequence[Placed]) -> list[Sampled]:
        """Return blocks, each of consecutive sample frames, and the events between them in their order."""
        found: list[Sampled] = []
        together: list[Placed] = []
        for item in placed:
            frame = item.frame
            if isinstance(frame, SampleFrame):
                state = frame.range_number, frame.master
                if together and (item.lost_before or state != (self.range_number, together[-1].frame.master)):
                    found.append(self._block(together))
                    together = []
                self.range_number = frame.range_number
                together.append(item)
            elif (event := self._event(item, frame)) is not None:
                found.append(event)
        if together:
            found.append(self._block(together))
        return found

    def _sample_s(self, frame: SampleFrame | EventFrame) -> float:
        return self._description.sample_period_s(self._description.mode_of(frame.mode).name)

    def _event(self, item: Placed, frame: EventFrame) -> SwitchEvent | Burst | None:
        if not item.timed:
            return None
        t_s = item.stamp * self._sample_s(frame) + frame.ticks / self._description.clock_hz
        if frame.kind == EventKind.BURST:
            return Burst(t_s, bool(frame.reason), frame.value)
        if frame.kind in (EventKind.SWITCHED, EventKind.TRIP):
            reason = "command" if frame.kind == EventKind.SWITCHED else cause_word(TripCause, frame.reason)
            return SwitchEvent(t_s, frame.master, frame.closed_loads, reason)
        return None

    def _block(self, together: list[Placed]) -> Block:
        frames = [item.frame for item in together if isinstance(item.frame, SampleFrame)]
        counts = unpack_samples([frame.body for frame in frames]).reshape(-1)
        start = together[0].stamp
        sample_s = self._sample_s(frames[0])
        traces = {}
        for name, channel in self._description.channels.items():
            at = self._places(name, start % self._period, len(counts))
            taken = counts[at].astype(np.float64)
            r = channel.range(frames[0].range_number)
            if channel.curve is None:
                values: Array = (taken - r.zero) * r.scale
            else:
                full = float(1 << self._description.mode_of(frames[0].mode).bits)
                counted, which = np.unique(np.clip(taken, 1.0, full - 1.0), return_inverse=True)
                values = np.array([channel.curve.temperature_c(float(x) / full) for x in counted])[which]
            traces[name] = Trace((start + at).astype(np.float64) * sample_s, values)
        high = tuple(frame.comparator for frame in frames)
        return Block(start * sample_s, (start + len(counts)) * sample_s, traces, bool(together[0].lost_before), frames[0].master, high)

    def _places(self, name: str, offset: int, length: int) -> npt.NDArray[np.int64]:
        """Return indices of the channel's samples among `length` samples that begin `offset` samples into the plan's period."""
        periods = (offset + length) // self._period + 1
        if periods > self._periods:
            self._plan, self._periods = scan_plan(self._description, periods * PERIOD_SCANS), periods
        at = self._plan[name]
        first, last = at.searchsorted((offset, offset + length))
        return at[first:last] - offset
