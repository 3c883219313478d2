"""Makes and breaks of square waves whose levels, gaps and edges stand on both sides of what the finder takes them for."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from hand_evidence import near
from square_waves import EDGES, FLASH, FLOOR_V, STEP, SUPPLY_V, Seen

from bench.samples import Block, Trace
from bench.transitions import Gap, Interruption, SupplyEdge, Transition, TransitionFinder

# Levels.


@pytest.mark.parametrize("high", [0.82, 0.95, 1.0])
@pytest.mark.parametrize("low", [0.0, 0.1, 0.12, 0.24])
def test_levels_that_are_what_they_seem(low: float, high: float) -> None:
    assert Seen([(t, high if r else low) for t, r in FLASH]).edges == EDGES


@pytest.mark.parametrize("level", [0.30, 0.45, 0.60, 0.75])
@pytest.mark.parametrize(("ohm", "closed"), [(9.0, True), (11.0, False)])
def test_what_lies_between_is_closed_if_it_has_less_than_ten_ohm(level: float, ohm: float, closed: bool) -> None:
    """Volts between input and output over the amperes that flow."""
    amps = (1.0 - level) * SUPPLY_V / ohm
    if closed:  # a burnt contact: dark at 0
        assert Seen([(t, level if r else 0.0) for t, r in FLASH], amps=[amps if r else 0.0 for _, r in FLASH]).edges == EDGES
    else:  # a leak, or the ballast of a hot wire: lit at 1
        assert Seen([(t, 1.0 if r else level) for t, r in FLASH], amps=[3.5 if r else amps for _, r in FLASH]).edges == EDGES


def test_without_a_current_the_other_level_tells() -> None:
    """Decisions wait until it is met: a unit that leaks to 0.6 and lights at 1, one that lights at 0.6 and goes dark at 0."""
    assert Seen([(t, 1.0 if r else 0.6) for t, r in FLASH]).edges == EDGES
    assert Seen([(t, 0.6 if r else 0.0) for t, r in FLASH]).edges == EDGES


@pytest.mark.parametrize(
    ("levels", "edges"),
    [
        ([(0.2, 1.0), (0.4, 0.6), (0.6, 1.0), (0.8, 0.6)], [(False, 0.2), (True, 0.4), (False, 0.6)]),  # lit before: the other is a leak
        ([(0.2, 0.0), (0.4, 1.0), (0.6, 0.6), (0.8, 0.0)], [(True, 0.2), (False, 0.6)]),  # both are known: it sags
        ([(0.03, 0.5), (0.3, 0.7), (0.5, 0.0), (0.7, 0.7)], [(False, 0.3), (True, 0.5)]),  # the one that stood counts, not what came before
        ([(0.3, 0.7), (0.6, 0.84), (0.8, 0.0)], [(False, 0.6)]),  # no step between them: one state
        ([(0.3, 0.7), (0.6, 0.86), (0.8, 0.7)], [(True, 0.3), (False, 0.6)]),
        ([(0.01, 0.7), (0.3, 1.0), (0.5, 0.0)], [(False, 0.3)]),  # it stood for 10 ms: part of what came after
        ([(0.2, 0.0), (0.4, 0.77), (0.6, 0.0), (0.8, 0.5), (0.9, 0.0)], [(True, 0.2), (False, 0.4), (True, 0.6), (False, 0.8)]),
    ],
)
def test_which_of_two_levels_is_which(levels: list[tuple[float, float]], edges: list[tuple[bool, float]]) -> None:
    seen = Seen(levels)
    assert seen.edges == edges
    told = [at_s - c.t_s for c, at_s in zip(seen.changes, seen.at_s, strict=True) if isinstance(c, Transition)]
    assert all(late_s < 0.1 for late_s in told[:-1]), "as soon as the other level stands"


def test_without_the_input_a_level_that_falls_to_nothing_was_lit() -> None:
    assert Seen([(0.3, 0.6), (0.5, 0.0), (0.7, 0.6), (0.9, 0.0)], v_in_v=SUPPLY_V).edges == [(False, 0.3), (True, 0.5), (False, 0.7)]


def test_what_was_unclear_at_the_begin_holds_nothing_back_for_good() -> None:
    seen = Seen([(0.01, 0.7), (0.3, 1.0), (0.5, 0.0), (0.9, 1.0)])
    assert all(at_s - c.t_s < 0.1 for c, at_s in zip(seen.changes[1:], seen.at_s[1:], strict=True))
    assert seen.edges == [(False, 0.3), (True, 0.5)]


def test_an_unclear_level_holds_decisions_back_for_six_seconds() -> None:
    """A ratio of 0.6 from the begin, and nothing else: is it open or closed? After 6 s it counts by the plain threshold."""
    for until_s, known in ((5.8, False), (6.3, True)):
        seen = Seen([(until_s, 0.6)], cut=512)
        assert (seen.at_s[0] < math.inf) is known, until_s
        assert seen.changes == [Gap(0.0, 0.0, True)]


@pytest.mark.parametrize(("stood_s", "made_s"), [(0.015, 0.1), (0.030, 0.13)])
def test_a_level_counts_once_it_has_stood_for_twenty_milliseconds(stood_s: float, made_s: float) -> None:
    """With next to no current half the supply is a leak; but what passes in 15 ms is part of a make."""
    levels = [(0.1, 0.0), (0.1 + stood_s, 0.5), (0.3, 1.0), (0.5, 0.0), (0.6, 1.0)]
    assert Seen(levels, amps=[0.0, 0.01, 3.5, 0.0, 3.5]).edges == [(True, made_s), (False, 0.3), (True, 0.5)]


def test_levels_are_forgotten_with_the_supply() -> None:
    """A leak of 0.6 before the supply went says nothing of what hangs there when it comes again."""
    levels = [(0.1, 0.6), (0.3, 1.0), (0.5, 0.6), (0.7, 0.0), (0.9, 0.6), (1.1, 0.0)]
    t = np.arange(0.0, 1.1, STEP)
    supply = np.where((t >= 0.5) & (t < 0.7), 0.0, SUPPLY_V)
    amps = [0.01, 3.5, 0.01, 0.0, 3.5, 0.0]
    seen = Seen(levels, amps=amps, supply_v=supply)
    assert seen.edges[-2:] == [(True, 0.7), (False, 0.9)]


@pytest.mark.parametrize("noise", [0.0, 0.05])
def test_noise_of_the_channel_does_not_hide_a_level(noise: float) -> None:
    """A ratio within 0.08 and six times the noise is at a level."""
    amps = [2.0 if r else 0.0 for _, r in FLASH]
    assert Seen([(t, 0.6 if r else 0.0) for t, r in FLASH], amps=amps, noise=noise, noise_v=noise).edges == EDGES


def test_a_level_that_moves_is_none() -> None:
    """A filament that warms up behind a film passes from 0.3 to 0.9 within 0.2 s: it is closed from the first instant."""
    steps = [(0.1, 0.0), *[(0.1 + 0.01 * (k + 1), 0.3 + 0.03 * k) for k in range(20)], (0.5, 0.9), (0.7, 0.0)]
    amps = [0.0, *[(0.7 - 0.03 * k) * SUPPLY_V / 2.0 for k in range(20)], 3.5, 0.0]
    assert Seen(steps, amps=amps).edges == [(True, 0.1), (False, 0.5)]


@pytest.mark.parametrize(("dips_to", "edges"), [(0.30, 0), (0.10, 2)])
def test_the_comparator_stands_near_the_open_level(dips_to: float, edges: int) -> None:
    """A burnt contact may start at a third of the supply in the inrush; open is below 0.2 less 0.07 of hysteresis, for a slow signal."""
    ramp = [(0.3 + 0.004 * k, 1.0 - k * (1.0 - dips_to) / 10) for k in range(11)]
    up = [(0.345 + 0.004 * k, dips_to + k * (1.0 - dips_to) / 10) for k in range(1, 11)]
    seen = Seen([(0.1, 0.0), (0.29, 1.0), *ramp, *up, (0.6, 1.0), (0.8, 0.0)])
    assert len(seen.edges) == 2 + edges


# Short states.


@pytest.mark.parametrize(("gap_s", "short"), [(2.5e-3, True), (3.5e-3, False)])
def test_a_state_shorter_than_three_milliseconds_is_an_interruption(gap_s: float, short: bool) -> None:
    lit = Seen([(0.1, 0.0), (0.3, 1.0), (0.3 + gap_s, 0.0), (0.5, 1.0), (0.6, 0.0)])
    dark = Seen([(0.1, 1.0), (0.3, 0.0), (0.3 + gap_s, 1.0), (0.5, 0.0), (0.6, 1.0)])
    for seen, closed in ((lit, True), (dark, False)):
        found = [(c.closed, near(c.t_s, abs=STEP), near(c.lasted_s, abs=2 * STEP)) for c in seen.of(Interruption)]
        assert found == ([(closed, 0.3, gap_s)] if short else [])
    assert len(lit.edges) == (2 if short else 4) and len(dark.edges) == (2 if short else 4)


def test_bounce_is_counted_from_the_first_crossing_to_the_last() -> None:
    for begins, level in ((0.0, 1.0), (1.0, 0.0)):
        seen = Seen([(0.1, begins), (0.102, level), (0.104, begins), (0.106, level), (0.108, begins), (0.3, level)])
        (edge,) = seen.of(Transition)
        assert (edge.closed, edge.t_s) == (level > 0.0, near(0.1, abs=STEP))
        assert edge.again_s == near((0.102, 0.104, 0.106, 0.108), abs=STEP)
        assert edge.bounce_s == near(0.008, abs=2 * STEP)


def test_one_without_bounce_has_none() -> None:
    assert [c.bounce_s for c in Seen(FLASH).of(Transition)] == [0.0] * 4


# Gaps, and what is found at the begin.


def test_what_is_found_closed_was_not_seen_to_close() -> None:
    seen = Seen([(0.2, 1.0), (0.4, 0.0)])
    assert seen.of(Gap) == [Gap(0.0, 0.0, True)]
    assert seen.edges == [(False, 0.2)]
    assert Seen([(0.2, 0.0), (0.4, 1.0)]).of(Gap) == []


@pytest.mark.parametrize("closed", [False, True])
def test_a_gap_says_from_when_to_when_and_what_was_found_after_it(closed: bool) -> None:
    finder = TransitionFinder(supply_floor_v=FLOOR_V)
    t = np.arange(0.0, 0.4, STEP)
    v = np.where((t < 0.1) | ((t >= 0.2) & closed), 10.0, 0.0)

    def block(begin: int, end: int, gap: bool) -> Block:
        part = slice(begin, end)
        traces = {"v_out": Trace(t[part], v[part]), "v_in": Trace(t[part], np.full(end - begin, 10.0))}
        return Block(float(t[begin]), float(t[end - 1]) + STEP, traces, gap)

    found = finder.feed(block(0, 1200, False)) + finder.feed(block(1600, 3200, True)) + finder.flush()
    gaps = [c for c in found if isinstance(c, Gap)]
    assert gaps[0] == Gap(0.0, 0.0, True)
    assert gaps[1:] == [Gap(float(t[1199]), float(t[1600]), closed)]
    assert [(c.closed, near(c.t_s, abs=STEP)) for c in found if isinstance(c, Transition)] == [(False, 0.1)]
    assert finder.closed is closed
    assert found == sorted(found, key=lambda c: c.t_s)


# Supply.


def supplied(*changes_s: float, level_v: float = SUPPLY_V, **known: Any) -> Seen:
    t = np.arange(0.0, 0.8, STEP)
    supply = np.where(np.searchsorted(changes_s, t, side="right") % 2, level_v, 0.0)
    return Seen([(0.2, 0.0), (0.8, 1.0)], supply_v=supply, **known)


def test_the_supply_comes_and_goes_and_no_contact_is_closed_without_it() -> None:
    seen = supplied(0.1, 0.4, 0.6)
    assert [(c.on, near(c.t_s, abs=STEP)) for c in seen.of(SupplyEdge)] == [(True, 0.1), (False, 0.4), (True, 0.6)]
    assert seen.edges == [(True, 0.2), (False, 0.4), (True, 0.6)]
    assert seen.finder.supplied and not supplied(0.1, 0.4).finder.supplied
    # Found on: it was not seen to come.
    assert supplied(-0.1).of(SupplyEdge) == [] and supplied(-0.1).finder.supplied
    assert supplied(-0.1, v_in_v=SUPPLY_V).of(SupplyEdge) == []


@pytest.mark.parametrize("at_s", [0.0, 0.5 * STEP, 0.5e-3, 0.1])
def test_a_supply_behind_a_filter_comes_and_goes_when_it_does(at_s: float) -> None:
    """Even where but one sample was seen before."""
    tau_s = 50e-6
    t = np.arange(0.0, 0.4, STEP)
    on, off = at_s + 0.4 * STEP, 0.3 + 0.6 * STEP
    rise, fall = (np.exp(-np.clip(t - edge, 0.0, None) / tau_s) for edge in (on, off))
    supply = np.where(t < on, 0.0, np.where(t < off, SUPPLY_V * (1.0 - rise), SUPPLY_V * fall))
    seen = Seen([(0.4, 0.0)], supply_v=supply, tau_s=tau_s)
    assert [(c.on, near(c.t_s, abs=1e-7)) for c in seen.of(SupplyEdge)] == [(True, on), (False, off)]


@pytest.mark.parametrize(("level_v", "on"), [(3.5, False), (3.7, True)])
def test_a_supply_is_there_from_a_fifth_above_its_floor(level_v: float, on: bool) -> None:
    assert bool(supplied(0.1, level_v=level_v).of(SupplyEdge)) is on


@pytest.mark.parametrize(("sags_to", "gone"), [(2.5, False), (2.3, True)])
def test_a_supply_is_gone_from_a_fifth_below_its_floor(sags_to: float, gone: bool) -> None:
    t = np.arange(0.0, 0.8, STEP)
    seen = Seen([(0.8, 0.0)], supply_v=np.where((t > 0.3) & (t < 0.5), sags_to, SUPPLY_V))
    assert [c.on for c in seen.of(SupplyEdge)] == ([False, True] if gone else [])


# Instants.


@pytest.mark.parametrize(("stamp_u_s", "u_s"), [(0.0, STEP / math.sqrt(12.0)), (1e-4, math.hypot(1e-4, STEP / math.sqrt(12.0)))])
def test_an_instant_is_known_within_its_interval_and_its_stamp(stamp_u_s: float, u_s: float) -> None:
    seen = Seen(FLASH, stamp_u_s=stamp_u_s)
    assert [c.u_s for c in seen.of(Transition)] == near([u_s] * 4)
    assert [c.soft_s for c in seen.of(Transition)] == [0.0] * 4
    assert [c.u_s for c in supplied(0.1, 0.4, stamp_u_s=stamp_u_s).of(SupplyEdge)] == near([u_s] * 2)


@pytest.mark.parametrize("ramp_s", [0.004, 0.01, 0.03])
def test_a_slow_transition_has_its_middle_and_the_part_that_is_a_matter_of_definition(ramp_s: float) -> None:
    """A trapezoid: half-way between the levels; from a fifth to four fifths is 0.6 of the ramp, rectangular. (A fall is seen a little after
    its fifth.)"""
    t = np.arange(0.0, 1.2, STEP)
    ratio = np.interp(t, [0.2, 0.2 + ramp_s, 0.6, 0.6 + ramp_s], [0.0, 1.0, 1.0, 0.0])
    finder = TransitionFinder(supply_floor_v=FLOOR_V)
    block = Block(0.0, 1.2, {"v_out": Trace(t, 10.0 * ratio), "v_in": Trace(t, np.full(len(t), 10.0))})
    found = [c for c in finder.feed(block) + finder.flush() if isinstance(c, Transition)]
    assert [c.t_s for c in found] == near([0.2 + ramp_s / 2, 0.6 + ramp_s / 2], abs=1e-9)
    soft = [c.soft_s * 2 * math.sqrt(3.0) / ramp_s for c in found]
    assert soft[0] == near(0.6, abs=2 * STEP / ramp_s) and 0.6 - STEP / ramp_s < soft[1] < 0.68
    share = STEP / ramp_s
    assert [c.u_s for c in found] == near([share * STEP / math.sqrt(12.0) + 0.02 * STEP] * 2)


def test_the_middle_of_a_slow_transition_is_that_of_the_units_own_levels() -> None:
    """A unit that leaks to 0.6 of its supply rises from there: half-way is 0.8."""
    t = np.arange(0.0, 1.2, STEP)
    ratio = np.interp(t, [0.4, 0.41, 0.8, 0.81], [0.6, 1.0, 1.0, 0.6])
    finder = TransitionFinder(supply_floor_v=FLOOR_V)
    traces = {
        "v_out": Trace(t, 10.0 * ratio), "v_in": Trace(t, np.full(len(t), 10.0)),
        "i_load": Trace(t, np.where(ratio > 0.8, 3.5, 0.01)),
    }  # fmt: skip
    found = [c for c in finder.feed(Block(0.0, 1.2, traces)) + finder.flush() if isinstance(c, Transition)]
    assert [(c.closed, near(c.t_s, abs=STEP)) for c in found] == [(True, 0.405), (False, 0.805)]
    # Of the 0.4 between its levels each sample passes an eightieth, and the middle 0.6 take 6 ms.
    share = STEP / 0.01
    assert [c.u_s for c in found] == near([share * STEP / math.sqrt(12.0) + 0.02 * STEP] * 2, rel=1e-3)
    assert [c.soft_s for c in found] == near([0.003 / math.sqrt(3.0)] * 2, rel=0.2)


# The stream.


@pytest.mark.parametrize("cut", [1, 7, 33, 1000])
def test_changes_come_once_and_in_order_however_the_stream_is_cut(cut: int) -> None:
    levels = [(0.1, 0.0), (0.102, 1.0), (0.104, 0.0), (0.3, 1.0), (0.3015, 0.0), (0.5, 1.0), (0.7, 0.0), (0.8, 1.0)]
    whole, seen = Seen(levels, cut=100_000), Seen(levels, cut=cut)
    assert seen.changes == whole.changes
    assert [c.t_s for c in seen.changes] == sorted(c.t_s for c in seen.changes)
    assert [type(c) for c in whole.changes] == [Transition, Interruption, Transition, Transition]


def test_changes_are_told_within_some_groups_and_memory_stays_bounded() -> None:
    seen = Seen([(0.5 * (k + 1), float(k % 2)) for k in range(40)], cut=128)
    told = zip(seen.changes, seen.at_s, strict=True)
    assert all(at_s - c.t_s < 0.03 for c, at_s in list(told)[:-1])
    assert len(seen.finder._samples) < 1000


@pytest.mark.parametrize("step_s", [20e-6, 125e-6, 1e-3, 4e-3])
def test_slow_and_fast_sampling_see_the_same(step_s: float) -> None:
    found = [(c.closed, near(c.t_s, abs=1.1 * step_s)) for c in Seen(FLASH, step_s=step_s).of(Transition)]
    assert found == EDGES


def test_a_recording_without_the_input_takes_a_fixed_one() -> None:
    assert Seen(FLASH, v_in_v=SUPPLY_V).edges == EDGES
    # A burnt contact at 0.6 of what the input is taken for: a level of 0 may be that of no supply, so it waits for a dark one.
    seen = Seen([(t, 0.6 if r else 0.0) for t, r in FLASH], v_in_v=SUPPLY_V, amps=[2.0 if r else 0.0 for _, r in FLASH])
    assert seen.edges == EDGES
