"""What a cutter keeps of its samples and what it lets go, and what it says of samples that are few or missing."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np
import pytest
from cut_flashes import FLASHES, KNOWN, STEP, SUPPLY, U_S, Cut, change, decaying, steps, value
from hand_evidence import near

from bench.cycles import Cycle, CycleCutter
from bench.samples import Accuracy, Array, Block, Tail, Trace
from bench.transitions import Change, Gap, SupplyEdge


def cut_of(traces: Mapping[str, tuple[Array, Array]], changes: tuple[Change, ...] = FLASHES, end_s: float = 2.0) -> list[Cycle]:
    """Cycles of channels that are each sampled at instants of their own."""
    return CycleCutter(KNOWN, {}).feed(Block(0.0, end_s, {name: Trace(*trace) for name, trace in traces.items()}), changes)


# Kept.


def test_a_tail_grows_and_forgets_its_columns_together() -> None:
    tail = Tail()
    tail.append(np.array([0.0, 1.0, 2.0]), np.array([5.0, 6.0, 7.0]))
    tail.append(np.array([3.0]), np.array([8.0]))
    tail.forget(1, 3)
    assert [column.tolist() for column in tail.columns] == [[0.0, 3.0], [5.0, 8.0]]
    tail.forget(0, 1)
    tail.forget(1, 0)
    assert [column.tolist() for column in tail.columns] == [[3.0], [8.0]]
    with pytest.raises(ValueError, match="shorter"):
        tail.append(np.array([4.0]))


@pytest.mark.parametrize(
    ("low", "high", "top"), [(-1.0, 9.0, 8.9), (0.0, 25.0, 24.75), (-math.inf, 9.0, 9.0), (-math.inf, math.inf, math.inf)]
)
def test_a_reading_near_the_upper_end_of_its_range_may_be_clipped(low: float, high: float, top: float) -> None:
    accuracy = Accuracy(low, high, 0.0, 0.0, 0.0, 0.0)
    assert accuracy.top == near(top, rel=1e-8)
    assert not accuracy.clips(np.array([low, 0.0, min(accuracy.top, 1e9) - 1e-6])).any()
    assert accuracy.clips(np.array([accuracy.top, accuracy.top + 1.0])).all()


@pytest.mark.parametrize(("end_s", "volts"), [(4.4, 0.1), (4.6, 0.4)])
def test_of_a_state_of_four_seconds_nothing_is_let_go(end_s: float, volts: float) -> None:
    """Lit since 0.5 s, with its lowest drop between 1.2 and 1.3 s: gone once only the first half second and the last two are kept."""
    cut = Cut({"v_drop": steps((1.2, 0.4), (1.3, 0.1), (9.0, 0.4))}, (SUPPLY, change(0.5, True)), end_s)
    lit = cut.cutter.lit_now()
    assert lit is not None and value(lit.drop) == near(volts)


@pytest.mark.parametrize("end_s", [3.5, 12.0])
def test_the_inrush_of_a_unit_that_stays_lit_is_read_at_any_time(end_s: float) -> None:
    lit = Cut({"i_load": decaying(40.0)}, (SUPPLY, change(0.5, True)), end_s).cutter.lit_now()
    assert lit is not None and value(lit.peak) == near(40.0, rel=0.01)


def test_where_no_supply_was_seen_a_flash_of_three_seconds_is_read_from_its_beginning() -> None:
    lit = Cut({"v_drop": steps((0.8, 0.4), (0.9, 0.1), (9.0, 0.4))}, (change(0.5, True),), 4.0).cutter.lit_now()
    assert lit is not None and value(lit.drop) == near(0.1)


def test_a_unit_that_stays_dark_keeps_as_little_as_one_that_stays_lit() -> None:
    cutter = Cut({"i_load": 0.4}, (SUPPLY,), 9.0).cutter
    assert len(cutter._kept.between("i_load", -math.inf, math.inf)[0]) == near(2.5 / STEP, rel=0.03)
    dark = cutter.dark_now()
    assert dark is not None and value(dark.current) == near(0.4) and cutter.flow_now() == near(0.4)


@pytest.mark.parametrize(("make_s", "first"), [(2.0, "make"), (2.0, "supply"), (2.04, "make")])
def test_the_rest_of_a_unit_that_makes_as_its_supply_comes_is_the_second_before(make_s: float, first: str) -> None:
    """Whichever of the two is told first."""
    make, supply = change(make_s, True), SupplyEdge(2.0, True, U_S)
    changes = (make, supply) if first == "make" else (supply, make)
    cut = Cut({"i_load": steps((0.99, 40.0), (9.0, 0.5))}, (*changes, change(2.5, False)), 3.0, zeros=True)
    assert (value(cut.cutter.rest["i_load"]), cut.cutter.rest["i_load"].n) == (0.5, near(0.999 / STEP, abs=1))


def test_what_stands_before_a_make_says_nothing_of_its_peak() -> None:
    """A current clipped until a millisecond before it."""
    fine, changes = decaying(7.0), (*FLASHES, change(2.2, False), change(2.5, True))

    def clipped_before(t: Array) -> Array:
        return np.where((t > 1.15) & (t < 1.199), 9.0, fine(t))

    assert value(Cut({"i_load_low": clipped_before}, changes, 2.6).cycles[1].lit.peak) == near(7.0, rel=0.01)


def test_an_opening_that_came_with_the_end_of_the_supply_takes_no_other_from_the_start() -> None:
    """The start is the first eight changes; the tenth was the supply's."""
    many = [change(0.5 + 0.1 * k, k % 2 == 0) for k in range(10)]
    cut = Cut({}, (SUPPLY, *many, SupplyEdge(1.401, False, U_S)))
    assert cut.cutter.first == many[:8] and cut.cutter.broke is None
    early = Cut({}, (SUPPLY, *many[:4], SupplyEdge(0.801, False, U_S)))
    assert early.cutter.first == many[:3]


