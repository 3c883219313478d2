"""What a recording shows of the instrument that made it: interval between samples, rounding of its stamps, resolution, noise, clipping."""

from __future__ import annotations

import math
from collections.abc import Collection

import numpy as np
import numpy.typing as npt

from bench.errors import RecordingError
from bench.instrument import (
    SCALE_UNSTATED,
    ZERO_UNSTATED_COUNTS,
    ZERO_UNSTATED_OF_INRUSH,
    ZERO_UNSTATED_OF_LARGEST,
    InputErrors,
    Instrument,
)
from bench.recording.layout import FileLayout
from bench.recording.rows import Timeline
from bench.samples import Accuracy, Array

# A column that reads exactly 0 this often, and never less, may be of an input that shows nothing below 0.
_AT_FLOOR = 0.05
_FLAT_TOP = 3  # samples in a row at the very top of a current that is else far lower: the input's end, not the current's
_FAR_ABOVE = 1.3
_DISTINCT_LEAST = 3  # values, by which a count shows
_COUNTS_UNTOLD = 256.0  # of the largest reading: eight bits, as the plainest instruments have (common practice, no source)
_INRUSH = 10.0  # of cold lamps over their steady current (trade handbook)
_TOGETHER = 0.3  # correlation of current and output above which they move together, or against each other


