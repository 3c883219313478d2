"""Instants, bounces and slow transitions of signals that are written down sample by sample."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import pytest
from hand_evidence import near
from scipy.signal import lfilter
from square_waves import FLOOR_V, STEP, SUPPLY_V

from bench.samples import Array, Block, Trace
from bench.transitions import Change, Gap, Interruption, SupplyEdge, Transition, TransitionFinder

WITHIN = STEP / math.sqrt(12.0)  # what is known of an instant between two samples


def found(ratio: Array, *, step_s: float = STEP, cut: int = 100_000, supply_v: Array | None = None, **known: float) -> list[Change]:
    """What a finder makes of these samples."""
    t: Array = np.arange(len(ratio)) * np.float64(step_s)
    v_in = np.full(len(ratio), SUPPLY_V) if supply_v is None else supply_v
    finder = TransitionFinder(**({"supply_floor_v": FLOOR_V} | known))
    changes = []
    for k in range(0, len(t), cut):
        part = slice(k, k + cut)
        traces = {"v_out": Trace(t[part], ratio[part] * v_in[part]), "v_in": Trace(t[part], v_in[part])}
        changes += finder.feed(Block(float(t[part][0]), float(t[part][-1]) + step_s, traces))
    return changes + finder.flush()


def runs(*parts: tuple[int, float]) -> Array:
    """So many samples at each ratio."""
    return np.repeat([ratio for _, ratio in parts], [n for n, _ in parts]).astype(np.float64)


def through_filter(changes: Sequence[tuple[float, float]], n: int, tau_s: float) -> Array:
    """A level that changes at these instants, [(instant, level), ...], first at 0, behind a first-order filter."""
    t = np.arange(n) * STEP
    v = np.full(n, changes[0][1])
    for at_s, level in changes[1:]:
        until = v.copy()
        begin = np.flatnonzero(t >= at_s)
        held = level_then(changes, at_s, tau_s)
        until[begin] = level + (held - level) * np.exp(-(t[begin] - at_s) / tau_s)
        v = until
    return v


def level_then(changes: Sequence[tuple[float, float]], at_s: float, tau_s: float) -> float:
    """The filter's output at this instant, by what came before it."""
    level, since, value = changes[0][1], changes[0][0], changes[0][1]
    for next_s, following in changes[1:]:
        if next_s >= at_s:
            break
        value = level + (value - level) * math.exp(-(next_s - since) / tau_s)
        level, since = following, next_s
    return level + (value - level) * math.exp(-(at_s - since) / tau_s)


def makes_and_breaks(changes: list[Change]) -> list[Transition]:
    return [c for c in changes if isinstance(c, Transition)]


# Steps.


@pytest.mark.parametrize("begins", [0.0, 1.0])
@pytest.mark.parametrize("first", [1, 2, 3, 4, 7, 8, 12, 13, 40])
def test_a_step_lies_half_way_between_two_samples_from_the_second_on(first: int, begins: float) -> None:
    ends = 1.0 - begins
    changes = found(runs((first, begins), (100, ends), (100, begins), (30, ends), (4, begins)))
    edges = makes_and_breaks(changes)
    assert [c.closed for c in edges[:3]] == [ends > 0.0, begins > 0.0, ends > 0.0]
    assert [c.t_s for c in edges[:3]] == near([(n - 0.5) * STEP for n in (first, first + 100, first + 200)], abs=1e-12)
    assert [c.u_s for c in edges[:3]] == near([WITHIN] * 3)
    assert [c.soft_s for c in edges] == [0.0] * len(edges)


@pytest.mark.parametrize("begins", [0.0, 1.0])
@pytest.mark.parametrize("last", [1, 2, 3, 4, 5, 8])
def test_a_step_just_before_the_end_is_told(last: int, begins: float) -> None:
    """To 2 % of the level, of which fewer than six samples are there."""
    (edge,) = makes_and_breaks(found(runs((100, begins), (last, 1.0 - begins))))
    assert (edge.closed, edge.t_s) == (begins == 0.0, near(99.5 * STEP, abs=1e-12))
    assert edge.u_s == near(math.hypot(WITHIN, 0.02 * STEP * (1.0 - begins)) if last < 6 else WITHIN)


