"""Instants of steps that are known, behind a filter and without one, and how well they are known."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hand_evidence import near
from scipy import signal

from bench.instants import TAU_U, filtered_step_instant, level_at
from bench.samples import Array

TAU, STEP = 50e-6, 130e-6


def times(n: int, interval_s: float = STEP) -> Array:
    return np.arange(n, dtype=np.float64) * interval_s


def sampled(
    step_s: float, before: float, after: float, tau_s: float = TAU, interval_s: float = STEP, n: int = 12
) -> tuple[Array, Array, int]:
    """Samples of a step behind a filter, and the first of them past the middle."""
    t = times(n, interval_s)
    since = np.maximum(t - step_s, 0.0)
    v = np.where(t <= step_s, before, after + (before - after) * np.exp(-since / tau_s)) if tau_s else np.where(t < step_s, before, after)
    x = (v - before) / (after - before)
    return t, v, int(np.flatnonzero(x > 0.5)[0])


def test_the_filter_of_these_tests_is_that_of_scipy() -> None:
    t, v, _ = sampled(0.0, 0.0, 12.0)
    assert v == near(12.0 * signal.step(([1.0], [TAU, 1.0]), T=t)[1], abs=1e-9)


@pytest.mark.parametrize(("before", "after"), [(0.0, 12.0), (12.4, 0.0), (0.2, 12.0), (-3.0, 1.0), (9.0, 12.0)])
@pytest.mark.parametrize("place", [0.1, 0.3, 0.5, 0.7, 0.9])
def test_the_sample_that_is_part_way_says_when(before: float, after: float, place: float) -> None:
    """v = after + (before - after) exp(-(t - t0) / tau), solved for t0; the time constant is known to 3 %."""
    step_s = (5.0 + place) * STEP
    t, v, k = sampled(step_s, before, after)
    noise = 0.02
    instant, u = filtered_step_instant(t, v, k, before, after, TAU, noise)
    assert instant == near(step_s, abs=1e-9)
    back = 6 * STEP - step_s
    rest = math.exp(-back / TAU)
    if rest > 0.05:
        assert u == near(math.hypot(TAU * noise / abs(after - before) / rest, TAU_U * back))
        assert filtered_step_instant(t, v, k, before, after, TAU)[1] == near(TAU_U * back)


def test_the_stated_uncertainty_is_what_noise_and_time_constant_do() -> None:
    """A thousand steps whose filter is off by 3 % and whose samples have noise of 0.1 V."""
    rng = np.random.default_rng(3)
    errors, stated = [], []
    for _ in range(1000):
        step_s = 5.5 * STEP
        t, v, k = sampled(step_s, 0.0, 12.0, TAU * (1.0 + 0.03 * rng.standard_normal()))
        instant, u = filtered_step_instant(t, v + 0.1 * rng.standard_normal(len(v)), k, 0.0, 12.0, TAU, 0.1)
        errors.append(instant - step_s)
        stated.append(u)
    assert abs(np.mean(errors)) < 0.2 * np.mean(stated)
    assert np.std(errors) == near(np.mean(stated), rel=0.1)


def test_a_step_that_may_have_been_smaller_has_arrived_sooner() -> None:
    """By up to a tenth: at 0.88 of the way the sample doesn't say when, at 0.8 it does, to what the tenth makes of it."""
    t, v, k = sampled(6 * STEP + TAU * math.log(0.12), 0.0, 12.0)
    assert filtered_step_instant(t, v, k, 0.0, 12.0, TAU)[0] == near(t[k] + TAU * math.log(0.12))
    reach = -TAU * math.log(math.exp(-3.0) + 0.1)
    half = 0.5 * (STEP - reach)
    assert half > 0.0
    assert filtered_step_instant(t, v, k, 0.0, 12.0, TAU, 0.0, 0.1) == (near(t[k] - reach - half), near(half / math.sqrt(3.0)))
    t, v, k = sampled(6 * STEP + TAU * math.log(0.2), 0.0, 12.0)
    instant, u = filtered_step_instant(t, v, k, 0.0, 12.0, TAU, 0.0, 0.1)
    back = -TAU * math.log(0.2)
    assert (instant, u) == (near(t[k] - back), near(math.hypot((-TAU * math.log(1.0 - 0.8 / 0.9) - back) / math.sqrt(3.0), TAU_U * back)))


