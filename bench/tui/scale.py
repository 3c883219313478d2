"""Scales of a picture: round numbers that hold what was seen, and where their ticks stand. Pure."""

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
_BELOW = 0.04  # of the scale: noise around zero is no reason to begin below it


@dataclass(frozen=True, slots=True)
class Scale:
    """From `bottom` to `top` in whole steps of 1, 2 or 5 times a power of ten."""

    bottom: float
    top: float
    step: float

    @property
    def ticks(self) -> tuple[float, ...]:
        """The steps, bottom and top included."""
        count = round((self.top - self.bottom) / self.step)
        return tuple(rounded_to(self.bottom + i * self.step, self.step) for i in range(count + 1))


def scale_for(low: float, high: float, least: float) -> Scale:
    """The smallest scale of at most four steps that holds 0, `low` and `high`, and reaches at least to `least`."""
    high = max(high, least)
    low = min(low, 0.0) if low < -_BELOW * high else 0.0
    step = round_step((high - low) / _MOST_STEPS)
    while math.ceil(high / step - 1e-9) - math.floor(low / step + 1e-9) > _MOST_STEPS:
        step = round_step(1.01 * step)
    bottom, top = math.floor(low / step + 1e-9) * step, math.ceil(high / step - 1e-9) * step
    return Scale(rounded_to(bottom, step), rounded_to(top, step), step)


def extent(low: Array, high: Array, lasting: int = 1) -> tuple[float, float]:
    """Least and greatest value of columns, NaN left out; of what lasts for so many columns, if there are as many."""
    if 1 < lasting <= len(low):
        low = high = np.lib.stride_tricks.sliding_window_view(low, lasting).min(axis=1)
    return float(np.fmin.reduce(low, initial=np.inf)), float(np.fmax.reduce(high, initial=-np.inf))


def round_step(least: float) -> float:
    """The smallest of 1, 2, 5, 10, ... (and their tenths) that is not less than `least`, which must be above 0."""
    power = math.floor(math.log10(least))
    for digit in (1, 2, 5, 10):
        step = float(f"{digit}e{power}")
        if step >= least * (1.0 - 1e-9):
            return step
    return float(f"1e{power + 1}")


def rounded_to(value: float, step: float) -> float:
    """`value`, a whole number of steps but for the last bits of a float, without those bits."""
    return round(value / step) * step if step >= 1.0 else round(round(value / step) * step, 12)


def tick_text(value: float) -> str:
    """A tick as people write it."""
    return f"{value:.10g}"
