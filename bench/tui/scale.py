"""Scales of a picture: round numbers that hold what was seen, and the rows of characters on which their ticks lie.

A tick can only stand on a row of characters. So the rows are shared out in whole rows to a step, and a value is drawn where it lies
between the middles of the rows of its ticks: a level read off against the ticks is wrong by half a dot at most.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from bench.samples import Array

ROOM = 1.1
"""What is seen is kept off the top edge."""
LASTING_S = 0.1
"""What lasts so long decides the current's scale: an inrush is over by then."""
_MOST_STEPS = 4
_AXES_TRIED = 3
_BELOW = 0.04  # of the scale: noise around zero is no reason to begin below it


@dataclass(frozen=True, slots=True)
class Scale:
    """From `bottom` to `top` in whole steps of 1, 2 or 5 times a power of ten. `bottom`, `top` and `step` in the unit of what is drawn."""

    bottom: float
    top: float
    step: float


@dataclass(frozen=True, slots=True)
class Axis:
    """`rows` rows of characters; the middle of the lowest stands for `bottom`, and `rows_a_step` rows above it for `step` more."""

    bottom: float
    step: float
    rows_a_step: int
    rows: int

    @property
    def ticks(self) -> tuple[float, ...]:
        """The values of the ticks, the lowest first; a row above the last may be left."""
        return tuple(rounded_to(self.bottom + i * self.step, self.step) for i in range((self.rows - 1) // self.rows_a_step + 1))

    def row(self, value: float) -> int:
        """The row of a value, 0 on top; outside of `rows` if it is not shown."""
        return self.rows - 1 - round((value - self.bottom) / self.step * self.rows_a_step)

    def reach(self, dots_a_row: int) -> tuple[float, float]:
        """The values in the middle of the lowest and of the highest dot."""
        dot = self.step / (self.rows_a_step * dots_a_row)
        low = self.bottom - 0.5 * (dots_a_row - 1) * dot
        return low, low + (self.rows * dots_a_row - 1) * dot


def axis_for(scale: Scale, rows: int) -> Axis:
    """The axis of so many rows that holds the scale and shows it as large as whole rows to a round step allow."""
    found: list[Axis] = []
    step = scale.step
    while len(found) < _AXES_TRIED and step < 100.0 * (scale.top - scale.bottom):
        bottom = math.floor(scale.bottom / step + 1e-9) * step
        steps = math.ceil((scale.top - bottom) / step - 1e-9)
        if steps < rows:
            found.append(Axis(rounded_to(bottom, step), step, (rows - 1) // steps, rows))
        step = round_step(1.01 * step)
    return max(found, key=lambda axis: axis.rows_a_step / axis.step, default=_without_steps(scale, rows))


def _without_steps(scale: Scale, rows: int) -> Axis:
    """The axis of one row, or of two that can't show a zero between a low and a high end."""
    span = scale.top - scale.bottom
    return Axis(scale.bottom, span, rows - 1, rows) if rows > 1 else Axis(scale.bottom + 0.5 * span, 2.0 * span, 1, 1)


def scale_for(low: float, high: float, least: float) -> Scale:
    """The smallest scale of at most four steps that holds 0, `low` and `high`, and reaches at least to `least`.

    `low`, `high` and `least` in the unit of what is drawn.
    """
    high = max(high, least)
    low = min(low, 0.0) if low < -_BELOW * high else 0.0
    step = round_step((high - low) / _MOST_STEPS)
    while math.ceil(high / step - 1e-9) - math.floor(low / step + 1e-9) > _MOST_STEPS:
        step = round_step(1.01 * step)
    bottom, top = math.floor(low / step + 1e-9) * step, math.ceil(high / step - 1e-9) * step
    return Scale(rounded_to(bottom, step), rounded_to(top, step), step)


def extent(low: Array, high: Array, lasting: int = 1) -> tuple[float, float]:
    """Least and greatest value of columns, NaN left out; of what lasts for so many columns, if there are as many.

    A value lasts if all of that time is as high, or as low: a glitch below zero at a break must not open a scale below zero.
    """
    if 1 < lasting <= len(low):
        window = np.lib.stride_tricks.sliding_window_view
        low, high = window(high, lasting).max(axis=1), window(low, lasting).min(axis=1)
    return float(np.fmin.reduce(low, initial=np.inf)), float(np.fmax.reduce(high, initial=-np.inf))


def round_step(least: float) -> float:
    """The smallest of 1, 2, 5, 10, ... (and their tenths) that is not less than `least`, which must be above 0.

    `least` in the unit of what is drawn.
    """
    power = math.floor(math.log10(least))
    for digit in (1, 2, 5, 10):
        step = float(f"{digit}e{power}")
        if step >= least * (1.0 - 1e-9):
            return step
    return float(f"1e{power + 1}")


def rounded_to(value: float, step: float) -> float:
    """`value`, a whole number of steps but for the last bits of a float, without those bits. `value` and `step` in one unit."""
    return round(value / step) * step if step >= 1.0 else round(round(value / step) * step, 12)


def tick_text(value: float) -> str:
    """A tick as people write it. `value` in the unit of what is drawn."""
    return f"{value:.10g}"
