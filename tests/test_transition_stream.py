"""A stream that is cut anywhere, noise, and levels that change: the same makes and breaks."""

from __future__ import annotations

import math
from collections.abc import Mapping
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from hand_evidence import near
from square_waves import FLOOR_V, STEP, SUPPLY_V, Seen

from bench.samples import Array, Block, Trace
from bench.transitions import Change, Gap, Interruption, SupplyEdge, Transition, TransitionFinder


def drawn(rng: np.random.Generator, step_s: float, n: int) -> dict[str, tuple[Array, Array]]:
    """Times and values of each channel: states and bounces of all lengths, ramps, leaks, bad contacts, a supply that sags or goes."""
    t: Array = np.arange(n) * np.float64(step_s)
    low, high = rng.choice([0.0, 0.0, 0.1, 0.3, 0.6]), rng.choice([1.0, 1.0, 0.9, 0.7, 0.5])
    high = high if high > low + 0.2 else 1.0
    knots, levels, closed = [0.0], [low], False
    while knots[-1] < t[-1]:
        closed = not closed
        lasts_s = rng.choice([rng.uniform(0.05, 0.4), rng.uniform(0.0003, 0.004), rng.uniform(0.004, 0.02)], p=[0.6, 0.25, 0.15])
        begin = knots[-1] + lasts_s
        knots += [begin, begin + rng.choice([1e-9, 1e-3, 0.01, 0.05, 0.2], p=[0.7, 0.1, 0.1, 0.05, 0.05])]
        levels += [levels[-1], rng.uniform(0.0, 1.0) if rng.random() < 0.1 else high if closed else low]
    ratio = np.interp(t, knots, levels)
    begin, end = np.sort(rng.uniform(0.0, 2.0 * t[-1], 2))
    supply: Array = np.where((t > begin) & (t < end), rng.choice([0.0, 3.0, 3.6, 5.0]), SUPPLY_V)
    noise = rng.choice([0.0, 0.01, 0.1])
    return {
        "v_out": (t, ratio * supply + rng.normal(0.0, noise, n)),
        "v_in": (t - 2e-5, supply + rng.normal(0.0, noise, n)),
        "i_load": (t + 2e-5, np.where(ratio > high - 0.1, rng.choice([0.1, 3.5]), 0.0)),
    }


def found(channels: Mapping[str, tuple[Array, Array]], cut: int, **known: Any) -> list[Change]:
    finder = TransitionFinder(**({"supply_floor_v": FLOOR_V} | known))
    changes: list[Change] = []
    t = channels["v_out"][0]
    for k in range(0, len(t), cut):
        traces = {name: Trace(at[k : k + cut], v[k : k + cut]) for name, (at, v) in channels.items()}
        changes += finder.feed(Block(float(t[k]), float(t[k : k + cut][-1]), traces))
    return changes + finder.flush()


@pytest.mark.parametrize("step_s", [125e-6, 1e-3, 4e-3, 20e-3])
@pytest.mark.parametrize("seed", range(10))
def test_whatever_comes_is_the_same_however_it_is_cut(seed: int, step_s: float) -> None:
    rng = np.random.default_rng(seed)
    channels = drawn(rng, step_s, 4000 if step_s < 1e-3 else 1000)
    names = (["v_out"], ["v_out", "v_in"], ["v_out", "v_in", "i_load"])[seed % 3]
    known: dict[str, Any] = {"tau_s": 47e-6 * (seed % 2), "noise_v": 0.01} | ({} if "v_in" in names else {"v_in_v": SUPPLY_V})
    whole, cut = (found({name: channels[name] for name in names}, n, **known) for n in (100_000, 29))
    # Sums over the same samples may round differently with their place in memory.
    whole, cut = (sorted(changes, key=lambda c: (round(c.t_s, 9), type(c).__name__)) for changes in (whole, cut))
    assert [type(c) for c in whole] == [type(c) for c in cut]
    for one, other in zip(whole, cut, strict=True):
        for name in one.__slots__:
            assert getattr(one, name) == near(getattr(other, name), abs=1e-9), (one, other)
    for one in whole:
        assert not isinstance(one, Interruption) or one.lasted_s >= 0.0
        assert not isinstance(one, Transition) or list(one.again_s) == sorted(one.again_s)
    edges = [c.closed for c in whole if isinstance(c, Transition | Gap)]
    assert all(a is not b for a, b in pairwise(edges)), "makes and breaks in turn"