@pytest.mark.parametrize("n", range(1, 10))
@pytest.mark.parametrize("begins", [0.0, 1.0])
def test_each_crossing_of_a_bounce_lies_between_its_two_samples(n: int, begins: float) -> None:
    """Of a state of fewer than six samples the level is known to 2 % only."""
    ends = 1.0 - begins
    changes = found(runs((50, begins), (n, ends), (9, begins), (n, ends), (12, begins), (200, ends), (50, begins)))
    first, second = makes_and_breaks(changes)
    assert first.t_s == near(49.5 * STEP, abs=1e-12)
    sums = np.cumsum([n, 9, n, 12])
    assert first.again_s == near(tuple((49.5 + int(k)) * STEP for k in sums), abs=1e-12)
    assert first.bounce_s == near((2 * n + 21) * STEP, abs=1e-12)
    share = 0.02 if ends else 0.0  # of a level of 0 it is nothing
    assert first.u_s == near(math.hypot(WITHIN, share * STEP) if n < 6 else WITHIN)
    assert second.u_s == near(WITHIN)


@pytest.mark.parametrize(("before", "per_sample", "steady"), [(0.0, 0.028, True), (0.0, 0.034, False), (0.24, 0.0245, False)])
def test_the_level_after_a_make_is_carried_back_along_a_decay_that_is_not_too_steep(before: float, per_sample: float, steady: bool) -> None:
    """Within four samples the level may move by 15 % of the step. Otherwise it is that of the sample nearest to it, to 2 %."""
    falls = 1.0 - per_sample * np.arange(8)
    wave = np.concatenate((np.full(50, before), falls, np.full(200, falls[-1]), np.full(50, before)))
    edge = makes_and_breaks(found(wave))[0]
    if steady:
        assert (edge.t_s, edge.u_s) == (near(49.5 * STEP, abs=1e-12), near(WITHIN))
    else:
        level = 1.0 - per_sample
        assert edge.t_s == near((49.0 + 0.5 * (level - before) / (1.0 - before)) * STEP, abs=1e-9)
        assert edge.u_s == near(math.hypot(WITHIN, 0.02 * level / (level - before) * STEP))


@pytest.mark.parametrize("bounces", [(), (0.3e-3, 0.9e-3), (0.45e-3, 0.8e-3, 1.3e-3, 1.9e-3)])
@pytest.mark.parametrize("made_s", [0.0103, 0.01033, 0.01036, 0.01039])
def test_behind_a_filter_the_first_crossing_is_found_to_some_microseconds(made_s: float, bounces: tuple[float, ...]) -> None:
    tau_s = 50e-6
    crossings = [made_s, *(made_s + b for b in bounces), made_s + 0.1, *(made_s + 0.1 + b for b in bounces)]
    levels = [float(k % 2 == 0) for k in range(len(bounces) + 1)]
    wave = through_filter([(0.0, 0.0), *zip(crossings, levels + [1.0 - one for one in levels], strict=True)], 2000, tau_s)
    changes = makes_and_breaks(found(wave, tau_s=tau_s))
    assert [c.closed for c in changes] == [True, False]
    assert [c.t_s for c in changes] == near([made_s, made_s + 0.1], abs=6e-6)
    assert [t for c in changes for t in (c.t_s, *c.again_s)] == near(crossings, abs=20e-6), "a sixth of an interval"


def cold_make(edges_s: Sequence[float], scan_s: float, tau_s: float) -> Transition:
    """What is found of a make at `edges_s` on cold lamps that take 22 A of 26 V at once and half of it after 1.6 ms, and as much less of
    their heat as the contact is open in its bounce. 3.4 V of it are lost before the unit's input, 1.8 V in the unit: the highest level is
    reached long after the first sample. Input and output are sampled 40 us apart."""
    grid_s = 1e-6
    t: Array = np.arange(30_000) * np.float64(grid_s)
    closed = np.searchsorted(np.asarray(edges_s), t, side="right") % 2 == 1
    amps = np.where(closed, 22.0 * (1.0 + np.cumsum(closed) * grid_s / 0.7e-3) ** (-1.0 / 1.7), 0.0)
    v_in = 26.0 - 0.154 * amps
    v_out = np.where(closed, v_in - 0.08 * amps, 0.0)
    kept = math.exp(-grid_s / tau_s)
    traces = {}
    for name, volts, first in (("v_out", v_out, 0), ("v_in", v_in, 40)):
        places = np.arange(first, len(t), round(scan_s / grid_s))
        behind = lfilter([1.0 - kept], [1.0, -kept], volts, zi=[kept * volts[0]])[0]
        traces[name] = Trace(t[places], behind[places])
    finder = TransitionFinder(supply_floor_v=6.0, tau_s=tau_s, noise_v=0.008)
    (make,) = makes_and_breaks([*finder.feed(Block(0.0, float(t[-1]), traces)), *finder.flush()])
    return make


