"""Whether a train of clicks is of two kinds in turn, make and break, or of one kind, once a flash.

Two kinds that sound alike and come half a period apart can't be told from one: then one is taken. Where that would be faster than any
flasher unit, it is two.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from bench.clicks.energy import Energies
from bench.clicks.kind import FASTEST_S, between_steps
from bench.clicks.template import BEFORE, Template, amount, patches
from bench.samples import Array
from bench.uncertainty import student_quantile

Steps = npt.NDArray[np.int64]

_BY_CHANCE = 5e-5  # one side of 1 in 10 000: odd and even clicks of one kind that seem to differ
_LEAST_IN_SOUND, _LEAST_IN_TIME_S = 0.2, 1.5e-3  # 0.9 dB; less is of how the sound was cut into steps
_STANDS_OUT = 0.7  # natural logarithm of energy (3 dB): bands in which the clicks are louder than what was before
_ON_OWN_SIDE = 0.8  # of the clicks: some words louder than a click make no difference of two kinds
# Distances of a click from the middle of its neighbours share clicks: by chance odd and even ones differ by so much more than independent
# ones would (sum of squares of 1/2, 1, 1/2 against the square of their sum).
_SHARED = math.sqrt(4.0 / 1.5)
_WHOLE = 0.2  # a gap that is further from a whole number of periods does not tell which kind comes next


def alternation(log_energy: Energies, step_s: float, steps: Steps, period_s: float, template: Template) -> Steps | None:
    """Return 0 and 1 for the kind of each click, if the clicks differ in turn, in sound or in distance; else None."""
    times = between_steps(amount(log_energy, template), steps) * step_s
    gaps = np.diff(times) / period_s
    whole = np.maximum(np.round(gaps), 1.0)
    parity = np.concatenate(([0.0], np.cumsum(whole))).astype(np.int64) % 2
    part = np.concatenate(([0], np.cumsum(np.abs(gaps - whole) > _WHOLE)))
    longest = part == np.argmax(np.bincount(part))
    sounds = _sounds(log_energy, steps)
    inner = np.flatnonzero((whole[:-1] == 1.0) & (whole[1:] == 1.0) & longest[:-2] & longest[2:]) + 1
    early = times[inner] - 0.5 * (times[inner - 1] + times[inner + 1])
    in_sound = _differ(sounds[longest], parity[longest], _LEAST_IN_SOUND, _ON_OWN_SIDE)
    in_time = _differ(early[:, None], parity[inner], _LEAST_IN_TIME_S, 0.0, _SHARED)
    if not (in_sound or in_time or period_s < FASTEST_S):
        return None
    means = [sounds[longest & (parity == kind)].mean(axis=0) for kind in (0, 1)]
    for k in range(int(part[-1]) + 1):
        # After a long flash the kinds may have changed places.
        here = part == k
        apart = [np.sum((sounds[here] - np.where(parity[here, None] == 0, means[a], means[1 - a])) ** 2) for a in (0, 1)]
        if apart[1] < apart[0]:
            parity[here] = 1 - parity[here]
    return parity


def _sounds(log_energy: Energies, steps: Steps) -> Array:
    """Return the logarithm of the energy of each click in the bands in which clicks stand out, shape (n, bands).

    Of the whole click, so that it does not depend on where in a step it began: a period of 187.5 steps would alternate in that.
    """
    there = patches(log_energy, steps)
    clicks = np.log(np.exp(there[:, BEFORE - 3 : BEFORE + 8]).mean(axis=1))
    before = there[:, : BEFORE - 3].mean(axis=1)
    return np.asarray(clicks[:, np.median(clicks - before, axis=0) > _STANDS_OUT])


def _differ(values: Array, parity: Steps, least: float, own_side: float, shared: float = 1.0) -> bool:
    """Return whether the two kinds differ in any column beyond chance (Student's test, 1 in 10 000 for all columns together), by `least`,
    and so that a share `own_side` of the values is nearer to the mean of its own kind. `shared`: standard error over that of independent
    values."""
    a, b = values[parity == 0], values[parity == 1]
    dof = len(values) - 2
    if min(len(a), len(b)) < 3 or values.shape[1] == 0:
        return False
    mean_a, mean_b = a.mean(axis=0), b.mean(axis=0)
    within = (np.sum((a - mean_a) ** 2, axis=0) + np.sum((b - mean_b) ** 2, axis=0)) / dof
    error = shared * np.sqrt(within * (1.0 / len(a) + 1.0 / len(b)) + 1e-12)
    limit = np.maximum(student_quantile(1.0 - _BY_CHANCE / values.shape[1], dof) * error, least)
    nearer_a = np.abs(values - mean_a) < np.abs(values - mean_b)
    share = np.mean(nearer_a == (parity == 0)[:, None], axis=0)
    return bool(np.any((np.abs(mean_a - mean_b) > limit) & (share >= own_side)))
