"""Invented instruments that record a unit's waves: each draws its own errors within limits that its data sheet states.

An instrument's errors in one recording: its time base is off by a constant part; each channel has a constant scale error and a constant
zero error, drawn evenly within their limits; channels may be sampled one after another; noise, resolution and range come last. The data
sheet (`Recorded.data_sheet`) states the limits, never what was drawn.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TypeAlias

import numpy as np
import pandas as pd

from reports.ngspice import Array, Waves

Random: TypeAlias = np.random.Generator
_SOURCES: Mapping[str, str] = {"i_load": "i(vamp)", "v_in": "v(in)", "v_out": "v(out)", "v_pilot": "v(pilot)"}
_UNITS: Mapping[str, str] = {"i_load": "A", "v_in": "V", "v_out": "V", "v_pilot": "V"}
_BEGINS_LATE = 0.25  # of the recordings, which begin while the unit flashes


@dataclass(frozen=True)
class Channel:
    """One input: limits of its errors, as in a data sheet, and its noise (rms)."""

    percent_of_reading: float
    percent_of_range: float
    counts: float
    zero: float
    resolution: float
    lowest: float
    highest: float
    noise: float

    def read(self, true: Array, rng: Random) -> Array:
        limits = np.array([self.percent_of_range / 100.0 * (self.highest - self.lowest), self.counts * self.resolution, self.zero])
        scale = 1.0 + rng.uniform(-1.0, 1.0) * self.percent_of_reading / 100.0
        value = true * scale + float(rng.uniform(-limits, limits).sum()) + rng.normal(0.0, 1.0, len(true)) * self.noise
        return np.clip(np.round(value / self.resolution) * self.resolution, self.lowest, self.highest)

    @property
    def data_sheet(self) -> str:
        return (
            f"percent_of_reading = {self.percent_of_reading:g}\npercent_of_range = {self.percent_of_range:g}\ncounts = {self.counts:g}\n"
            f"zero = {self.zero:g}\nresolution = {self.resolution:g}\nlowest = {self.lowest:g}\nhighest = {self.highest:g}\n"
        )


@dataclass(frozen=True)
class Timing:
    """How an instrument samples.

    `skew_s`: from its first channel to its last, `known_within_s`: how well the data sheet tells each channel's delay, infinite if it names
    the skew alone; `mean_s`: each reading is the mean over this time before it; `stamp_s`: time stamps are cut to this; `lost`: part of the
    rows that is missing, `pause_s`: how long a stretch without rows lasts.
    """

    rate_per_s: float
    clock_ppm: float
    skew_s: float = 0.0
    known_within_s: float = math.inf
    mean_s: float = 0.0
    stamp_s: float = 0.0
    lost: float = 0.0
    pause_s: float = 0.0

    @property
    def data_sheet(self) -> str:
        skew_s = min(self.skew_s, 2.0 * self.known_within_s)
        return f"clock_ppm = {self.clock_ppm:g}\nskew_us = {skew_s * 1e6:g}\nsampling_time_us = {self.mean_s * 1e6:g}\n"


@dataclass(frozen=True)
class Instrument:
    """An instrument: `draw` chooses its setting for one recording; `channels` are those that it has, by name."""

    title: str
    timing: Callable[[Random], Timing]
    current: Channel
    voltage: Channel | None = None
    seconds: float = 14.0


@dataclass(frozen=True)
class Recorded:
    """A recording as it was made: the file, the data sheet of the instrument, and when it truly began, ended and lacked rows."""

    path: Path
    data_sheet: str
    begin_s: float
    end_s: float
    gaps: Sequence[tuple[float, float]] = field(default_factory=tuple)


def _scaled(channel: Channel, times: float) -> Channel:
    """The same input, set to a range so many times as large."""
    return replace(
        channel, zero=channel.zero * times, resolution=channel.resolution * times, lowest=channel.lowest * times,
        highest=channel.highest * times, noise=channel.noise * times,
    )  # fmt: skip


# Limits and noise are invented, of the size that such instruments have (common practice, no source).
_SCOPE = Channel(1.0, 0.25, 1.0, 0.0, 20.0 / 4096, -5.0, 15.0, 3e-3)
_SCOPE_PROBE = Channel(1.0, 0.1, 1.0, 0.0, 100.0 / 4096, -20.0, 80.0, 0.02)
_TEN_BIT = Channel(0.5, 0.0, 2.0, 0.01, 0.02, 0.0, 20.46, 8e-3)
_TEN_BIT_SHUNT = Channel(0.5, 0.0, 2.0, 0.0, 0.06, 0.0, 61.38, 0.03)
_LOGGER = Channel(0.1, 0.02, 2.0, 0.0, 40.0 / 65536, -20.0, 20.0, 1e-3)
_LOGGER_SHUNT = Channel(0.3, 0.02, 2.0, 0.0, 120.0 / 65536, -60.0, 60.0, 5e-3)
_DIRTY = Channel(3.0, 1.0, 0.0, 0.0, 0.01, -20.0, 20.0, 0.03)
_DIRTY_PROBE = Channel(3.0, 1.0, 0.0, 0.0, 0.02, -10.0, 60.0, 0.05)
_UNIPOLAR = Channel(1.0, 0.0, 0.0, 0.05, 0.02, 0.0, 20.46, 4e-3)
_UNIPOLAR_SHUNT = Channel(1.0, 0.0, 0.0, 0.1, 0.05, 0.0, 51.15, 0.02)


def _slow(rng: Random) -> Timing:
    kind = rng.choice(3)
    return (Timing(100.0, 50.0), Timing(100.0, 50.0, mean_s=0.01), Timing(10.0, 50.0))[kind]


INSTRUMENTS: Mapping[str, Instrument] = {
    "clean": Instrument("12-bit oscilloscope, sampled together", lambda _: Timing(20_000.0, 25.0), _SCOPE_PROBE, _SCOPE, 10.5),
    "interleaved": Instrument(
        "10-bit logger, inputs read one after another",
        lambda rng: Timing(2000.0, 100.0, skew_s=360e-6, known_within_s=(math.inf, 10e-6)[rng.choice(2)]),
        _TEN_BIT_SHUNT, _TEN_BIT,
    ),
    "slow": Instrument("16-bit logger, 100 or 10 readings a second", _slow, _LOGGER_SHUNT, _LOGGER),
    "dirty": Instrument(
        "noisy logger, time stamps of 1 ms",
        lambda rng: Timing(2000.0, 500.0, stamp_s=1e-3, lost=2e-3, pause_s=rng.choice((0.0, 0.06))),
        _DIRTY_PROBE, _DIRTY,
    ),
    "unipolar": Instrument("10-bit logger without negative readings", lambda _: Timing(5000.0, 100.0), _UNIPOLAR_SHUNT, _UNIPOLAR, 12.0),
    "current-only": Instrument("current clamp and oscilloscope", lambda _: Timing(5000.0, 50.0), _SCOPE_PROBE, None, 12.0),
}  # fmt: skip


def record(instrument: Instrument, waves: Waves, system_v: float, rng: Random, path: Path) -> Recorded:
    """Record these waves to the CSV file `path` with errors drawn from `rng`. Voltage ranges follow the system's."""
    timing = instrument.timing(rng)
    last_s = float(waves.t_s[-1])
    begin_s = rng.uniform(3.0, 4.0) if rng.random() < _BEGINS_LATE else rng.uniform(0.0, 0.2)
    end_s = min(begin_s + instrument.seconds, last_s - 0.01)
    clock = 1.0 + rng.uniform(-1.0, 1.0) * timing.clock_ppm * 1e-6
    interval_s = clock / timing.rate_per_s
    true_s = np.arange(begin_s + rng.uniform(0.0, 1.0) * interval_s, end_s, interval_s)
    stamp_s = np.arange(len(true_s)) / timing.rate_per_s
    kept, gaps = _kept(timing, true_s, rng)
    channels = {"i_load": instrument.current}
    if instrument.voltage is not None:
        voltage = _scaled(instrument.voltage, 2.0 if system_v == 24.0 else 1.0)
        channels |= {name: voltage for name in ("v_in", "v_out", "v_pilot") if _SOURCES[name] in waves.saved}
    columns: dict[str, Array] = {"time_s": stamp_s if not timing.stamp_s else np.floor(stamp_s / timing.stamp_s + 1e-9) * timing.stamp_s}
    sheets = ""
    for place, (name, channel) in enumerate(channels.items()):
        delay_s = late_s = timing.skew_s * place / max(len(channels) - 1, 1)
        sheets += f"[channels.{name}]\n{channel.data_sheet}"
        if math.isfinite(timing.known_within_s):
            sheets += f"delay_us = {delay_s * 1e6:g}\n"
            late_s += rng.uniform(-1.0, 1.0) * timing.known_within_s
        columns[f"{name}_{_UNITS[name]}"] = channel.read(_sampled(waves, _SOURCES[name], true_s + late_s, timing.mean_s), rng)
    pd.DataFrame({name: values[kept] for name, values in columns.items()}).to_csv(path, index=False, float_format="%.7g")
    sheet = f'format = 1\ntitle = "{instrument.title}"\n{timing.data_sheet}{sheets}'
    return Recorded(path, sheet, float(true_s[kept][0]), float(true_s[kept][-1]), gaps)