@pytest.mark.parametrize("bounce_s", [(), (0.4e-3, 0.7e-3), (0.25e-3, 0.85e-3), (0.6e-3, 1.0e-3, 1.3e-3, 1.5e-3)])
@pytest.mark.parametrize(("scan_s", "tau_s"), [(200e-6, 30e-6), (130e-6, 47e-6), (122e-6, 10e-6)])
def test_a_make_on_cold_lamps_lies_where_it_is_said_to(scan_s: float, tau_s: float, bounce_s: tuple[float, ...]) -> None:
    """At every place between two samples: a sample on the level that the inrush has pulled down is not taken for one on its way up."""
    for place in np.arange(0.025, 1.0, 0.05):
        made_s = 10e-3 + place * scan_s
        make = cold_make([made_s, *(made_s + b for b in bounce_s)], scan_s, tau_s)
        assert abs(make.t_s - made_s) < 2.0 * make.u_s + 2e-6, f"{place}: {make}"


def test_a_fall_is_past_its_middle_although_the_comparator_waits() -> None:
    """By the straight line between its samples, 1 and 0.45 of the way."""
    edge = makes_and_breaks(found(runs((100, 0.0), (100, 1.0), (1, 0.45), (100, 0.0))))[1]
    assert edge.t_s == near((199.0 + 0.5 / 0.55) * STEP, abs=1e-9)


# Gaps within a bounce.


@pytest.mark.parametrize(("dips_to", "seen"), [(0.40, True), (0.46, False)])
def test_what_falls_to_less_than_half_of_what_it_just_was_is_open(dips_to: float, seen: bool) -> None:
    """Less 0.07 of hysteresis: the filter hides no short gap."""
    changes = found(runs((50, 0.0), (200, 1.0), (2, dips_to), (200, 1.0), (50, 0.0)))
    gaps = [c for c in changes if isinstance(c, Interruption)]
    assert [(c.closed, c.lasted_s) for c in gaps] == ([(True, near(2 * STEP, abs=STEP))] if seen else [])
    assert len(makes_and_breaks(changes)) == 2


@pytest.mark.parametrize(("stands", "seen"), [(6, True), (7, False)])
def test_what_it_just_was_is_the_most_of_the_seven_samples_before(stands: int, seen: bool) -> None:
    changes = found(runs((50, 0.0), (200, 1.0), (stands, 0.6), (40, 0.28), (200, 1.0), (50, 0.0)))
    assert len(makes_and_breaks(changes)) == (4 if seen else 2)


# Slow transitions.


@pytest.mark.parametrize("samples", [2, 3, 4])
def test_what_takes_up_to_four_samples_is_a_step(samples: int) -> None:
    wave = np.interp(np.arange(600), [100, 100 + samples, 400, 400 + samples], [0.0, 1.0, 1.0, 0.0])
    edges = makes_and_breaks(found(wave))
    assert [c.soft_s for c in edges] == [0.0, 0.0]
    assert [c.t_s for c in edges] == near([(k + samples / 2) * STEP for k in (100, 400)], abs=1.5 * STEP)


