"""The current at the instant of a make: decays whose law is known, carried back over what was not sampled."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hand_evidence import near

from bench.inrush import _curvature, current_at_make
from bench.readings import Reading
from bench.samples import Array, Timing
from bench.transitions import Transition

MAKE_S, STEP, TAU = 0.5, 130e-6, 47e-6
FIT_S = 2.6e-3


def decay(t_s: Array, peak_a: float, slope: float, curvature: float | None = None, since_s: float = MAKE_S) -> Array:
    """i^-1.7 against the time closed: a parabola of `slope` over 2.6 ms, relative to its value at the make, and the curvature of lamps."""
    z = np.maximum(t_s - since_s, 0.0) / FIT_S
    known = _curvature(slope)[0] if curvature is None else curvature
    return np.asarray(peak_a * (1.0 + slope * (z + known * z * z)) ** (-1.0 / 1.7))


def samples(first_s: float = 0.05e-3, until_s: float = 6e-3) -> Array:
    return np.arange(MAKE_S - 1e-3 + first_s, MAKE_S + until_s, STEP)


def read(slope: float, peak_a: float = 36.0, u_s: float = 0.0, noise_a: float = 0.0, seed: int = 0, tau_s: float = 0.0) -> Reading:
    t = samples()
    i = decay(t, peak_a, slope, since_s=MAKE_S + tau_s) + np.random.default_rng(seed).normal(0.0, noise_a, len(t))
    found = current_at_make(t, i, Transition(MAKE_S, True, u_s), tau_s)
    assert found is not None
    return found


@pytest.mark.parametrize("peak_a", [2.0, 36.0, 70.0])
@pytest.mark.parametrize("slope", [0.0, 0.3, 1.0, 2.0, 4.0, 8.0])
def test_a_parabola_is_carried_back_to_its_begin(slope: float, peak_a: float) -> None:
    """Less the 0.2 % by which the parabola is high with cold lamps (see the module), in proportion to the slope up to 1."""
    assert read(slope, peak_a).value == near(peak_a * (1.0 - 0.002 * min(slope, 1.0)), rel=2e-4)


def test_a_current_that_rises_after_the_make_is_carried_back_too() -> None:
    """A load without filaments that takes more as it goes on: the instant counts as much as in a fall."""
    found = read(-0.3, u_s=2e-4)
    assert found.value == near(36.0 * (1.0 - 0.002 * 0.3), rel=2e-4)
    assert found.u == near(found.value * math.hypot(read(0.0).u / 36.0, 0.3 / FIT_S / 1.7 * 2e-4), rel=0.01)


def test_a_filter_delays_it() -> None:
    """What is read at t was there at t - tau; within six time constants of the make the filter still settles."""
    assert read(2.0, tau_s=TAU).value == near(36.0 * 0.998, rel=3e-4)
    t = samples()
    i = decay(t, 36.0, 2.0)
    spoilt = np.where((t > MAKE_S) & (t < MAKE_S + 5.9 * TAU), 1.0, i)
    make = Transition(MAKE_S, True, 0.0)
    found, whole = current_at_make(t, spoilt, make, TAU), current_at_make(t, i, make, TAU)
    assert found is not None and whole is not None and found.value == whole.value
    first = np.flatnonzero(t > MAKE_S + 6.0 * TAU)[0]
    assert t[first] < MAKE_S + 6.0 * TAU + STEP
    moved = current_at_make(t, np.where(np.arange(len(t)) == first, 1.05 * i, i), make, TAU)
    assert moved is not None and moved.value > 1.01 * whole.value, "the first one after that counts"


def test_what_lies_beyond_the_fit_is_not_looked_at() -> None:
    t = samples()
    i = decay(t, 36.0, 2.0)
    make = Transition(MAKE_S, True, 0.0)
    whole = current_at_make(t, i, make, 0.0)
    cut = current_at_make(t, np.where(t > MAKE_S + 2.61e-3, 1.0, i), make, 0.0)
    assert whole is not None and cut is not None
    assert (cut.value, cut.n) == (whole.value, 20)


def test_a_mean_over_the_sampling_time_may_still_hold_what_was_before() -> None:
    t = samples()
    i = np.where((t > MAKE_S) & (t < MAKE_S + 0.49e-3), 5.0, decay(t, 36.0, 2.0))
    found = current_at_make(t, i, Transition(MAKE_S, True, 0.0), 0.0, Timing(sampling_s=0.5e-3))
    assert found is not None and found.value == near(36.0 * 0.998, rel=1e-3)


def test_the_model_and_how_far_it_carries_back_are_in_the_uncertainty() -> None:
    """0.45 % of the model, and 2 in 1000 for each ms from the make to the first sample; a slope times what the instant is known to."""
    t = samples()
    first_s = float(t[t > MAKE_S][0]) - MAKE_S
    model = 0.0045 + 2.0 * (first_s - 1e-6)
    assert read(0.0).u == near(36.0 * model, rel=1e-6)
    for slope in (1.0, 2.0):
        falls_per_s = slope / FIT_S / 1.7
        assert read(slope, u_s=20e-6).u == near(read(slope).value * math.hypot(model, falls_per_s * 20e-6), rel=5e-3)
        make = Transition(MAKE_S, True, 12e-6, soft_s=16e-6)
        found = current_at_make(t, decay(t, 36.0, slope), make, 0.0)
        assert found is not None and found.u == near(read(slope, u_s=20e-6).u)
        skewed = current_at_make(t, decay(t, 36.0, slope), Transition(MAKE_S, True, 0.0), 0.0, Timing(skew_s=20e-6 * math.sqrt(3.0)))
        assert skewed is not None and skewed.u == near(read(slope, u_s=20e-6).u)


def test_noise_is_in_the_uncertainty_as_large_as_it_is() -> None:
    """Two hundred makes with noise of 0.5 A: what they scatter by is what each states, besides the model."""
    found = [read(2.0, noise_a=0.5, seed=seed) for seed in range(200)]
    quiet = read(2.0)
    stated = np.sqrt(np.mean([one.u**2 for one in found]) - quiet.u**2)
    assert np.std([one.value for one in found]) == near(float(stated), rel=0.15)
    assert abs(float(np.mean([one.value for one in found])) - quiet.value) < 0.15


def test_a_bouncing_contact_heats_nothing_while_it_is_open() -> None:
    """Closed at 0, open from 0.5 to 0.9 ms and from 1.1 to 1.3 ms: the decay stands still meanwhile."""
    again = tuple(MAKE_S + ms / 1000.0 for ms in (0.5, 0.9, 1.1, 1.3))
    t = samples(until_s=9e-3)
    heated = np.clip(t - MAKE_S - 0.6e-3, 0.0, None)
    after = decay(MAKE_S + heated, 36.0, 2.0)
    i = np.where(t > again[-1], after, 3.0)
    found = current_at_make(t, i, Transition(MAKE_S, True, 0.0, again), 0.0)
    assert found is not None and found.value == near(36.0 * 0.998, rel=4e-3)
    first_s = float(t[t > again[-1]][0]) - MAKE_S - 0.6e-3
    falls_per_s = 2.0 / FIT_S / 1.7
    # Each of the four crossings lies anywhere between two samples, less what a filter tells; one of 47 us tells nearly all.
    between_s = float(t[1] - t[0]) / math.sqrt(12.0)
    assert found.u / found.value == near(math.hypot(0.0045 + 2.0 * first_s, falls_per_s * between_s * 2.0), rel=0.03)
    shares = []
    for tau_s in (20e-6, TAU):
        filtered = current_at_make(t, i, Transition(MAKE_S, True, 0.0, again), tau_s)
        assert filtered is not None
        shares.append(filtered.u / filtered.value / (found.u / found.value))
    assert shares[1] < 0.7 < shares[0] < 0.85


def test_what_the_samples_do_not_carry_is_not_said() -> None:
    t = samples()
    make = Transition(MAKE_S, True, 0.0)
    i = decay(t, 36.0, 2.0)
    after = np.flatnonzero(t > MAKE_S)
    for count, enough in ((4, False), (5, True)):
        few = after[:count]
        assert (current_at_make(t[few], i[few], make, 0.0) is not None) is enough
    assert current_at_make(t, np.where(t > MAKE_S + 1e-3, 0.0, i), make, 0.0) is None, "no current"
    assert current_at_make(t, i - 40.0, make, 0.0) is None
    assert current_at_make(t, i, Transition(MAKE_S, True, 0.6e-3), 0.0) is None, "known to no quarter of it"
    assert current_at_make(t, i, Transition(MAKE_S, True, 0.4e-3), 0.0) is not None
    assert current_at_make(np.empty(0), np.empty(0), make, 0.0) is None


@pytest.mark.parametrize(
    ("steepness", "curvature", "u"),
    [(0.0, -0.03, 0.10), (0.7, -0.03, 0.10), (1.0, 0.05, 0.04), (3.0, -0.01, 0.04), (9.0, -0.12, 0.04)],
)
def test_what_is_known_of_the_curvature(steepness: float, curvature: float, u: float) -> None:
    """As integrated for lamps (see the module): 0.09 of small slopes, down to -0.25 of warm lamps; -0.12 of steep ones."""
    assert _curvature(steepness) == (near(curvature), u)


def test_a_curvature_that_lamps_do_not_have_shows_in_the_value_and_not_beyond_its_uncertainty() -> None:
    t = samples()
    for curvature in (-0.16, 0.06):
        i = decay(t, 36.0, 3.0, curvature) + np.random.default_rng(5).normal(0.0, 0.3, len(t))
        found = current_at_make(t, i, Transition(MAKE_S, True, 0.0), 0.0)
        assert found is not None and abs(found.value - 36.0 * 0.998) < 3.0 * found.u