def test_a_crossing_late_on_the_rise_finds_the_sample_before_it() -> None:
    """Two samples are part-way: the first past a twentieth is the one to go by, not the first past the middle."""
    for step_s in (5.2 * 20e-6, 5.8 * 20e-6):
        t, v, k = sampled(step_s, 0.0, 12.0, interval_s=20e-6, n=40)
        x = v / 12.0
        assert x[k - 1] > 0.05
        assert filtered_step_instant(t, v, k, 0.0, 12.0, TAU)[0] == near(t[k - 1] - min(-TAU * math.log(1.0 - x[k - 1]), 20e-6), abs=1e-9)


@pytest.mark.parametrize("x", [0.06, 0.09])
def test_a_fifteenth_of_the_rise_is_part_of_it(x: float) -> None:
    """A sample just after the step, and the next past the middle: the first says when."""
    tau_s = 20e-6
    t, v, k = sampled(5 * 20e-6 + tau_s * math.log(1.0 - x), 0.0, 12.0, tau_s, 20e-6)
    assert k == 6 and v[5] == near(12.0 * x)
    assert filtered_step_instant(t, v, k, 0.0, 12.0, tau_s)[0] == near(t[5] + tau_s * math.log(1.0 - x), abs=1e-9)


@pytest.mark.parametrize(("interval_s", "instant_s", "u_s"), [(100e-6, 0.5e-3, 10e-6), (400e-6, 2.4e-3 - 275e-6, 125e-6 / math.sqrt(3.0))])
def test_a_sample_that_has_arrived_leaves_the_interval_before_it(interval_s: float, instant_s: float, u_s: float) -> None:
    """After 3 tau = 150 us a step has all but arrived. In an interval of 100 us it must have come at its very begin; in one of 400 us it
    came anywhere in the first 250 us."""
    t = times(12, interval_s)
    v = np.where(t > 5.5 * interval_s, 12.0, 0.0)
    instant, u = filtered_step_instant(t, v, 6, 0.0, 12.0, TAU, 0.01)
    assert (instant, u) == (near(instant_s), near(u_s))


def test_without_a_filter_a_step_lies_anywhere_between_two_samples() -> None:
    """The 50 % instant by interpolation (IEEE Std 181), rectangular over the interval."""
    t, v, k = sampled(5.3 * STEP, 2.0, 12.0, tau_s=0.0)
    instant, u = filtered_step_instant(t, v, k, 2.0, 12.0, 0.0, 0.5)
    assert instant == near(5.5 * STEP)
    assert u == near(math.hypot(STEP / math.sqrt(12.0), 0.5 / 10.0 * STEP))
    down = filtered_step_instant(t, 14.0 - v, k, 12.0, 2.0, 0.0, 0.5)
    assert down == (near(instant), near(u))


@pytest.mark.parametrize("tau_s", [0.0, TAU])
@pytest.mark.parametrize("falls", [False, True])
def test_a_ramp_has_its_middle_less_the_filters_delay(tau_s: float, falls: bool) -> None:
    """10 V in 10 ms: behind a first-order filter a ramp is late by tau. Between two samples it rises by a seventy-seventh."""
    t = times(120)
    up = np.clip((t - 2e-3) / 10e-3, 0.0, 1.0)
    v = 10.0 * (1.0 - up if falls else up)
    k = int(np.flatnonzero(up > 0.5)[0])
    before, after = (10.0, 0.0) if falls else (0.0, 10.0)
    instant, u = filtered_step_instant(t, v, k, before, after, tau_s, 0.02)
    assert instant == near(7e-3 - tau_s, abs=1e-9)
    share = STEP / 10e-3
    assert u == near(math.hypot(share * STEP / math.sqrt(12.0), 0.002 * STEP / 0.05))