@pytest.mark.parametrize("later_s", [1.0, 1000.0])
def test_what_comes_later_is_the_same_later(later_s: float) -> None:
    channels = drawn(np.random.default_rng(4), STEP, 4000)
    now, then = found(channels, 29), found({name: (t + later_s, v) for name, (t, v) in channels.items()}, 29)
    assert [type(c) for c in now] == [type(c) for c in then] and len(now) > 3
    assert [c.t_s + later_s for c in now] == near([c.t_s for c in then], abs=1e-8)


# Noise.


@pytest.mark.parametrize("kind", [Transition, SupplyEdge])
@pytest.mark.parametrize("tau_s", [0.0, 50e-6])
def test_of_many_noisy_edges_two_of_three_lie_within_their_uncertainty(tau_s: float, kind: type[Any]) -> None:
    """400 makes and breaks, or a supply that comes and goes, at random instants, with noise of 50 mV of 10 V."""
    rng = np.random.default_rng(7)
    truth = np.cumsum(rng.uniform(0.02, 0.03, 400))
    t = np.arange(0.0, truth[-1] + 0.02, STEP)
    number = np.searchsorted(truth, t, side="right")
    since = t - np.append(0.0, truth)[number]
    rest = np.exp(-since / tau_s) if tau_s else np.zeros(len(t))
    v = np.where(number % 2, 1.0 - rest, np.where(number > 0, rest, 0.0)) * SUPPLY_V + rng.normal(0.0, 0.05, len(t))
    supply = {"v_out": (t, np.zeros(len(t))), "v_in": (t, v)}
    channels = {"v_out": (t, v), "v_in": (t, np.full(len(t), SUPPLY_V))} if kind is Transition else supply
    edges = [c for c in found(channels, 500, tau_s=tau_s, noise_v=0.05) if isinstance(c, kind)]
    assert [c.closed if kind is Transition else c.on for c in edges] == [True, False] * 200
    errors = np.array([c.t_s for c in edges]) - truth
    z = errors / [c.u_s for c in edges]
    # Here the filter's time constant is known better than to the 3 % that are in the uncertainty.
    assert (0.55 if tau_s else 0.85) < math.sqrt(float(np.mean(z**2))) < 1.15
    assert abs(float(np.mean(z[::2]))) < 0.2 and abs(float(np.mean(z[1::2]))) < 0.2


def test_noise_widens_an_instant_by_what_it_moves_the_crossing() -> None:
    """Noise of 1 V in a step of 10 V between two samples: a tenth of the interval."""
    wave = [(0.1, 0.0), (0.3, 1.0), (0.5, 0.0)]
    assert [c.u_s for c in Seen(wave, noise_v=1.0).of(Transition)] == near([math.hypot(STEP / math.sqrt(12.0), 0.1 * STEP)] * 2)
    t = np.arange(0.0, 0.5, STEP)
    seen = Seen([(0.5, 0.0)], supply_v=np.where(t < 0.1, 0.0, SUPPLY_V), noise_v=1.0)
    assert [c.u_s for c in seen.of(SupplyEdge)] == near([math.hypot(STEP / math.sqrt(12.0), 0.1 * STEP)])


# Levels.


@pytest.mark.parametrize(("first", "then"), [((0.6, 0.01), (0.5, 3.5)), ((0.7, 0.01), (0.8 - 1e-3, 3.5))])
def test_a_bad_contact_that_is_no_step_from_a_leak_takes_its_place(first: tuple[float, float], then: tuple[float, float]) -> None:
    """A leak goes, and a burnt contact comes on nearly its level, or even below it: 3.5 A say closed, 10 mA say open."""
    levels = [(0.1, first[0]), (0.3, 1.0), (0.5, 0.0), (0.7, then[0]), (0.9, 0.0)]
    assert Seen(levels, amps=[first[1], 3.5, 0.0, then[1], 0.0]).edges == [(True, 0.1), (False, 0.3), (True, 0.5), (False, 0.7)]


@pytest.mark.parametrize(("film", "leak"), [(0.5, 0.6), (0.5, 0.4), (0.6, 0.5)])
def test_a_leak_that_is_no_step_from_a_bad_contact_takes_its_place(film: float, leak: float) -> None:
    levels = [(0.1, 0.0), (0.3, film), (0.5, 0.0), (0.6, leak), (0.8, 1.0), (1.0, leak)]
    assert Seen(levels, amps=[0.0, 3.5, 0.0, 0.01, 3.5, 0.01]).edges == [(True, 0.1), (False, 0.3), (True, 0.6), (False, 0.8)]


