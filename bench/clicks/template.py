"""What a unit's clicks sound like, learnt from those found, and how much of that there is at every step of the recording."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from bench.clicks.energy import Energies
from bench.samples import Array

Steps = npt.NDArray[np.int64]

BEFORE, AFTER = 6, 13  # steps of the patch: 12 ms before a click, 26 ms after it begins
_AROUND = 60  # steps to either side that show the noise of the moment: 120 ms
_AWAY = 20  # steps from a click that its echo reaches: what is further away is noise
_PATCHES = 1500  # of noise: seven for each of its dimensions
_OWN = 0.15  # of each value's variance that is taken to be its own: so few patches show no more of what hangs together


@dataclass(frozen=True)
class Template:
    """`weight`, shape (steps of the patch, bands): what the logarithms of energy are multiplied by so that a usual click gives 1.

    Matched to the noise around: what that does by itself, in bands together or one step after the other, counts little. Sums over the steps
    are 0, so that a noise that stays as it is gives 0. `energy`: of the click alone. `noise`: standard deviation where there is no click.
    """

    weight: Array
    energy: Array
    noise: float


def patches(log_energy: Energies, steps: Steps) -> Array:
    """Return patches of shape (n, steps of the patch, bands), in float64; at the ends of the recording its first or last step again."""
    at = np.clip(steps[:, None] + np.arange(-BEFORE, AFTER), 0, len(log_energy) - 1)
    return np.asarray(log_energy[at], dtype=np.float64)


def learn(log_energy: Energies, steps: Steps, others: Steps | None = None) -> Template:
    """Return the template of the clicks at `steps` (one at least): the middle one of each value, so that a word spoken over one of them
    does no harm.

    `others`: clicks of another kind, which are no noise either.
    """
    usual = np.median(patches(log_energy, steps), axis=0)
    quiet = np.median(usual[: BEFORE - 2], axis=0)
    shape = (usual - usual.mean(axis=0)).ravel()
    noise = _noise_patches(log_energy, steps if others is None else np.concatenate((steps, others)))
    noise = (noise - noise.mean(axis=1, keepdims=True)).reshape(len(noise), -1)
    together = noise.T @ noise / max(1, len(noise))
    spread = np.diag(together) + 1e-3
    weight = np.linalg.solve((1.0 - _OWN) * together + np.diag(_OWN * spread + 1e-2), shape).reshape(usual.shape)
    weight -= weight.mean(axis=0)
    weight /= np.sum(weight.ravel() * shape)
    sigma = float(np.sqrt(np.mean((noise @ weight.ravel()) ** 2))) if len(noise) else 0.0
    return Template(weight, np.maximum(np.exp(usual) - np.exp(quiet), 0.0), sigma)


def _noise_patches(log_energy: Energies, clicks: Steps) -> Array:
    free = np.ones(len(log_energy), dtype=bool)
    for reach in range(-AFTER, _AWAY):
        free[np.clip(clicks + reach, 0, len(log_energy) - 1)] = False
    there = np.flatnonzero(free)
    return patches(log_energy, there[:: max(1, len(there) // _PATCHES)])


def amount(log_energy: Energies, template: Template) -> Array:
    """Return for every step how much of a click begins there: 1 for a usual one, about 0 without."""
    found = np.zeros(len(log_energy))
    last = len(log_energy) - AFTER + 1
    if last <= BEFORE:
        return found
    weight = template.weight.astype(np.float32)
    for k in range(BEFORE + AFTER):
        found[BEFORE:last] += log_energy[k : k + last - BEFORE] @ weight[k]
    return found


def amount_expected(log_energy: Energies, template: Template, step: int) -> float:
    """Return what `amount` would be at a step, did a usual click come there in the noise that there is around it."""
    around = log_energy[max(0, step - _AROUND) : step + _AROUND].astype(np.float64)
    noise = np.exp(np.quantile(around, 0.75, axis=0))
    return float(np.sum(template.weight * np.log1p(template.energy / noise)))