@pytest.mark.parametrize(("samples", "rise", "fall"), [(12, 7, 7), (23, 14, 15), (64, 39, 43)])
@pytest.mark.parametrize("begin", [3, 100])
def test_what_takes_longer_is_slow(samples: int, rise: int, fall: int, begin: int) -> None:
    """From the first sample past a fifth to the first past four fifths; a fall of 23 or 64 is seen 1 or 4 samples after its last fifth."""
    wave = np.interp(np.arange(900), [begin, begin + samples, 600, 600 + samples], [0.0, 1.0, 1.0, 0.0])
    edges = makes_and_breaks(found(wave))
    assert [c.t_s for c in edges] == near([(k + samples / 2) * STEP for k in (begin, 600)], abs=1e-9)
    assert [c.u_s for c in edges] == near([WITHIN / samples + 0.02 * STEP] * 2)
    assert [c.soft_s for c in edges] == near([n * STEP / (2.0 * math.sqrt(3.0)) for n in (rise, fall)])


def test_a_filter_delays_a_slow_transition_by_its_time_constant() -> None:
    t = np.arange(0.0, 0.4, STEP)
    tau_s = 200e-6
    wave = np.interp(t - tau_s, [0.1, 0.12, 0.3, 0.31], [0.0, 1.0, 1.0, 0.0])
    assert [c.t_s for c in makes_and_breaks(found(wave, tau_s=tau_s))] == near([0.11, 0.305], abs=1e-9)


@pytest.mark.parametrize("ramp_s", [0.1, 0.2, 0.35])
@pytest.mark.parametrize("falls", [False, True])
def test_a_ramp_that_is_seen_in_part_goes_on_as_it_went(ramp_s: float, falls: bool) -> None:
    t = np.arange(0.0, 1.0, STEP)
    wave = np.interp(t, [0.2, 0.2 + ramp_s], [1.0, 0.0] if falls else [0.0, 1.0])
    (edge,) = makes_and_breaks(found(wave))
    assert edge.soft_s == near(0.6 * ramp_s / (2.0 * math.sqrt(3.0)), rel=0.03)
    assert edge.reach_s == near(1.1 * ramp_s / 2.0, rel=0.03)
    assert abs(edge.t_s - (0.2 + ramp_s / 2.0)) < 2.0 * edge.soft_s


@pytest.mark.parametrize("ratio", [0.3, 0.4, 0.48])
def test_a_slow_make_that_does_not_reach_half_is_over_no_sooner_than_it_began(ratio: float) -> None:
    """It lies within what is looked at: two groups of 4 ms."""
    t = np.arange(0.0, 0.6, STEP)
    wave = np.interp(t, [0.1, 0.12, 0.125, 0.145, 0.4], [0.0, ratio, ratio, 0.0, 0.0]) + (t >= 0.4)
    changes = found(wave)
    edges = makes_and_breaks(changes)
    assert edges[-1].t_s == near(0.4, abs=STEP)
    assert all(0.1 < c.t_s < 0.16 for c in changes[:-1]) and len(changes) > 1
    assert all(c.lasted_s >= 0.0 for c in changes if isinstance(c, Interruption))
    assert all(c.bounce_s >= 0.0 for c in edges)


@pytest.mark.parametrize("noise", [2e-3, 8e-3])
@pytest.mark.parametrize("seed", range(3))
def test_noise_makes_no_step_of_a_slow_transition(noise: float, seed: int) -> None:
    """Where next to nothing changes within some samples, noise of 20 mV or 80 mV is more than that."""
    wave = np.interp(np.arange(8000), [400, 3600, 4400, 7600], [0.0, 1.0, 1.0, 0.0])
    changes = found(wave + np.random.default_rng(seed).normal(0.0, noise, 8000), noise_v=10.0 * noise)
    assert [c.closed for c in makes_and_breaks(changes)] == [True, False]
    assert all(c.soft_s > 100 * STEP for c in makes_and_breaks(changes))


# The begin.


@pytest.mark.parametrize(("ratio", "samples"), [(0.26, 5), (0.26, 100)])
def test_what_is_neither_open_nor_closed_at_first_is_found_when_it_is(ratio: float, samples: int) -> None:
    for cut in (7, 100_000):
        changes = found(runs((samples, ratio), (400, 1.0), (50, 0.0)), cut=cut)
        assert changes[0] == Gap(samples * STEP, samples * STEP, True)
        assert [(c.closed, c.t_s) for c in makes_and_breaks(changes)] == [(False, near((samples + 399.5) * STEP))]