@pytest.mark.parametrize("leak", [0.3, 0.5, 0.79])
@pytest.mark.parametrize("moves", [-0.04, 0.04])
def test_a_level_may_drift_by_a_twentieth_and_is_the_same(leak: float, moves: float) -> None:
    """Told at once: nothing waits until it is clear what it is."""
    levels = [(0.1, leak), (0.3, 1.0), (0.5, leak), (0.7, 1.0), (0.9, leak + moves), (1.2, leak), (1.4, 1.0)]
    seen = Seen(levels)
    assert seen.edges == [(True, 0.1), (False, 0.3), (True, 0.5), (False, 0.7), (True, 1.2)]
    assert all(at_s - c.t_s < 0.03 for c, at_s in list(zip(seen.changes, seen.at_s, strict=True))[1:-1])


def test_the_level_of_a_bad_contact_that_is_known_is_not_waited_for() -> None:
    """Told after two groups, a block and the 3 ms of a state, not after the 20 ms that a new level has to stand."""
    levels = [(0.1, 0.0), (0.3, 0.6), (0.5, 0.0), (0.7, 0.6), (0.9, 0.0), (1.1, 0.57), (1.3, 0.0), (1.4, 0.63)]
    begun_lit = [(0.3, 0.6), (0.5, 0.0), (0.7, 0.6), (0.9, 0.0), (1.1, 0.62)]
    for seen in (Seen(levels), Seen(levels, amps=[3.5 * r for _, r in levels]), Seen(begun_lit, v_in_v=SUPPLY_V)):
        late_s = [at_s - c.t_s for c, at_s in zip(seen.changes, seen.at_s, strict=True)]
        assert max(late_s[2:-1]) < 0.022 and len(late_s) > 3


