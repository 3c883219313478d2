"""The fit behind the current at a make: against the same sum done by other means, and at its ends."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hand_evidence import near
from test_inrush import FIT_S, MAKE_S, STEP, TAU, decay, read, samples

from bench.inrush import current_at_make
from bench.samples import Array, Timing
from bench.transitions import Transition

MAKE = Transition(MAKE_S, True, 0.0)


def by_normal_equations(t_s: Array, i_a: Array, curvature: float, curvature_u: float) -> tuple[float, float]:
    """Peak, less what the model takes off for cold lamps, and its relative u by the noise alone.

    Each sample of i^-1.7 counts by its share of the mean current to the power 2.7, as its noise is even in the current; the curvature,
    known to curvature_u of the slope, is one more sample with the noise of the others.
    """
    z, y = (t_s - MAKE_S) / FIT_S, i_a**-1.7
    weight = (i_a / np.mean(i_a)) ** 2.7
    line = np.polynomial.Polynomial.fit(z, y, 1, w=weight).convert()
    slope = abs(float(line.coef[1]))
    noise = math.sqrt(float(np.sum((weight * (y - line(z))) ** 2)) / (len(z) - 2))
    rows = np.vstack((np.vander(z, 3, increasing=True) * weight[:, None], np.array([0.0, -curvature, 1.0]) * noise / (curvature_u * slope)))
    seen = np.append(y * weight, 0.0)
    inverse = np.linalg.inv(rows.T @ rows)
    found = inverse @ rows.T @ seen
    left = (seen - rows @ found)[:-1]
    variance = float(left @ left) / (len(z) - 2) * inverse[0, 0]
    return float(found[0] ** (-1.0 / 1.7) * (1.0 - 0.002 * min(abs(found[1]) / found[0], 1.0))), math.sqrt(variance) / (1.7 * found[0])


@pytest.mark.parametrize("slope", [0.4, -0.3])
@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("count", [5, 8, 20])
def test_the_fit_against_the_normal_equations(count: int, seed: int, slope: float) -> None:
    """A slope whose curvature is taken as -0.03 +- 0.10 of it."""
    t = MAKE_S + 30e-6 + STEP * np.arange(count, dtype=np.float64)
    i = decay(t, 36.0, slope, 0.05) + np.random.default_rng(seed).normal(0.0, 0.2, count)
    found = current_at_make(t, i, MAKE, 0.0)
    value, noise_u = by_normal_equations(t, i, -0.03, 0.10)
    assert found is not None and found.value == near(value, rel=1e-9)
    assert found.u / found.value == near(math.hypot(noise_u, 0.0045 + 2.0 * (30e-6 - 1e-6)), rel=1e-6)


def test_a_load_that_draws_the_same_all_along_has_that_at_the_make() -> None:
    """An LED lamp or a resistor in whole counts; two that are one higher, evenly about the middle, make no slope but a scatter."""
    t = samples()
    within = np.flatnonzero((t > MAKE_S) & (t < MAKE_S + FIT_S))
    for counts in range(10, 60):
        amps = counts * 0.075
        alike = np.full(len(t), amps)
        flat = current_at_make(t, alike, MAKE, 0.0)
        assert flat is not None and flat.value == near(amps, rel=1e-6)
        for k in range(len(within) // 2):
            two = alike.copy()
            two[[within[k], within[-1 - k]]] += 0.075
            found = current_at_make(t, two, MAKE, 0.0)
            assert found is not None and abs(found.value - amps - 0.0075) < 3.0 * found.u, (counts, k)


def test_a_current_that_would_have_had_no_end_at_the_make_is_not_said() -> None:
    """Seen from 1.2 ms on: i^-1.7 as a straight line that is 0 at 1 ms."""
    t = samples()
    i = 10.0 * np.maximum((t - MAKE_S - 1e-3) / FIT_S, 1e-3) ** (-1.0 / 1.7)
    assert current_at_make(t, i, MAKE, 0.0, Timing(sampling_s=1.2e-3)) is None


def test_the_fit_goes_on_for_its_whole_time_after_the_filter_has_settled() -> None:
    """2.6 ms are 20 samples, whatever the six time constants before them."""
    assert read(2.0, tau_s=TAU).n == read(2.0).n == 20