# Few or none.


@pytest.mark.parametrize(("rest_s", "there"), [(2.85e-3, False), (2.95e-3, True)])
def test_sixteen_samples_are_a_rest_and_fifteen_are_none(rest_s: float, there: bool) -> None:
    """Those until a millisecond before the supply: 0 to 1.75 ms are 15, 0 to 1.875 ms are 16."""
    cut = Cut({"i_load": 0.5}, (SupplyEdge(rest_s, True, U_S), *FLASHES[1:]), zeros=True)
    assert ("i_load" in cut.cutter.rest) is there


def test_of_few_samples_the_first_may_be_the_one_that_counts() -> None:
    """Every 20 ms, of the last 50 ms at 0.855, 0.875 and 0.895 s: the lamps had been lit for 0.355 s when the first was taken."""
    t = np.arange(0.015, 2.0, 0.02)
    (cycle, _) = cut_of({"v_out": (t, np.full(len(t), 11.0))})
    assert cycle.lit.lamp is not None and cycle.lit.lamp.n == 3
    assert cycle.lit.settled_s == near(0.355 - 2.0 * U_S, abs=1e-9)


@pytest.mark.parametrize(("step_s", "there"), [(0.75e-3, True), (0.87e-3, False)])
def test_the_conductance_of_the_load_takes_eight_readings_of_the_output(step_s: float, there: bool) -> None:
    """Within 6 ms of the make: every 0.75 ms these are 8, every 0.87 ms they are 7."""
    t = np.arange(0.0, 2.0, STEP)
    t_out = np.asarray(0.5 + np.arange(-200, 1700) * step_s, dtype=np.float64)
    (first, _) = cut_of({"i_load": (t, decaying(40.0)(t)), "v_out": (t_out, np.full(len(t_out), 8.0))})
    assert (value(first.lit.conductance) == near(5.0, rel=0.01)) if there else (first.lit.conductance is None)


def test_a_current_flows_through_a_unit_that_was_never_lit_or_was_found_dark_after_a_gap() -> None:
    for changes in ((SUPPLY,), (*FLASHES[:3], Gap(1.0, 1.15, False))):
        assert Cut({"i_load": 0.4}, changes, 2.0).cutter.flow_now() == near(0.4)
        assert Cut({"v_in": 12.0}, changes, 2.0).cutter.flow_now() is None, "no current was recorded"
    assert CycleCutter({}, {}).state_since_s == 0.0
    assert Cut({"i_load": 0.4}, (), 0.6, zeros=True).cutter.flow_now() == near(0.4), "dark from the beginning, as far as is known"


def test_a_unit_found_lit_has_been_lit_since_then_at_the_least() -> None:
    lit = Cut({"v_in": 12.0, "v_out": 11.0}, (SUPPLY, Gap(0.9, 1.1, True)), 1.6).cutter.lit_since(True)
    assert lit is not None and lit.settled_s == near(0.5)


@pytest.mark.parametrize("end_v", [5.0, -5.0])
def test_an_input_that_ends_below_zero_is_clipped_there_all_the_same(end_v: float) -> None:
    """Nothing is known of its other end: it is clipped within a part in 10^9 of this one."""
    for volts, there in ((end_v - 2.5e-9, False), (end_v - 5e-6, True)):
        t = np.arange(0.0, 2.0, STEP)
        cutter = CycleCutter({"v_in": Accuracy(-math.inf, end_v, 0, 0, 0, 0)}, {})
        (cycle, _) = cutter.feed(Block(0.0, 2.0, {"v_in": Trace(t, np.full(len(t), volts))}), FLASHES)
        assert (cycle.lit.supply is not None) is there
