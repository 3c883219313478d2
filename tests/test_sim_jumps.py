"""A stretch of the world shows a contact's closing as a jump, also after a time when nothing flowed."""

from __future__ import annotations

from bench.simboard.population import draw
from bench.simboard.world import World


def test_a_make_after_a_dark_time_is_a_jump_and_no_ramp() -> None:
    world = World(draw("NC", 1), seed=1)
    world.switch(loads=frozenset({1, 2}))
    world.advance(0.6)
    world.switch(master=True)
    jumps = 0
    for k in range(1, 200):
        stretch = world.advance(0.6 + 0.02 * k)
        for i in range(1, len(stretch.t_s)):
            if abs(stretch.v_out[i] - stretch.v_out[i - 1]) > 3.0:
                assert stretch.t_s[i] == stretch.t_s[i - 1]
                jumps += 1
    assert jumps > 8