@pytest.mark.parametrize(
    ("levels", "low", "high"),
    [
        ([(0.6, 0.01), (1.0, 3.5), (0.0, 0.0), (0.5, 3.5)], 0.0, 0.5),  # a leak, and a bad contact no step from it
        ([(0.3, 0.01), (1.0, 3.5), (0.0, 0.0), (0.7, 3.5)], 0.3, 0.7),  # apart from it: both are known
        ([(0.0, 0.0), (0.6, 3.5), (0.0, 0.0), (0.5, 0.01)], 0.5, 1.0),  # the other way round
        ([(0.0, 0.0), (0.7, 3.5), (0.0, 0.0), (0.3, 0.01)], 0.3, 0.7),
    ],
)
def test_a_slow_transition_has_its_middle_between_the_levels_that_are_known(
    levels: list[tuple[float, float]], low: float, high: float
) -> None:
    """Each stands for 0.1 s; then it goes from low to high in 24 samples, the fifth to the nineteenth within the part that counts."""
    n = np.arange(6400)
    which = np.minimum(n // 800, 3)
    ratio, amps = (np.array(one)[which] for one in zip(*levels, strict=True))
    ratio[3600:] = np.interp(n[3600:], [4800, 4824], [low, high])
    amps[3600:] = 3.5 * (n[3600:] > 4812)
    t: Array = n * np.float64(STEP)
    channels = {"v_out": (t, ratio * SUPPLY_V), "v_in": (t, np.full(6400, SUPPLY_V)), "i_load": (t, amps)}
    last = [c for c in found(channels, 64) if isinstance(c, Transition)][-1]
    assert (last.closed, last.t_s) == (True, near(4812 * STEP, abs=1e-6))
    assert last.soft_s == near(15 * STEP / (2.0 * math.sqrt(3.0)))


@pytest.mark.parametrize("leak", [0.4, 0.6])
def test_a_slow_transition_is_reckoned_from_its_own_levels(leak: float) -> None:
    """Up in 23 samples: the fifth to the eighteenth lie between a fifth and four fifths of the way."""
    n = np.arange(4000)
    way = np.interp(n, [800, 801, 1600, 1601, 2400, 2423, 3200, 3223], [0.0, 1.0, 1.0, 0.0, 0.0, 1.0, 1.0, 0.0])
    t: Array = n * np.float64(STEP)
    v, amps = (leak + (1.0 - leak) * way) * SUPPLY_V, 3.5 * (way > 0.5)
    channels = {"v_out": (t, v), "v_in": (t, np.full(4000, SUPPLY_V)), "i_load": (t, amps)}
    rise, fall = [c for c in found(channels, 64) if isinstance(c, Transition)][2:]
    assert (rise.t_s, fall.t_s) == (near(2411.5 * STEP, abs=1e-6), near(3211.5 * STEP, abs=1e-6))
    assert rise.soft_s == near(14 * STEP / (2.0 * math.sqrt(3.0)))
    assert fall.soft_s == near(14 * STEP / (2.0 * math.sqrt(3.0)), abs=2 * STEP / (2.0 * math.sqrt(3.0)))


def test_what_comes_from_beyond_its_levels_lasts_no_shorter_than_it_is_seen_to() -> None:
    """A leak of 0.6; then from 0 up to 0.9 by 0.15 a sample, and there it stays: two groups are looked at, less the first sample."""
    n = np.arange(4000)
    ratio = np.interp(n, [800, 801, 1600, 1601, 2000, 2001, 2400, 2406], [0.6, 1.0, 1.0, 0.6, 0.6, 0.0, 0.0, 0.9])
    t: Array = n * np.float64(STEP)
    amps = np.where(ratio > 0.7, 3.5, 0.0)
    channels = {"v_out": (t, ratio * SUPPLY_V), "v_in": (t, np.full(4000, SUPPLY_V)), "i_load": (t, amps)}
    rise = [c for c in found(channels, 64) if isinstance(c, Transition)][-1]
    assert rise.soft_s == near(63 * STEP / (2.0 * math.sqrt(3.0)))


@pytest.mark.parametrize("cut", [1, 5, 100_000])
def test_what_happens_to_the_supply_is_told_after_the_break_before_it(cut: int) -> None:
    t = np.arange(0.0, 0.3, STEP)
    seen = Seen([(0.1, 1.0), (0.3, 0.0)], supply_v=np.where(t < 0.1015, SUPPLY_V, 0.0), cut=cut)
    assert [type(c) for c in seen.changes] == [Gap, Transition, SupplyEdge]


@pytest.mark.parametrize(("levels", "edges"), [
    ([(0.1, 0.0), (0.3, 0.6), (0.5, 0.0), (0.7, 0.4), (0.9, 0.0)], [(True, 0.1), (False, 0.3), (True, 0.5), (False, 0.7)]),
    ([(0.1, 0.4), (0.3, 1.0), (0.5, 0.4), (0.7, 1.0), (0.9, 0.6), (1.1, 1.0)],
     [(True, 0.1), (False, 0.3), (True, 0.5), (False, 0.7), (True, 0.9)]),
])  # fmt: skip
def test_a_level_that_is_met_anew_is_learnt_anew(levels: list[tuple[float, float]], edges: list[tuple[bool, float]]) -> None:
    amps = [0.0 if r == 0.0 else 3.5 if levels[0][1] == 0.0 or r == 1.0 else 0.01 for _, r in levels]
    assert Seen(levels, amps=amps).edges == edges


def test_a_channel_of_current_without_a_sample_is_none() -> None:
    levels = [(0.1, 0.6), (0.3, 1.0), (0.5, 0.6), (0.7, 1.0)]
    t = np.arange(0.0, 0.7, STEP)
    ratio = np.where((t >= 0.1) & (t < 0.3) | (t >= 0.5), 1.0, 0.6)
    channels = {"v_out": (t, SUPPLY_V * ratio), "v_in": (t, np.full(len(t), SUPPLY_V)), "i_load": (np.empty(0), np.empty(0))}
    edges = [(c.closed, near(c.t_s, abs=STEP)) for c in found(channels, 64) if isinstance(c, Transition)]
    assert edges == Seen(levels).edges == [(True, 0.1), (False, 0.3), (True, 0.5)]


# What is before a gap.


@pytest.mark.parametrize(("made_s", "told"), [(0.0990, True), (0.0960, True)])
def test_what_was_under_way_before_a_gap_is_told_before_it(made_s: float, told: bool) -> None:
    """A make of 1 ms before samples are lost: what comes after them is another matter, with levels still known."""
    t = np.arange(0.0, 0.1, STEP)
    finder = TransitionFinder(supply_floor_v=FLOOR_V)

    def block(begin_s: float, v: Array, gap: bool) -> Block:
        return Block(begin_s, begin_s + 0.1, {"v_out": Trace(t + begin_s, v), "v_in": Trace(t + begin_s, np.full(len(t), SUPPLY_V))}, gap)

    first = finder.feed(block(0.0, np.where(t < made_s, 0.0, SUPPLY_V), False))
    assert first == []
    second = finder.feed(block(0.2, np.full(len(t), SUPPLY_V), True)) + finder.flush()
    assert [type(c) for c in second] == [Transition, Gap]
    assert second[0].t_s == near(made_s, abs=STEP)
    assert second[1] == Gap(float(t[-1]), 0.2, True) and finder.closed
