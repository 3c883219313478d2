"""The board's clock found from stamps and late arrivals."""

from __future__ import annotations

import random

import pytest

from bench.clock import HOST_HALF_WIDTH, ClockComparison, ClockEstimate
from bench.uncertainty import rectangular


def compared(error: float, *, seconds: float, runs: int = 1, seed: int = 1, late_s: float = 2e-3) -> ClockEstimate:
    """A board whose nominal seconds are too short by `error`, its frames arriving up to late_s late, never early."""
    rng = random.Random(seed)
    comparison = ClockComparison(0.005)
    host = 100.0
    for _ in range(runs):
        comparison.begin_run()
        frames = int(seconds / 4.16e-3)
        for k in range(frames):
            board_s = k * 4.16e-3
            comparison.add(board_s, host + board_s * (1.0 + error) + rng.uniform(0.0, late_s))
        host += 2.0 * seconds
    return comparison.estimate()


@pytest.mark.parametrize("error", [-0.005, -1e-4, 0.0, 0.003])
def test_the_error_is_found_within_its_uncertainty(error: float) -> None:
    estimate = compared(error, seconds=20.0)
    assert estimate.corrected
    fit = estimate.parts[0]
    assert abs(estimate.rel_error - error) < 4.0 * fit.u
    assert fit.u < 1e-5
    # Half a flash a minute is the board's own tolerance; asked is 0.05 of 90.
    assert estimate.u < 0.05 / 90.0 / 2.0


def test_the_hosts_own_clock_is_in_the_budget() -> None:
    parts = {part.source: part for part in compared(0.001, seconds=60.0).parts}
    assert parts["host's clock"].u == rectangular(HOST_HALF_WIDTH)
    assert parts["host's clock"].shape == "rectangular"


def test_a_short_look_corrects_nothing_and_says_so() -> None:
    estimate = compared(0.004, seconds=2.0)
    assert not estimate.corrected
    assert estimate.rel_error == 0.0
    assert estimate.u == rectangular(0.005)
    assert "not corrected" in estimate.text


def test_runs_of_one_board_add_up_although_each_starts_its_stamps_anew() -> None:
    one, three = compared(0.002, seconds=8.0), compared(0.002, seconds=8.0, runs=3)
    assert three.parts[0].u < one.parts[0].u
    assert abs(three.rel_error - 0.002) < 4.0 * three.parts[0].u


def test_memory_is_bounded_over_a_day_and_the_estimate_only_gets_better() -> None:
    comparison = ClockComparison(0.005)
    comparison.begin_run()
    rng = random.Random(3)
    for k in range(86_400):
        comparison.add(float(k), 5.0 + k * 1.0001 + rng.uniform(0.0, 1e-3))
    assert len(comparison._least) <= 512
    assert comparison.estimate().rel_error == pytest.approx(1e-4, abs=1e-7)


def test_the_coverage_of_the_fit_is_what_it_says() -> None:
    held = 0
    for seed in range(200):
        estimate = compared(0.001, seconds=14.0, seed=seed)
        fit = estimate.parts[0]
        held += abs(estimate.rel_error - 0.001) <= 2.2 * fit.u
    assert 180 <= held <= 200
