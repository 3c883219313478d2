"""How a unit wears with the number of flashes it has made. The laws are guesses of the trade: common practice, no source."""

from __future__ import annotations

import math
import random
from dataclasses import replace

from bench.simboard.units import Unit

LIFE_SCALE = 7.0e5  # Weibull: 63 % have failed by then
LIFE_SHAPE = 3.5
TIRED_SHARE = 0.10  # of its life, at the end, in which a unit misses


def contact_factor(flashes: float) -> float:
    """Return the contact's resistance after this number of flashes, as a factor on that of the new contact."""
    return 1.0 + float((flashes / 2.0e5) ** 1.5)


def threshold_shift_k(flashes: float) -> tuple[float, float]:
    """Return by how much the opening and the closing temperature of a snapping strip have moved after this number of flashes."""
    decades = math.log10(1.0 + flashes / 1.0e4)
    return -3.0 * decades, -2.0 * decades


def fatigue(flashes: float, life_flashes: float) -> tuple[float, float]:
    """Return the probability that a flash is missed, and a factor on the period's scatter.

    flashes, life_flashes: number made so far, and made when the unit fails. The probability rises from 0.001 to 0.1 over the last tenth.
    """
    spent = flashes / life_flashes
    if spent < 1.0 - TIRED_SHARE:
        return 0.0, 1.0
    share = min(1.0, (spent - 1.0 + TIRED_SHARE) / TIRED_SHARE)
    return 10.0 ** (-3.0 + 2.0 * share), 3.0


def draw_life(rng: random.Random) -> float:
    """Return the number of flashes after which a unit fails."""
    return rng.weibullvariate(LIFE_SCALE, LIFE_SHAPE)


def aged(unit: Unit, flashes: int) -> Unit:
    """Return the unit after so many further flashes; it wears on as it runs."""
    return replace(unit, flashes=unit.flashes + flashes)
