"""Edges that take their time: what lies outside of them is read, and nothing of them is a step."""

from __future__ import annotations

import math

from cut_flashes import FLASHES, STEP, SUPPLY, U_S, Cut, change, decaying, steps, value
from hand_evidence import near

from bench.transitions import Transition


def soft(t_s: float, closed: bool, half_s: float) -> Transition:
    """A slow edge that goes on for `half_s` before and after: from a fifth to four fifths it takes 1.2 of that, rectangular."""
    return Transition(t_s, closed, U_S, soft_s=0.6 * half_s / math.sqrt(3.0))


def test_a_slow_edge_reaches_over_half_of_itself_and_a_tenth_more() -> None:
    assert soft(0.5, True, 0.02).reach_s == near(1.1 * 0.02)
    assert change(0.5, True).reach_s == 0.0


def test_levels_are_read_outside_of_slow_edges() -> None:
    """Edges of 40 ms: until 22 ms after a make and from 22 ms before a break on nothing is read."""
    changes = (SUPPLY, soft(0.5, True, 0.02), soft(0.9, False, 0.02), soft(1.2, True, 0.02))
    inside = steps((0.521, 5.0), (0.879, 12.0), (0.921, 5.0), (1.179, 0.5), (9.0, 5.0))
    (cycle,) = Cut({"v_in": inside, "v_out": inside, "v_drop": lambda t: inside(t) / 20.0, "i_load": inside}, changes, 1.4).cycles
    lit, dark = cycle.lit, cycle.dark
    assert [value(r) for r in (lit.supply, lit.lamp, lit.steady, lit.drop, lit.drop_a)] == near([12.0, 12.0, 12.0, 0.6, 12.0])
    assert [value(r) for r in (dark.current, dark.supply, dark.out)] == near([0.5, 0.5, 0.5], rel=1e-4)
    # From the middle of what is dark for sure to 5 ms before its end.
    assert dark.out is not None and dark.out.n == near((1.178 - 0.005 - 1.05) / STEP, abs=2)


def test_a_make_that_takes_a_tenth_of_a_millisecond_is_no_step() -> None:
    for soft_s, there in ((0.09e-3, True), (0.11e-3, False)):
        changes = (SUPPLY, Transition(0.5, True, U_S, soft_s=soft_s), *FLASHES[2:])
        assert (Cut({"i_load": decaying(40.0)}, changes).cycles[0].lit.peak is not None) is there


def test_the_end_of_a_state_is_never_before_its_middle() -> None:
    """However badly the edge is known."""
    changes = (SUPPLY, change(0.5, True), change(0.9, False, u_s=0.1), change(1.2, True, u_s=0.1))
    cycle = Cut({"v_in": lambda t: 10.0 + t, "v_out": lambda t: 10.0 + t}, changes, 1.4).cycles[0]
    assert value(cycle.lit.supply) == near(10.0 + 0.7, rel=1e-4)
    assert value(cycle.dark.out) < 10.0 + 1.05
