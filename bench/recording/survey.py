"""What a recording shows of the instrument that made it: interval between samples, resolution, noise."""

from __future__ import annotations

import math

import numpy as np

from bench.recording.rows import Timeline
from bench.recording.table import RecordingError, Table
from bench.samples import Accuracy, Array

# Accuracy of an instrument about which nothing was said: 3 % of the reading and 1 % of the largest reading as half-widths, as a
# plain oscilloscope has (common practice, no source).
U_SCALE_UNKNOWN = 0.03 / math.sqrt(3.0)
U_ZERO_UNKNOWN_OF_LARGEST = 0.01 / math.sqrt(3.0)


class Survey:
    """Learns from a first walk over the rows: feed it with `add`, then `finish`."""

    def __init__(self, table: Table) -> None:
        self._table = table
        self._timeline = Timeline(table)
        self.rows = 0
        self._intervals: list[Array] = []
        self._largest = dict.fromkeys(table.channels(), 0.0)
        self._bounds = {c: (math.inf, -math.inf) for c in table.channels()}
        self._step = dict.fromkeys(table.channels(), math.inf)
        self._noises: dict[str, list[float]] = {c: [] for c in table.channels()}

    def add(self, time_s: Array, values: dict[str, Array]) -> None:
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
                self._bounds[channel] = min(low, float(there.min())), max(high, float(there.max()))
                self._largest[channel] = max(self._largest[channel], float(np.abs(there).max()))
                self._step[channel] = min(self._step[channel], _smallest_step(there))
            if len(there) > 32:
                self._noises[channel].append(_noise(there))

    def finish(self) -> None:
        """No more rows will come. RecordingError if they are not enough to go by."""
        last = self._timeline.flush()
        if last is not None:
            self._learn(*last)
        if self.rows < 3 or not self._intervals:
            raise RecordingError(f"{self._table.name}: {self.rows} rows of numbers, at least 3 are needed")
        for channel in self._table.channels():
            if self._bounds[channel][0] > self._bounds[channel][1]:
                title = next(c.title for c in self._table.columns if c.channel == channel)
                raise RecordingError(f"{self._table.name}: column {title}: not one number in it; leave the column out")

    def reversed(self) -> tuple[str, ...]:
        """Channels recorded the other way round: a car with positive earth, or a current probe that looks the other way.

        The voltages share one reference and go together, as the input's (or the output's) shows; each current goes by itself.
        """
        def backwards(channel: str) -> bool:
            low, high = self._bounds[channel]
            return -low > high

        there = self._table.channels()
        voltages = [c for c in there if c.startswith("v_")]
        shows = next((c for c in ("v_in", "v_out") if c in there), None)
        found = voltages if shows is not None and backwards(shows) else []
        return (*found, *(c for c in there if c.startswith("i_") and backwards(c)))

    @property
    def interval_s(self) -> float:
        return float(np.median(np.concatenate(self._intervals)))

    def accuracy(self, channel: str, u_scale: float | None, u_zero: float | None) -> Accuracy:
        """Errors of a column, as given or else as its own steps, scatter and size suggest. Nothing is taken for clipped."""
        step = self._step[channel] if math.isfinite(self._step[channel]) else 0.0
        quantum = step / math.sqrt(12.0)
        noise = max(float(np.median(self._noises[channel])) if self._noises[channel] else 0.0, quantum)
        return Accuracy(
            low=-math.inf,
            high=math.inf,
            u_scale=U_SCALE_UNKNOWN if u_scale is None else u_scale,
            u_zero=max(U_ZERO_UNKNOWN_OF_LARGEST * self._largest[channel], step) if u_zero is None else u_zero,
            u_line=quantum,
            noise=noise,
        )

    def notes(self) -> list[str]:
        notes = [f"{self.rows} rows, {1.0 / self.interval_s:.4g} a second"]
        steps = np.concatenate(self._intervals)
        jitter = float(np.median(np.abs(steps - self.interval_s)))
        if jitter > 0.01 * self.interval_s:
            notes.append(f"time between rows varies (half of them by more than {jitter * 1e6:.3g} us)")
        if self._timeline.spread:
            notes.append(f"{self._timeline.spread} rows repeat the time of the row before: spread evenly")
        if self._timeline.dropped:
            notes.append(f"{self._timeline.dropped} rows dropped: time goes back or is missing there")
        return notes


def _smallest_step(values: Array) -> float:
    """Smallest distance between distinct values, rounding noise aside; infinite if all are equal."""
    distinct = np.unique(values)
    steps = np.diff(distinct)
    steps = steps[steps > 1e-9 * max(float(np.abs(distinct).max()), 1e-30)]
    return float(steps.min()) if len(steps) else math.inf


def _noise(values: Array) -> float:
    """Standard deviation of one sample's noise, from second differences, so that slopes and steps do not count."""
    bend = values[2:] - 2.0 * values[1:-1] + values[:-2]
    return float(np.median(np.abs(bend))) / (0.6745 * math.sqrt(6.0))
