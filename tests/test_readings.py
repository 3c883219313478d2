"""Levels of noisy samples against the textbook: means, straight lines, and the lowest level that noise does not make lower."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hand_evidence import near
from scipy import stats

from bench.readings import _sloped, end_reading, lowest_reading, mean_reading
from bench.samples import Array


def times(n: int) -> Array:
    return np.arange(n, dtype=np.float64) * 1e-3


def noise(n: int, sd: float = 0.01, seed: int = 0) -> Array:
    return np.random.default_rng(seed).normal(0.0, sd, n)


@pytest.mark.parametrize("n", [2, 3, 50])
def test_a_mean_has_the_standard_error_of_its_samples(n: int) -> None:
    v = 5.0 + noise(n)
    found = mean_reading(v)
    assert found is not None
    assert (found.value, found.u, found.n) == (near(v.mean()), near(stats.sem(v)), n)


def test_of_one_sample_no_scatter_is_known_and_of_none_nothing() -> None:
    one = mean_reading(np.array([3.0]))
    assert one is not None and (one.value, one.u, one.n) == (3.0, 0.0, 1)
    assert mean_reading(np.empty(0)) is None


@pytest.mark.parametrize("n", [8, 9, 200])
@pytest.mark.parametrize("at_s", [0.0, 0.3, -0.2])
def test_the_value_at_the_end_is_that_of_a_regression_line(n: int, at_s: float) -> None:
    """u of a line's value at x: s sqrt(1 / n + (x - mean)^2 / Sxx), s from n - 2 degrees of freedom."""
    t = times(n)
    v = 2.0 - 7.0 * t + noise(n)
    line = stats.linregress(t, v)
    residual = v - line.intercept - line.slope * t
    s = math.sqrt(float(residual @ residual) / (n - 2))
    sxx = float(((t - t.mean()) ** 2).sum())
    found = end_reading(t, v, at_s)
    assert found is not None
    assert (found.value, found.n) == (near(line.intercept + line.slope * at_s), n)
    assert found.u == near(s * math.sqrt(1.0 / n + (at_s - float(t.mean())) ** 2 / sxx))


def test_fewer_than_eight_samples_carry_no_line() -> None:
    t = times(7)
    found = end_reading(t, 2.0 - 7.0 * t, 0.1)
    assert found is not None and found.value == near(2.0 - 0.021)


# The lowest level. Blocks are a sixth of the samples, 8 to 40 long.


@pytest.mark.parametrize("n", [60, 240, 2000])
@pytest.mark.parametrize("sags_at", [0.2, 0.55, 0.97])
def test_the_lowest_level_is_found_where_it_is(n: int, sags_at: float) -> None:
    width = min(max(n // 6, 8), 40) // 2 * 2
    v = np.full(n, 0.5) + noise(n, 1e-4)
    # The whole block below which the level sags, counted from the end.
    number = int((1.0 - sags_at) * n / width)
    low = slice(n - (number + 1) * width, n - number * width)
    v[low] -= 0.1
    found = lowest_reading(times(n), v)
    assert found is not None
    reading, i, j = found
    assert (i, j) == (low.start, low.stop)
    assert reading.n == width
    assert reading.value == near(float(v[low].mean()), abs=3e-4)
    assert reading.u == near(1e-4 / math.sqrt(width), rel=0.6)


def test_a_value_is_that_of_the_samples_that_did_not_choose_it() -> None:
    """Even samples of one block sag and choose it: its odd ones stand for it. And the other way round."""
    v = np.full(48, 1.0)
    v[8:16:2] = 0.0
    found = lowest_reading(times(48), v)
    assert found is not None
    # By even samples block 1 is lowest, valued 1 by its odd ones; by odd samples all are alike, valued by the even ones of the first.
    assert (found[0].value, found[1:]) == (1.0, (8, 16))
    v[16] = v[18] = v[20] = v[22] = 0.5
    v[17] = v[19] = v[21] = v[23] = 0.2
    found = lowest_reading(times(48), v)
    assert found is not None and found[0].value == near((1.0 + 0.5) / 2.0)


def test_noise_does_not_make_it_lower() -> None:
    errors, stated = [], []
    for seed in range(400):
        found = lowest_reading(times(960), 0.36 + noise(960, 1e-3, seed))
        assert found is not None
        errors.append(found[0].value - 0.36)
        stated.append(found[0].u)
    # 24 blocks of 40: the lowest of their means would be 1.95 / sqrt(40) = 0.31 mV too low.
    assert abs(np.mean(errors)) < 4.0 * np.std(errors) / 20.0 < 5e-5
    # Each half of a block has 20 samples; both halves are averaged.
    assert np.mean(stated) == near(1e-3 / math.sqrt(40), rel=0.05)
    assert np.std(errors) == near(np.mean(stated), rel=0.15)


def test_the_samples_left_over_are_the_first() -> None:
    v = np.full(83, 0.5)
    v[:5] = 0.1  # a sixth of 83 is 13, even 12: six blocks, and 11 samples before them
    found = lowest_reading(times(83), v)
    assert found is not None and (found[0].value, found[2] - found[1]) == (0.5, 12)


def test_a_slope_in_the_lowest_block_ends_at_its_lower_end() -> None:
    """A drop that falls until the contact opens is lowest there, and not on the average of the last 5 ms."""
    t = times(240)
    for falls, end in ((True, slice(-40, None)), (False, slice(0, 40))):
        v = (1.0 - t if falls else 0.76 + t) + noise(240, 1e-6)
        found = lowest_reading(t, v)
        assert found is not None
        assert found[0].value == near(float(v.min()), abs=1.1e-3)
        assert (found[1], found[2]) == (end.start % 240 if falls else 0, 240 if falls else 40)


@pytest.mark.parametrize(("slopes", "sloped"), [(3.0, False), (5.0, True)])
def test_a_slope_counts_from_four_times_its_uncertainty(slopes: float, sloped: bool) -> None:
    """Eight samples of scatter +-1, none of it along their slope: s = sqrt(8 / 6), and of the slope s / sqrt(Sxx)."""
    t = np.arange(8.0)
    scatter = np.array([1.0, -1.0, -1.0, 1.0, 1.0, -1.0, -1.0, 1.0])
    x = t - 3.5
    sxx = float(x @ x)
    u_slope = math.sqrt(8.0 / 6.0 / sxx)
    reading = _sloped(t, 10.0 + slopes * u_slope * x + scatter)
    u_mean = math.sqrt(8.0 / 6.0 / 8.0)
    assert reading.n == 8
    assert reading.value == near(10.0 - (slopes * u_slope * 3.5 if sloped else 0.0))
    assert reading.u == near(math.hypot(u_mean, u_slope * 3.5) if sloped else u_mean)


@pytest.mark.parametrize("n", [0, 7])
def test_fewer_than_eight_samples_have_no_lowest_level(n: int) -> None:
    assert lowest_reading(times(n), np.full(n, 0.3)) is None


def test_eight_samples_are_enough() -> None:
    found = lowest_reading(times(8), np.full(8, 0.3))
    assert found is not None and (found[0].value, found[0].u, found[1:]) == (near(0.3), near(0.0, abs=1e-15), (0, 8))