def test_what_is_plainly_low_at_first_is_open_until_it_is_closed() -> None:
    changes = found(runs((240, 0.22), (400, 1.0), (50, 0.22), (400, 1.0)))
    first, *_ = makes_and_breaks(changes)
    assert (first.closed, first.t_s) == (True, near(239.5 * STEP))


def test_a_first_block_may_follow_on_a_gap() -> None:
    finder = TransitionFinder(supply_floor_v=FLOOR_V)
    assert finder.closed is None and finder.supplied is False
    t: Array = np.arange(800) * np.float64(STEP)
    traces = {"v_out": Trace(t, runs((400, 0.0), (400, SUPPLY_V))), "v_in": Trace(t, np.full(800, SUPPLY_V))}
    changes = finder.feed(Block(0.0, 0.1, traces, True)) + finder.flush()
    assert [(c.closed, c.t_s) for c in makes_and_breaks(changes)] == [(True, near(399.5 * STEP))]
    assert len(changes) == 1 and finder.closed and finder.supplied


def test_without_any_input_no_contact_is_closed() -> None:
    t: Array = np.arange(800) * np.float64(STEP)
    finder = TransitionFinder(supply_floor_v=0.5)
    assert finder.feed(Block(0.0, 0.1, {"v_out": Trace(t, runs((400, 0.0), (400, 1.0)))})) + finder.flush() == []
    assert finder.closed is False


# Supply.


@pytest.mark.parametrize("first", [1, 2, 3, 8, 40])
@pytest.mark.parametrize("level_v", [5.0, 12.0])
def test_a_supply_steps_half_way_between_two_samples(first: int, level_v: float) -> None:
    for samples in (300, 20):
        supply = runs((first, 0.0), (samples, level_v), (300, 0.0), (20, level_v), (1, 0.0))
        changes = [c for c in found(np.zeros(len(supply)), supply_v=supply) if isinstance(c, SupplyEdge)]
        assert [c.on for c in changes] == [True, False, True, False]
        ends = np.cumsum([first, samples, 300, 20])
        assert [c.t_s for c in changes] == near([(int(n) - 0.5) * STEP for n in ends], abs=1e-12)
        assert [c.u_s for c in changes] == near([WITHIN] * 4)


@pytest.mark.parametrize("sinks", [0.0, 0.14, 0.25])
@pytest.mark.parametrize(("scan_s", "tau_s"), [(130e-6, 47e-6), (640e-6, 50e-6)])
def test_a_supply_that_cold_lamps_pull_down_came_when_it_is_said_to(scan_s: float, tau_s: float, sinks: float) -> None:
    """By so much of it at once, with a contact that is closed at rest; it recovers within some milliseconds."""
    for place in np.arange(0.025, 1.0, 0.05):
        t: Array = np.arange(60) * np.float64(scan_s)
        came_s = (20.0 + place) * scan_s
        since = np.maximum(t - came_s, 0.0)
        v_in = 12.8 * (1.0 - sinks * np.exp(-since / 4e-3)) * (1.0 - np.exp(-since / tau_s))
        finder = TransitionFinder(supply_floor_v=FLOOR_V, tau_s=tau_s, noise_v=0.008)
        traces = {"v_out": Trace(t, 0.97 * v_in), "v_in": Trace(t, v_in)}
        changes = [*finder.feed(Block(0.0, float(t[-1]), traces)), *finder.flush()]
        (came,) = (c for c in changes if isinstance(c, SupplyEdge))
        assert abs(came.t_s - came_s) < 2.0 * came.u_s + 3e-6, f"{place}: {came}"


def test_a_supply_that_creeps_through_its_band_turns_once() -> None:
    """From a fifth below the floor to a fifth above nothing is told; the first that passes it is."""
    supply = runs((100, 10.0), (100, 3.0), (100, 2.5), (100, 3.5), (100, 10.0), (50, 2.0), (50, 3.5), (50, 4.0))
    changes = [c for c in found(np.zeros(len(supply)), supply_v=supply) if isinstance(c, SupplyEdge)]
    assert [(c.on, c.t_s) for c in changes] == [(False, near(499.5 * STEP, abs=STEP)), (True, near(599.5 * STEP, abs=STEP))]