def _kept(timing: Timing, true_s: Array, rng: Random) -> tuple[np.ndarray[tuple[int], np.dtype[np.bool_]], Sequence[tuple[float, float]]]:
    kept = rng.random(len(true_s)) >= timing.lost
    gaps: Sequence[tuple[float, float]] = ()
    if timing.pause_s:
        pause_s = true_s[0] + rng.uniform(0.2, 0.8) * (true_s[-1] - true_s[0])
        gaps = ((pause_s, pause_s + timing.pause_s),)
        kept &= (true_s < pause_s) | (true_s > pause_s + timing.pause_s)
    return kept, gaps


def _sampled(waves: Waves, name: str, at_s: Array, mean_s: float) -> Array:
    """The wave at these instants, or its mean over the time `mean_s` before each."""
    if not mean_s:
        return waves.samples(name, at_s)
    t, v = waves.t_s, waves[name]
    total = np.concatenate(([0.0], np.cumsum(np.diff(t) * (v[1:] + v[:-1]) / 2.0)))

    def integral(until_s: Array) -> Array:
        k = np.clip(np.searchsorted(t, until_s, side="right") - 1, 0, len(t) - 1)
        return np.asarray(total[k] + (until_s - t[k]) * (v[k] + np.interp(until_s, t, v)) / 2.0)

    begin_s = np.maximum(at_s - mean_s, 0.0)
    return np.asarray((integral(at_s) - integral(begin_s)) / (at_s - begin_s))