class Survey:
    """Learns from a first walk over the rows: feed it with `add`, then `finish`."""

    def __init__(self, layout: FileLayout) -> None:
        self._layout = layout
        self._timeline = Timeline(layout)
        self.rows = 0
        self._intervals: list[Array] = []
        self._bounds = {c: (math.inf, -math.inf) for c in layout.channels()}
        self._step = dict.fromkeys(layout.channels(), math.inf)
        self._noises: dict[str, list[float]] = {c: [] for c in layout.channels()}
        self._distinct: dict[str, set[float]] = {c: set() for c in layout.channels()}
        self._sums = {c: np.zeros(6) for c in layout.channels()}
        self._count = dict.fromkeys(layout.channels(), 0)
        self._zeros = dict.fromkeys(layout.channels(), 0)
        self._flat = dict.fromkeys(layout.channels(), 0)
        self._lit = dict.fromkeys(layout.channels(), 0.0)

    def add(self, time_s: Array, values: dict[str, Array]) -> None:
        """Take the next piece of rows."""
        self.rows += len(time_s)
        self._learn(*self._timeline.feed(time_s, values))

    def _learn(self, time_s: Array, values: dict[str, Array]) -> None:
        if not len(time_s):
            return
        if len(time_s) > 1 and len(self._intervals) < 64:
            self._intervals.append(np.diff(time_s))
        for channel, v in values.items():
            there = v[np.isfinite(v)]
            if len(there):
                low, high = self._bounds[channel]
                flat = _longest_run(there == there.max())
                if float(there.max()) >= high:
                    self._flat[channel] = flat if float(there.max()) > high else max(flat, self._flat[channel])
                self._count[channel] += len(there)
                self._zeros[channel] += int(np.count_nonzero(there == 0.0))
                lit = there[there > 0.1 * float(there.max())]
                self._lit[channel] = max(self._lit[channel], float(np.median(lit)) if len(lit) else 0.0)
                self._bounds[channel] = min(low, float(there.min())), max(high, float(there.max()))
                if len(self._distinct[channel]) < _DISTINCT_LEAST:
                    self._distinct[channel].update(np.unique(there)[:_DISTINCT_LEAST].tolist())
                self._step[channel] = min(self._step[channel], _smallest_step(there))
            if len(there) > 32:
                self._noises[channel].append(_noise(there))
            if channel.startswith("i_") and "v_out" in values:
                both = np.isfinite(v) & np.isfinite(values["v_out"])
                x, y = v[both], np.abs(values["v_out"][both])
                self._sums[channel] += np.array([len(x), x.sum(), y.sum(), x @ x, y @ y, x @ y])

    def finish(self) -> None:
        """End the walk: no more rows will come. RecordingError if they are not enough to go by."""
        last = self._timeline.flush()
        if last is not None:
            self._learn(*last)
        if self.rows < 3 or not self._intervals:
            raise RecordingError(f"{self._layout.name}: {self.rows} rows of numbers, at least 3 are needed")
        for channel in self._layout.channels():
            if self._bounds[channel][0] > self._bounds[channel][1]:
                title = next(c.title for c in self._layout.columns if c.channel == channel)
                raise RecordingError(f"{self._layout.name}: column {title}: not one number in it; leave the column out")

    def bounds(self, channel: str, turned: Collection[str]) -> tuple[float, float]:
        """Return the least and largest reading of a channel, whose sign may have been turned."""
        low, high = self._bounds[channel]
        return (-high, -low) if channel in turned else (low, high)

    def reversed(self, instrument: Instrument) -> tuple[str, ...]:
        """Return the channels recorded the other way round: a car with positive earth, or a current probe that looks the other way.

        The voltages share one reference and go together, as the input's (or the output's) shows; each current goes by itself. A small
        current may read negative for its zero alone: it is turned only if it falls while the output rises, or, without an output, lies
        further below 0 than the zero may be off by.
        """

        def backwards(channel: str) -> bool:
            low, high = self._bounds[channel]
            if channel.startswith("i_") and (together := self._together(channel)) is not None:
                return together < 0.0
            stated = instrument.input(channel)
            off = sum(stated.rest) if stated is not None else ZERO_UNSTATED_OF_LARGEST * self._largest(channel)
            return -low - high > 2.0 * off

        there = self._layout.channels()
        voltages = [c for c in there if c.startswith("v_")]
        shows = next((c for c in ("v_in", "v_out") if c in there), None)
        found = voltages if shows is not None and backwards(shows) else []
        return (*found, *(c for c in there if c.startswith("i_") and backwards(c)))

    def _largest(self, channel: str) -> float:
        """Return the largest reading of a channel, whatever its sign."""
        return max(map(abs, self._bounds[channel]))

    def _together(self, channel: str) -> float | None:
        """Return the correlation of a channel with the size of the output's voltage; None if there is none to speak of."""
        n, x, y, xx, yy, xy = self._sums[channel]
        spread = math.sqrt(max(n * xx - x * x, 0.0) * max(n * yy - y * y, 0.0))
        found = (n * xy - x * y) / spread if spread > 0.0 else 0.0
        return found if abs(found) > _TOGETHER else None

    @property
    def interval_s(self) -> float:
        """Usual time between two rows."""
        return float(np.median(np.concatenate(self._intervals)))

    @property
    def _jitter_s(self) -> float:
        """By how much half of the steps between rows differ from the usual one."""
        return float(np.median(np.abs(np.concatenate(self._intervals) - self.interval_s)))

    @property
    def stamp_u_s(self) -> float:
        """Standard uncertainty of a time stamp: what the rows' stamps scatter by about even steps, at most that of a whole step."""
        scatter = 1.4826 * self._jitter_s / math.sqrt(2.0)
        rounded = _smallest_step(np.concatenate(self._intervals)) if scatter > 1e-3 * self.interval_s else 0.0
        return min(max(scatter, rounded / math.sqrt(12.0)), self.interval_s / math.sqrt(12.0))

    def accuracy(self, channel: str, stated: InputErrors | None) -> Accuracy:
        """Return the errors of a column: as stated or else a plain instrument's, its own steps and scatter, and what of it is clipped."""
        step = self._step[channel] if math.isfinite(self._step[channel]) else 0.0
        if len(self._distinct[channel]) < _DISTINCT_LEAST:
            # Two values alone, as of a signal without noise, tell no size of a count.
            step = min(step, self._largest(channel) / _COUNTS_UNTOLD)
        quantum = max(step, (stated.resolution or 0.0) if stated is not None else 0.0) / math.sqrt(12.0)
        noise = max(float(np.median(self._noises[channel])) if self._noises[channel] else 0.0, quantum)
        low, high = (-math.inf, math.inf) if stated is None else (stated.lowest, stated.highest)
        if self.clipped_at_zero(channel):
            low = max(low, 0.0)
        is_current = channel.startswith("i_")
        if is_current and self._flat[channel] >= _FLAT_TOP and self._bounds[channel][1] > _FAR_ABOVE * self._lit[channel]:
            high = min(high, self._bounds[channel][1])
        zero = ZERO_UNSTATED_OF_LARGEST * self._largest(channel)
        if is_current:
            # Its range was chosen for the inrush of cold lamps, which the recording need not hold.
            zero = ZERO_UNSTATED_OF_INRUSH * max(self._largest(channel), _INRUSH * self._lit[channel])
        zero = max(zero, ZERO_UNSTATED_COUNTS * step)
        errors = stated or InputErrors(SCALE_UNSTATED, (zero,))
        # An open switch leaves some millivolts at the unit's input (common practice, no source): a voltage at rest is no zero.
        return Accuracy(
            low=low,
            high=high,
            u_scale=errors.u_scale,
            u_zero=errors.u_zero,
            u_line=quantum,
            noise=noise,
            scale_shape="rectangular",
            zero_shape=errors.zero_shape,
            u_zero_beside=errors.u_zero_beside,
            zero_at_rest=is_current,
            line_is_smooth=False,
        )

    def clipped_at_zero(self, channel: str) -> bool:
        """Return whether the column may be of an input that shows nothing below 0, so that a reading of 0 is no zero."""
        low = self._bounds[channel][0]
        return low == 0.0 and self._zeros[channel] > _AT_FLOOR * self._count[channel]

    def notes(self) -> list[str]:
        """Return what was found about the times, a sentence each."""
        notes = [f"{self.rows} rows, {1.0 / self.interval_s:.4g} a second"]
        jitter = self._jitter_s
        if jitter > 0.01 * self.interval_s:
            notes.append(f"time between rows varies (half of them by more than {jitter * 1e6:.3g} us)")
        if self._timeline.spread:
            notes.append(f"{self._timeline.spread} rows repeat the time of the row before: spread evenly")
        if self._timeline.dropped:
            notes.append(f"{self._timeline.dropped} rows dropped: time goes back or is missing there")
        return notes


def _longest_run(there: npt.NDArray[np.bool_]) -> int:
    """Return how many in a row are true at most."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], there, [False])).astype(np.int8)))
    return int((edges[1::2] - edges[::2]).max()) if len(edges) else 0


def _smallest_step(values: Array) -> float:
    """Return the smallest distance between distinct values, rounding noise aside; infinite if all are equal."""
    distinct = np.unique(values)
    steps = np.diff(distinct)
    steps = steps[steps > 1e-9 * max(float(np.abs(distinct).max()), 1e-30)]
    return float(steps.min()) if len(steps) else math.inf


def _noise(values: Array) -> float:
    """Return the standard deviation of one sample's noise, from second differences, so that slopes do not count; nor do steps, while a
    fifth of the samples lie between two that are on the same level."""
    bend = np.abs(values[2:] - 2.0 * values[1:-1] + values[:-2])
    # A fifth of the values of a normal distribution lie within 0.2533 of its standard deviation.
    return float(np.quantile(bend, 0.2)) / (0.2533 * math.sqrt(6.0))