def test_a_step_that_goes_back_at_once_is_a_step_all_the_same() -> None:
    """The contact parts again before the filter has settled: of the rise the one sample part-way is left."""
    t, v, k = sampled(5.4 * STEP, 0.0, 12.0)
    instant = filtered_step_instant(t, np.where(np.arange(len(v)) > k, 0.3, v), k, 0.0, 12.0, TAU)[0]
    assert instant == near(5.4 * STEP, abs=1e-9)


def test_a_slow_rise_behind_a_filter_is_no_step() -> None:
    """The sample after the crossing has not arrived: half-way by interpolation then."""
    t = times(12)
    x = np.array([0, 0, 0, 0, 0, 0.02, 0.3, 0.52, 0.7, 0.9, 1.0, 1.0])
    instant, _ = filtered_step_instant(t, 12.0 * x, 7, 0.0, 12.0, TAU)
    assert instant == near(t[6] + 0.2 / 0.22 * STEP - TAU)
    late = np.array([0, 0, 0, 0, 0, 0, 0.6, 0.75, 1.0, 1.0, 1.0, 1.0])  # it arrives, but a sample late
    assert filtered_step_instant(t, 12.0 * late, 6, 0.0, 12.0, TAU)[0] == near(t[5] + 0.5 / 0.6 * STEP - TAU)
    last = np.array([0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0.7])  # nothing says that it will
    assert filtered_step_instant(t, 12.0 * last, 11, 0.0, 12.0, TAU)[0] == near(t[10] + 0.5 / 0.7 * STEP - TAU)
    near_by = np.array([0, 0, 0, 0, 0, 0, 0.55, 0.85, 1.0, 1.0, 1.0, 1.0])  # within 0.12 of where the filter would be: a step
    assert filtered_step_instant(t, 12.0 * near_by, 6, 0.0, 12.0, TAU)[0] == near(t[6] + TAU * math.log(0.45))
    x[4] = x[5] = 0.15  # it moved before: no step either
    x[6], x[7:] = 0.3, 1.0
    instant, _ = filtered_step_instant(t, 12.0 * x, 7, 0.0, 12.0, TAU)
    assert instant == near(t[6] + 0.2 / 0.7 * STEP - TAU)


def test_an_instant_never_lies_before_the_sample_that_saw_nothing() -> None:
    """Half-way at one sample after nothing at the one before, in a filter ten times slower than the samples: it came just after that."""
    t = times(12, 5e-6)
    v = np.where(t > 27e-6, 12.0, 0.0)
    v[6] = 6.0
    assert filtered_step_instant(t, v, 6, 0.0, 12.0, TAU)[0] == near(t[5])


def test_levels_that_are_equal_and_the_first_sample_have_no_instant_but_the_samples() -> None:
    t = times(5)
    flat = np.full(5, 3.0)
    assert filtered_step_instant(t, flat, 2, 3.0, 3.0, TAU) == (near(2 * STEP), near(STEP))
    assert filtered_step_instant(t, flat, 0, 3.0, 3.0, TAU) == (0.0, 0.0)
    assert filtered_step_instant(t, flat, 0, 0.0, 4.0, 0.0) == (0.0, 0.0)
    assert filtered_step_instant(t, flat, 2, 0.0, 4.0, 0.0) == (near(2 * STEP), 0.0)


def test_a_record_that_begins_in_the_rise_is_read_back_past_its_begin() -> None:
    t = times(5)
    v = 12.0 * (1.0 - np.exp(-(t + 30e-6) / TAU))
    instant, u = filtered_step_instant(t, v, 1, 0.0, 12.0, TAU)
    assert (instant, u) == (near(-30e-6), near(TAU_U * 30e-6))


def test_the_level_after_a_make_is_carried_back_along_the_decay() -> None:
    """The first sample may still be rising and is left out; the others lie on 11 - 400 t."""
    t = np.array([1.0, 2.0, 3.0, 4.0, 5.0]) * 1e-3
    v = 11.0 - 400.0 * t
    v[0] = 3.0
    assert level_at(0.5e-3, t, v) == near(11.0 - 0.2)
    assert level_at(4e-3, t, v + 1.0) == near(12.0 - 1.6)
