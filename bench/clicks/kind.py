"""All clicks of one kind: when they came, whether they are a unit's, and whether one more would have been heard."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from bench.clicks.energy import Energies
from bench.clicks.template import Template, amount, amount_expected
from bench.samples import Array

Steps = npt.NDArray[np.int64]

_AUDIBLE = 0.35  # of a usual click
_SLOT = 0.12  # of the period: where a click that is due is looked for
_TRACE, _TRACE_SLOT = 4.5, 0.03  # standard deviations, periods: of a flash half covered so much is left, where it is due
_AROUND = 75  # steps to either side: 150 ms
PAUSE = 4.6  # periods: a unit that was switched off, rather
# Of trains made of the onsets of noise, speech, music and engines none had all of these (python -m reports.clicks --silent 60).
FEWEST, _MANY = 5, 12
_TYPICAL, _THERE, _VARIES, _VARIES_MANY = 0.8, 0.65, 0.06, 0.10
_TYPICAL_STEADY, _STEADY = 0.5, 0.025  # many that are as steady as that may be half covered by speech
SLOWEST_S, FASTEST_S = 60.0 / 35.0, 60.0 / 175.0  # flashes: units make 40 to 160 a minute (common practice, no source)


class ClickKind:
    """All clicks of one kind, and whether one more would have been heard."""

    def __init__(self, log_energy: Energies, step_s: float, template: Template, steps: Steps) -> None:
        self._log, self._step_s, self._template = log_energy, step_s, template
        self._amounts = amount(log_energy, template)
        self.times_s = between_steps(self._amounts, steps) * step_s
        self.typical = float(np.median(self._amounts[steps]))

    def first_between(self, begun_s: float, ended_s: float) -> float | None:
        """Return the first click from begun_s on and before ended_s; None if there is none."""
        n = int(np.searchsorted(self.times_s, begun_s))
        return float(self.times_s[n]) if n < len(self.times_s) and self.times_s[n] < ended_s else None

    def is_at(self, due_s: float, reach_s: float) -> bool:
        """Return whether a click came within reach_s of that instant."""
        return bool(np.any(np.abs(self.times_s - due_s) < reach_s))

    def is_absent(self, due_s: float, reach_s: float) -> bool:
        """Return whether no click came at about that instant, and one would have been heard."""
        at, reach = round(due_s / self._step_s), round(reach_s / self._step_s)
        expected = min(amount_expected(self._log, self._template, k) for k in (at - reach // 2, at, at + reach // 2))
        there = float(self._amounts[max(0, at - reach) : at + reach + 1].max(initial=0.0))
        return expected > _AUDIBLE and there < 0.6 * expected

    def trace(self, due_s: float, reach_s: float) -> float:
        """Return how far what is there at about that instant stands out of what is there around, in standard deviations."""
        at, reach = round(due_s / self._step_s), max(1, round(reach_s / self._step_s))
        around = self._amounts[max(0, at - _AROUND) : at + _AROUND + 1]
        there = float(self._amounts[max(0, at - reach) : at + reach + 1].max(initial=0.0))
        return there / max(1.4826 * float(np.median(np.abs(around))), 1e-6) if len(around) else 0.0


def flashes_in_gap(mine: ClickKind, its: ClickKind | None, begun_s: float, period_s: float, count: int, delay_s: float) -> tuple[int, int]:
    """Return the number of flashes that did not come, and those of which that can't be told, between two clicks that are `count` periods
    apart."""
    reach_s = _SLOT * period_s
    lacking = count - 1
    gone = lacking if sum(mine.is_absent(begun_s + k * period_s, reach_s) for k in range(1, count)) == lacking else 0
    if its is not None:
        due_s = [begun_s + delay_s + k * period_s for k in range(count)]
        came = sum(its.is_at(due, reach_s) for due in due_s)
        absent = sum(its.is_absent(due, reach_s) for due in due_s)
        lacking = count - max(came, 1)
        if came > 1 or not gone:  # where the other click came, the first was covered
            gone = lacking if absent >= lacking else 0
    if gone or not lacking:
        return gone, 0
    kinds = [(mine, begun_s)] if its is None else [(mine, begun_s), (its, begun_s + delay_s)]
    traces = [math.hypot(*(kind.trace(at_s + k * period_s, _TRACE_SLOT * period_s) for kind, at_s in kinds)) for k in range(1, count)]
    return (0, 0) if min(traces) >= _TRACE else (0, lacking)


def is_regular(kind: ClickKind, period_s: float) -> bool:
    """Return whether the clicks are alike and come regularly, as neither speech nor music nor an engine makes a train of its onsets."""
    gaps = np.diff(kind.times_s) / period_s
    gaps = gaps[gaps <= PAUSE]
    if len(gaps) < FEWEST or not SLOWEST_S >= period_s >= FASTEST_S:
        return False
    varies = 1.4826 * float(np.median(np.abs(gaps - 1.0)))
    there = len(gaps) / float(np.sum(np.maximum(np.round(gaps), 1.0)))
    if there < _THERE:
        return False
    if len(gaps) >= _MANY and varies <= _STEADY and kind.typical >= _TYPICAL_STEADY:
        return True
    return kind.typical >= _TYPICAL and varies <= (_VARIES if len(gaps) < _MANY else _VARIES_MANY)


def between_steps(amounts: Array, steps: Steps) -> Array:
    """Return where the parabola through three steps is highest."""
    at = np.clip(steps, 1, len(amounts) - 2)
    left, middle, right = amounts[at - 1], amounts[at], amounts[at + 1]
    bend = np.minimum(left - 2.0 * middle + right, -1e-9)
    return np.asarray(at + np.clip(0.5 * (left - right) / bend, -0.5, 0.5))
