"""Sound to energies: how loud it was in each band of pitch, every 2 ms. The sound itself is not kept."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from bench.samples import Array, Tail

Energies = npt.NDArray[np.float32]

STEP_S = 2e-3  # a click of a relay lasts 5 to 20 ms (common practice, no source)
LEAST_SAMPLE_RATE = 6000.0  # clicks ring at 1 to 6 kHz (common practice, no source): below 3 kHz too little of them is left
_STEPS_IN_WINDOW = 4
# Below 300 Hz a recording has hum and engines, and no click that it would not have above.
_EDGES_HZ = (300.0, 500.0, 750.0, 1000.0, 1400.0, 2000.0, 2800.0, 4000.0, 5600.0, 8000.0, 11000.0, 15000.0)
_NYQUIST_PART = 0.46  # above that the recorder's own filter falls
_QUIET = 1e-11  # of full scale squared: below the noise of 16 bits, so that digital silence has a logarithm
_BATCH = 4096  # windows transformed at a time


@dataclass(frozen=True)
class Loudness:
    """Natural logarithm of the energy, shape (steps, bands); step k is centred on `first_s` + k `step_s`."""

    log_energy: Energies
    step_s: float
    first_s: float
    lasted_s: float

    def time_s(self, step: float) -> float:
        """Return the instant of a step, s of the recording."""
        return self.first_s + step * self.step_s


class Loudmeter:
    """Chunks of samples in, `Loudness` out. Its result does not depend on how the samples were cut. `sample_rate` in Hz."""

    def __init__(self, sample_rate: float) -> None:
        if not sample_rate >= LEAST_SAMPLE_RATE:
            raise ValueError(f"at least {LEAST_SAMPLE_RATE:g} samples a second are needed, got {sample_rate:g}")
        self._rate = sample_rate
        self._step = max(1, round(sample_rate * STEP_S))
        self._size = self._step * _STEPS_IN_WINDOW
        self._shape = np.hanning(self._size + 2)[1:-1]
        self._limits = _band_limits(sample_rate, self._size)
        self._tail = Tail()
        self._found: list[Energies] = []
        self._samples = 0

    def feed(self, samples: Array) -> None:
        """Add samples of shape (n, channels), full scale 1. Energies of the channels are added, so one that is silent does no harm."""
        self._samples += len(samples)
        self._tail.append(samples)
        (held,) = self._tail.columns
        count = max(0, (len(held) - self._size) // self._step + 1)
        for first in range(0, count, _BATCH):
            last = min(first + _BATCH, count)
            part = held[first * self._step : (last - 1) * self._step + self._size]
            self._found.append(self._energies(part))
        self._tail.forget(0, count * self._step)

    def finish(self) -> Loudness:
        """Return the loudness of all samples."""
        bands = len(self._limits)
        found = np.concatenate(self._found) if self._found else np.zeros((0, bands), dtype=np.float32)
        return Loudness(found, self._step / self._rate, 0.5 * self._size / self._rate, self._samples / self._rate)

    def _energies(self, part: Array) -> Energies:
        total: Array | float = 0.0
        for channel in part.T:
            windows = np.lib.stride_tricks.sliding_window_view(channel, self._size)[:: self._step]
            spectrum = np.fft.rfft(windows * self._shape, axis=1)
            power = spectrum.real**2 + spectrum.imag**2
            total = total + np.stack([power[:, low:high].sum(axis=1) for low, high in self._limits], axis=1)
        return np.log(total / self._size**2 + _QUIET).astype(np.float32)


def _band_limits(sample_rate: float, size: int) -> list[tuple[int, int]]:
    """Return the first and last (not included) bin of each band, at least two bins wide."""
    top_hz = _NYQUIST_PART * sample_rate
    edges = [edge for edge in _EDGES_HZ if edge < top_hz] + [min(top_hz, 2.0 * _EDGES_HZ[-1])]
    bins = [math.ceil(edge * size / sample_rate) for edge in edges]
    limits: list[tuple[int, int]] = []
    low = bins[0]
    for high in bins[1:]:
        if high - low >= 2:
            limits.append((low, high))
            low = high
    return limits
