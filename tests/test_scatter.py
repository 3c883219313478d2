"""How values that are read again and again scatter: sums done by hand."""

from __future__ import annotations

import pytest
from hand_evidence import cycles, estimate, measured, near, reason

from bench.measure import Counts
from bench.measure.scatter import neighbours_share


@pytest.mark.parametrize("n", [1, 2, 3])
def test_so_few_values_say_nothing_of_their_neighbours(n: int) -> None:
    assert neighbours_share([1.0, 2.0, 1.0][:n]) == 1.0


def test_neighbours_that_take_turns_or_go_together() -> None:
    """About 1.5, each 0.5 off: eight that take turns have seven products of -0.25 over a sum of squares of 2, so r = -7/8 + 1/8; four and
    four have six of 0.25 and one of -0.25, so r = 5/8 + 1/8. Alike ones have no scatter to tell by."""
    assert neighbours_share([1.0, 2.0] * 4) == 0.08, "1 - 2 x 0.75, but never less than few values can support"
    assert neighbours_share([1.0] * 4 + [2.0] * 4) == near(1.0 + 2.0 * 0.75)
    assert neighbours_share([1.0, 1.0, 2.0, 2.0]) == near(1.0 + 2.0 * (0.25 + 0.25))
    assert neighbours_share([3.0] * 6) == 1.0


def test_one_cycle_says_nothing_of_its_scatter() -> None:
    """A mean of one would be known to its instants alone, whatever the unit does next."""
    one, two = (measured(cycles([(0.4, 0.3)] * n), Counts(0, 1)) for n in (1, 2))
    for name in ("rate_per_min", "rate_total_per_min", "on_ratio", "on_s", "off_s"):
        assert reason(one, name) == "1 complete cycles seen, 2 needed"
        assert estimate(two, name).n == 2
