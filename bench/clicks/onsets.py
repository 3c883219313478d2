"""Where sound sets in at once, in many bands of pitch together: what may be clicks, before it is known what the clicks sound like."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from bench.clicks.energy import Energies, Loudness
from bench.samples import Array

_BEFORE = (3, 12)  # steps before an onset that it is compared with: 6 to 24 ms
_MOST_RISE = 4.0  # natural logarithm of energy (17 dB): a single band counts for no more
_APART_S = 0.03  # bounce and the first echoes of a click come within this
_ABOVE = 2.0  # standard deviations of what there is between clicks
_BLOCK_S = 4.0  # over which that is found
_MOST_PER_S = 14.0


@dataclass(frozen=True)
class Onsets:
    """Candidates in time order. `strength`: their rise over that of the noise around, in its standard deviations; `rises`: of each band,
    shape (n, bands)."""

    steps: npt.NDArray[np.int64]
    strength: Array
    rises: Energies


def find_onsets(loudness: Loudness) -> Onsets:
    """Return the instants at which something began to sound, and how plainly."""
    rises = rises_of(loudness.log_energy)
    strength = standardised(rises.sum(axis=1, dtype=np.float64), max(1, round(_BLOCK_S / loudness.step_s)))
    apart = max(1, round(_APART_S / loudness.step_s))
    steps = peaks(strength, apart, _ABOVE)
    most = int(_MOST_PER_S * max(loudness.lasted_s, 1.0))
    if len(steps) > most:
        steps = np.sort(steps[np.argsort(strength[steps])[-most:]])
    return Onsets(steps, strength[steps], rises[steps])


def rises_of(log_energy: Energies) -> Energies:
    """Return the rise of every band over the mean of shortly before, from 0 to _MOST_RISE."""
    first, last = _BEFORE
    found = np.zeros_like(log_energy)
    if len(log_energy) <= last:
        return found
    for band in range(log_energy.shape[1]):
        energy = np.exp(log_energy[:, band].astype(np.float64))
        total = np.concatenate(([0.0], np.cumsum(energy)))
        # Of long sums the difference may be rounded below the smallest energy that there is.
        mean = np.maximum((total[last - first + 1 :] - total[: -(last - first + 1)]) / (last - first + 1), energy.min())
        found[last:, band] = np.clip(log_energy[last:, band] - np.log(mean[: len(energy) - last]), 0.0, _MOST_RISE)
    return found


def standardised(values: Array, block: int) -> Array:
    """Return the values less their median, in units of the scatter above it (84 % quantile less median), both of the surrounding."""
    count = max(1, round(len(values) / block))
    parts = np.array_split(values, count)
    centres = np.cumsum([len(part) for part in parts]) - 0.5 * np.array([len(part) for part in parts])
    middle = np.array([np.median(part) if len(part) else 0.0 for part in parts])
    upper = np.array([np.quantile(part, 0.84) if len(part) else 1.0 for part in parts])
    at = np.arange(len(values))
    spread = np.maximum(np.interp(at, centres, upper - middle), 1e-3)
    return np.asarray((values - np.interp(at, centres, middle)) / spread)


def peaks(values: Array, apart: int, least: float) -> npt.NDArray[np.int64]:
    """Return the steps at which `values` is at least `least`, and the largest within `apart` steps to either side (the first of equals).

    `least` in the unit of `values`.
    """
    high = np.flatnonzero(values >= least)
    kept = [k for k in high.tolist() if values[k] > values[max(0, k - apart) : k].max(initial=-np.inf)
            and values[k] >= values[k + 1 : k + apart + 1].max(initial=-np.inf)]  # fmt: skip
    return np.array(kept, dtype=np.int64)
