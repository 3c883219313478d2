"""An error that lies anywhere within bounds, and never beyond, keeps that shape through means and ratios: against drawn errors."""

from __future__ import annotations

import math

import numpy as np
import pytest

from bench.combine import mean_of_starts
from bench.uncertainty import Component, Estimate, quotient

DRAWS = 4000
ROOM = 4.0 * math.sqrt(0.05 * 0.95 / DRAWS)  # four standard deviations of the share that is counted
CLOCK_U = 2.0e-3  # relative, rectangular


def box(rng: np.random.Generator, u: float) -> float:
    return float(rng.uniform(-1.0, 1.0)) * u * math.sqrt(3.0)


def seen(value: float, unit: str, scatter: float, box_u: float, source: str = "clock") -> Estimate:
    return Estimate(value, unit, (Component("scatter", scatter, kind="A"), Component(source, box_u, shape="rectangular")), 20)


def held(share: float) -> None:
    """The intervals of 95 % hold the truth as often as they say: not less, and not always."""
    assert share == pytest.approx(0.95, abs=ROOM)


def test_the_mean_of_starts_holds_as_often_as_it_says() -> None:
    """One clock is wrong by the same in every start; what scatters between them is much less."""
    rng = np.random.default_rng(1)
    inside = 0
    for _ in range(DRAWS):
        wrong = box(rng, CLOCK_U)
        found = mean_of_starts([seen(1.0 + wrong + float(rng.normal(0.0, 2e-4)), "s", 1e-6, CLOCK_U) for _ in range(3)])
        assert isinstance(found, Estimate)
        inside += abs(found.value - 1.0) <= found.expanded()
    held(inside / DRAWS)


@pytest.mark.parametrize(("upper", "lower"), [(3.0 * CLOCK_U, CLOCK_U), (CLOCK_U, 4.0 * CLOCK_U), (CLOCK_U, 0.0)])
def test_a_ratio_of_what_has_one_error_in_common_holds_as_often_as_it_says(upper: float, lower: float) -> None:
    rng = np.random.default_rng(2)
    inside = 0
    for _ in range(DRAWS):
        wrong = box(rng, 1.0)
        a = 180.0 * (1.0 + wrong * upper) + float(rng.normal(0.0, 0.05))
        b = 90.0 * (1.0 + wrong * lower) + float(rng.normal(0.0, 0.02))
        below = seen(b, "1/min", 0.02, 90.0 * lower) if lower else Estimate(b, "1/min", (Component("scatter", 0.02, kind="A"),), 20)
        found = quotient(seen(a, "1/min", 0.05, 180.0 * upper), below)
        inside += abs(found.value - 2.0) <= found.expanded()
    held(inside / DRAWS)


@pytest.mark.parametrize(("upper", "lower"), [(4e-3, 5e-4), (5e-4, 4e-3)])
def test_a_ratio_of_independent_values_holds_as_often_as_it_says(upper: float, lower: float) -> None:
    rng = np.random.default_rng(3)
    inside = 0
    for _ in range(DRAWS):
        a = 0.3 * (1.0 + box(rng, upper)) + float(rng.normal(0.0, 2e-5))
        b = 3.0 * (1.0 + box(rng, lower)) + float(rng.normal(0.0, 2e-4))
        found = quotient(seen(a, "V", 2e-5, 0.3 * upper, "drop"), seen(b, "A", 2e-4, 3.0 * lower, "current"), "ohm")
        inside += abs(found.value - 0.1) <= found.expanded()
    held(inside / DRAWS)


def test_an_error_that_is_rectangular_in_one_start_only_is_taken_for_normal() -> None:
    others = Estimate(1.0, "s", (Component("clock", CLOCK_U),))
    found = mean_of_starts([seen(1.0, "s", 1e-6, CLOCK_U), others, others])
    assert isinstance(found, Estimate) and found.budget[1] == Component("clock", CLOCK_U)
    assert quotient(others, seen(0.5, "s", 1e-6, CLOCK_U)).budget[0].shape == "normal"
