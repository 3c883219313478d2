"""Flashes cut from signals whose every stretch is known, and what is read where in them."""

from __future__ import annotations

import math

import numpy as np
import pytest
from cut_flashes import FLASHES, STEP, SUPPLY, U_S, Cut, Signal, change, decaying, steps, value
from hand_evidence import near

from bench.cycles import CycleCutter
from bench.samples import Array, Timing
from bench.transitions import Change, Gap, Interruption, SupplyEdge


def test_a_cycle_goes_from_one_make_to_the_next() -> None:
    (first, second) = Cut({}).cycles
    assert (first.on_s, first.off_s, first.period_s) == near((0.4, 0.3, 0.7))
    assert second.begun == first.ended and (second.on_s, second.off_s) == near((0.4, 0.3))
    assert Cut({}).cutter.begun == FLASHES[-1] and Cut({}).cutter.broke is None


@pytest.mark.parametrize("late_s", [0.0, 0.06])
def test_levels_are_those_at_the_end_of_the_flash(late_s: float) -> None:
    """Straight lines, as lamps that still cool: what is read is their value as the contact opens, three uncertainties before."""
    changes = (SUPPLY, change(0.5, True), change(0.9, False, u_s=1e-3), change(1.2, True))
    cut = Cut({"v_in": lambda t: 12.0 + t, "v_out": lambda t: 11.0 + 2 * t, "i_load_low": lambda t: 5.0 - t}, changes, 1.5, late_s)
    (cycle,) = cut.cycles
    at_s = 0.9 - 3e-3
    assert [value(r) for r in (cycle.lit.supply, cycle.lit.lamp, cycle.lit.steady)] == near([12.0 + at_s, 11.0 + 2 * at_s, 5.0 - at_s])


@pytest.mark.parametrize(("on_s", "tail_s"), [(0.4, 0.050), (0.1, 0.025)])
def test_the_end_is_the_last_twentieth_of_a_second_or_quarter_of_the_flash(on_s: float, tail_s: float) -> None:
    changes = (SUPPLY, change(0.5, True), change(0.5 + on_s, False), change(1.2, True))
    end_s = 0.5 + on_s
    kept = Cut({"v_in": steps((end_s - tail_s - 1e-3, 5.0), (9.0, 12.0))}, changes, 1.5).cycles[0].lit.supply
    mixed = Cut({"v_in": steps((end_s - tail_s + 2e-3, 5.0), (9.0, 12.0))}, changes, 1.5).cycles[0].lit.supply
    assert value(kept) == near(12.0) and kept is not None and kept.n == round(tail_s / STEP)
    assert value(mixed) != near(12.0, abs=0.01)


def test_a_flash_shorter_than_a_few_milliseconds_is_read_after_it_has_settled() -> None:
    """A make that bounces for 2 ms and 0.4 ms for the amplifiers: of a flash of 3 ms the last 0.6 ms are left."""
    changes = (SUPPLY, change(0.5, True, 0.501, 0.502), change(0.503, False), change(0.9, True))
    (cycle,) = Cut({"v_in": steps((0.50235, 5.0), (9.0, 12.0))}, changes, 1.2).cycles
    assert value(cycle.lit.supply) == 12.0 and cycle.lit.supply is not None and cycle.lit.supply.n == 4


@pytest.mark.parametrize(("gap_s", "seen"), [(0.8952, False), (0.8947, True)])
def test_a_gap_before_the_break_that_slow_samples_of_the_output_miss_is_none_of_the_lamps(gap_s: float, seen: bool) -> None:
    """A contact that bounces as it opens: the current is read in a gap of 0.14 ms, the output before and after it. Where the output is read
    at the same instants or more often, it would show such a gap."""
    amps = steps((gap_s - 7e-5, 4.0), (gap_s + 7e-5, 0.0), (9.0, 4.0))
    for step_s, apart_s in ((5e-4, 2e-4), (1e-4, 2e-5), (1e-4, 0.0), (2.5e-4, 0.0)):
        lit = Cut({"v_out": 12.0, "i_load_low": amps, "i_load": amps}, step_s=step_s, apart_s=apart_s).cycles[0].lit
        assert lit.steady is not None and (lit.steady.value < 3.995) is (seen or apart_s < 2e-4), step_s
    brief = (SUPPLY, change(0.885, True), change(0.9, False), change(1.2, True))
    last = steps((0.897, 4.0), (0.8972, 0.0), (9.0, 4.0))
    lit = Cut({"v_out": 12.0, "i_load": last}, brief, step_s=5e-4, apart_s=2e-4).cycles[0].lit
    assert value(lit.steady) == near(4.0), "of a short flash a quarter is left out"


def test_what_is_clipped_is_not_read() -> None:
    """Within a hundredth of its range a channel says "at least"."""
    for volts, there in ((19.7, True), (19.9, False)):
        lit = Cut({"v_in": volts, "v_out": volts, "i_load": 3.0}).cycles[0].lit
        assert (lit.supply is not None, lit.lamp is not None) == (there, there)
    assert Cut({"v_in": steps((0.88, 12.0), (9.0, 19.9))}).cycles[0].lit.supply is None, "nor what is clipped in part"
    for amps, low in ((8.8, True), (8.95, False)):
        lit = Cut({"i_load": 50.0, "i_load_low": amps}).cycles[0].lit
        assert value(lit.steady) == near(amps if low else 50.0)
    partly = Cut({"i_load": 4.0, "i_load_low": steps((0.88, 3.0), (9.0, 8.95))}).cycles[0].lit
    assert value(partly.steady) == near(4.0)
    assert value(Cut({"i_load": 4.0}, FLASHES[1:]).cycles[0].lit.steady) == near(4.0), "and no zero is taken off that was not seen"
    assert Cut({"i_load": 89.05, "i_load_low": 9.0}).cycles[0].lit.steady is None
    assert value(Cut({"i_load": 88.95, "i_load_low": 9.0}).cycles[0].lit.steady) == near(88.95)
    assert value(Cut({"i_load": 5.0}).cycles[0].lit.steady) == near(5.0)


def test_a_current_less_its_zero_at_rest() -> None:
    """What the current reads with no supply on the unit is its zero; of voltages it is none."""
    signals = {name: steps((0.2, 0.3), (9.0, 3.0)) for name in ("i_load_low", "v_in", "v_out", "v_pilot")}
    for name in ("i_load_low", "i_load"):
        cut = Cut({name: signals["i_load_low"], "v_in": signals["v_in"], "v_out": signals["v_out"]}, zeros=True)
        cycle = cut.cycles[0]
        assert value(cycle.lit.steady) == near(2.7) and value(cycle.dark.current) == near(2.7), name
        assert (value(cycle.lit.supply), value(cycle.dark.out)) == near((3.0, 3.0))
        assert value(cut.cutter.rest[name]) == near(0.3)


# The drop.


def test_the_lowest_drop_and_the_current_of_just_then() -> None:
    """40 samples are 5 ms: in the block at 0.7 s the drop is lowest, and 4 A flow; elsewhere 3 A."""
    lowest = steps((0.70, 0.5), (0.71, 0.2), (9.0, 0.5))
    cut = Cut({"v_in": 12.0, "v_out": 11.0, "v_drop": lowest, "i_load_low": steps((0.70, 3.0), (0.71, 4.0), (9.0, 3.0))})
    lit = cut.cycles[0].lit
    assert (value(lit.drop), value(lit.drop_a), lit.by_difference) == (near(0.2), near(4.0), False)
    assert lit.drop_a is not None and lit.drop_a.n == 40
    assert value(cut.cycles[1].lit.drop) == near(0.5)


@pytest.mark.parametrize("where", [(0.50, 0.5003), (0.8999, 0.9)])
def test_a_drop_is_not_read_while_things_settle(where: tuple[float, float]) -> None:
    """0.4 ms after the make; and not past the opening."""
    dip = steps((where[0], 0.5), (where[1], -0.05), (9.0, 0.5))
    changes = (SUPPLY, change(0.5, True), change(0.9, False, u_s=1e-4), change(1.2, True))
    assert value(Cut({"v_drop": dip}, changes).cycles[0].lit.drop) == near(0.5)


def test_a_drop_out_of_range_is_the_difference_of_input_and_output() -> None:
    clipped: dict[str, Signal] = {"v_in": 12.0, "v_out": steps((0.7, 10.0), (0.75, 10.5), (9.0, 10.0)), "v_drop": 1.0, "i_load": 4.0}
    lit = Cut(clipped).cycles[0].lit
    assert (value(lit.drop), value(lit.drop_a), lit.by_difference) == (near(1.5), 4.0, True)
    without = {name: signal for name, signal in clipped.items() if name != "v_drop"}
    assert Cut(without).cycles[0].lit.drop == lit.drop
    assert Cut({"i_load": 4.0}).cycles[0].lit.drop is None


def test_of_a_drop_that_is_partly_out_of_range_the_longest_stretch_inside_counts() -> None:
    """Clipped in the inrush until 0.55 s and for a sample at 0.6 s: the lower 0.1 V before that is too short a stretch to be believed."""
    drop = steps((0.55, 1.0), (0.6, 0.1), (0.6 + STEP, 1.0), (9.0, 0.4))
    lit = Cut({"v_in": 12.0, "v_out": 11.0, "v_drop": drop}).cycles[0].lit
    assert (value(lit.drop), lit.by_difference) == (near(0.4), False)
    late = steps((0.8, 0.3), (0.8 + STEP, 1.0), (9.0, 0.1))
    assert value(Cut({"v_drop": late}).cycles[0].lit.drop) == near(0.3)


# Peak, cold conductance, dip, pilot.


def test_the_peak_is_read_on_the_finer_range_unless_it_is_clipped() -> None:
    fine = Cut({"i_load_low": decaying(7.0), "i_load": decaying(9.0)}).cycles[0].lit.peak
    wide = Cut({"i_load_low": lambda t: np.minimum(decaying(40.0)(t), 9.0), "i_load": decaying(40.0)}).cycles[0].lit.peak
    assert fine is not None and fine.n in (20, 21), "the first 2.6 ms"
    assert (value(fine), value(wide)) == (near(7.0, rel=0.01), near(40.0, rel=0.01))
    assert value(Cut({"i_load": decaying(40.0, zero=5.0)}, zeros=True).cycles[0].lit.peak) == near(40.0, rel=0.01)
    assert Cut({"i_load": lambda t: np.minimum(decaying(200.0)(t), 90.0)}).cycles[0].lit.peak is None
    # Read 0.1 ms late behind a filter of 0.1 ms.
    late = Cut({"i_load": lambda t: decaying(40.0)(t - 1e-4)}, delays_s={"i_load": 1e-4})
    assert value(late.cycles[0].lit.peak) == near(40.0, rel=0.01)


def test_the_conductance_of_the_load_is_that_of_the_first_make_alone() -> None:
    """Amperes over the volts at the output, which a film in series lowers both."""
    v_out = steps((0.5, 0.0), (0.9, 8.0), (1.2, 0.0), (1.6, 8.0), (9.0, 0.0))
    first, second = Cut({"i_load": decaying(40.0, zero=2.0), "v_out": v_out}, zeros=True).cycles
    assert value(first.lit.conductance) == near(5.0, rel=0.01) and second.lit.conductance is None
    assert Cut({"i_load": decaying(40.0)}).cycles[0].lit.conductance is None


def test_a_dip_is_read_over_two_milliseconds_after_things_have_settled() -> None:
    signals = {"v_in": steps((0.5004, 1.0), (0.5024, 10.0), (9.0, 12.0)), "i_load": steps((0.5004, 1.0), (0.5024, 30.0), (9.0, 4.0))}
    first = Cut(signals).cycles[0].lit.dip
    assert first == near((10.0, 30.0), rel=0.04)
    assert Cut({"v_in": 12.0}).cycles[0].lit.dip is None and Cut({"i_load": 4.0}).cycles[0].lit.dip is None


def test_the_pilot_is_read_in_the_second_half_of_a_flash_and_of_a_pause() -> None:
    """It may be late: what the first half shows is left out."""
    pilot = steps((0.69, 3.0), (0.9, 11.0), (1.04, 5.0), (1.2, 1.0), (9.0, 0.0))
    (first, _) = Cut({"v_pilot": pilot}).cycles
    assert value(first.lit.pilot) == near(11.0) and value(first.dark.pilot) == near(1.0)


# The dark state.


def test_a_dark_state_is_read_at_its_end_but_for_the_last_milliseconds() -> None:
    """Slow sampling misses the first contacts of a bouncing make: 5 ms before it are left out. A line of the last 100 ms is carried on."""
    signals: dict[str, Signal] = {
        "i_load_low": lambda t: np.where(t < 1.1, 5.0, np.where(t > 1.1952, 8.0, t - 1.0)),
        "v_in": steps((1.049, 3.0), (1.1952, 12.0), (9.0, 5.0)), "v_out": steps((1.049, 3.0), (1.1952, 0.5), (9.0, 5.0)),
    }  # fmt: skip
    dark = Cut(signals).cycles[0].dark
    assert value(dark.current) == near(0.2, rel=1e-4)
    assert (value(dark.supply), value(dark.out)) == (near(12.0), near(0.5))


def test_of_a_long_dark_state_the_last_half_second_counts() -> None:
    changes = (SUPPLY, change(0.5, True), change(0.9, False), change(2.9, True))
    signal = steps((2.39, 3.0), (9.0, 1.0))
    (cycle,) = Cut({"v_out": signal, "v_pilot": signal}, changes, 3.0).cycles
    assert value(cycle.dark.out) == value(cycle.dark.pilot) == 1.0
    assert cycle.dark.out is not None and cycle.dark.out.n == near(495 * 8, abs=1)


def test_a_reading_that_is_a_mean_over_its_sampling_time_may_hold_what_came_after() -> None:
    signal = steps((1.181, 1.0), (9.0, 4.0))
    assert value(Cut({"v_out": signal}, timing=Timing(sampling_s=0.02)).cycles[0].dark.out) == 1.0
    assert value(Cut({"v_out": signal}).cycles[0].dark.out) > 1.1


# Rest.


@pytest.mark.parametrize(("rest_s", "there"), [(2.5e-3, False), (4e-3, True), (0.2, True)])
def test_a_rest_needs_sixteen_samples_and_ends_a_millisecond_before_the_supply(rest_s: float, there: bool) -> None:
    at = SupplyEdge(rest_s, True, U_S)
    cut = Cut({"i_load": steps((rest_s - 0.99e-3, 0.5), (9.0, 60.0))}, (at, *FLASHES[1:]), zeros=True)
    assert ("i_load" in cut.cutter.rest) is there
    assert not there or value(cut.cutter.rest["i_load"]) == near(0.5)


def test_a_rest_is_the_last_second_before_the_supply() -> None:
    at = SupplyEdge(2.0, True, U_S)
    cut = Cut({"i_load": steps((0.99, 40.0), (9.0, 0.5))}, (at, change(2.0, True), change(2.5, False)), 3.0, zeros=True)
    assert value(cut.cutter.rest["i_load"]) == 0.5
    assert cut.cutter.rest["i_load"].n == near(0.999 / STEP, abs=1)


@pytest.mark.parametrize(("part", "hidden"), [(0.04, False), (0.06, True)])
def test_a_rest_at_the_lower_end_of_the_input_is_no_zero(part: float, hidden: bool) -> None:
    """More than a twentieth of the samples at the end of the range: the zero may lie below it."""
    number = np.arange(1600)

    def signal(t: Array) -> Array:
        return np.where((number[np.minimum((t / STEP).round().astype(int), 1599)] % 100) < part * 100, -10.0, -9.0)

    cut = Cut({"i_load": signal}, zeros=True)
    assert ("i_load" not in cut.cutter.rest) is hidden


# Lost samples, drop-outs.


def test_a_cycle_with_a_gap_is_none_and_the_next_one_is() -> None:
    changes = (*FLASHES[:3], Gap(1.0, 1.1, False), *FLASHES[3:], change(2.3, False), change(2.6, True))
    cut = Cut({}, changes, 2.8)
    assert [c.begun.t_s for c in cut.cycles] == [1.2, 1.9]
    assert cut.cutter.broken == 1
    before = Cut({}, (SUPPLY, Gap(0.3, 0.4, False), *FLASHES[1:]))
    assert len(before.cycles) == 2 and before.cutter.broken == 0, "nothing was begun"
    for end_s, closed, since_s in ((1.94, True, 1.9), (1.94, False, 1.94), (1.999, True, 1.9), (2.01, True, 2.01)):
        stopped = Cut({}, (*FLASHES, Gap(1.901, end_s, closed)), 2.1).cutter
        # What is found again after no more than a tenth of a second has lasted: no flash, and no pause, is that short.
        assert stopped.begun is None and stopped.state_since_s == since_s and stopped.broken == 1
    assert Cut({}, (SUPPLY, Gap(0.3, 0.32, False))).cutter.state_since_s == 0.2, "dark before, and dark after it"
    assert Cut({}, (*FLASHES[:-1], Gap(1.65, 1.67, False))).cutter.state_since_s == 1.6, "and between two flashes"


@pytest.mark.parametrize(("t_s", "gaps", "count"), [
    (0.7, (), 1), (0.7, ((0.705, 0.72),), 0), (0.7, ((0.715, 0.73),), 1), (0.7, ((0.6, 0.695),), 0), (0.7, ((0.6, 0.685),), 1),
])  # fmt: skip
def test_a_drop_out_is_none_within_ten_milliseconds_of_lost_samples(t_s: float, gaps: tuple[tuple[float, float], ...], count: int) -> None:
    lost = [Gap(a, b, True) for a, b in gaps]
    inside: list[Change] = [*(g for g in lost if g.t_s < t_s), Interruption(t_s, True, 1e-3), *(g for g in lost if g.t_s > t_s)]
    assert Cut({}, (*FLASHES[:2], *inside, *FLASHES[2:])).cutter.dropouts == count
    assert Cut({}, (*FLASHES[:2], Interruption(t_s, False, 1e-3), *FLASHES[2:])).cutter.dropouts == 0, "a blip while dark"


# The end of the supply.


@pytest.mark.parametrize(("opens_s", "own"), [(1.9405, False), (1.937, True)])
def test_an_opening_that_came_with_the_end_of_the_supply_is_not_the_units(opens_s: float, own: bool) -> None:
    """Within 2 ms before it."""
    off = SupplyEdge(1.942, False, U_S)
    cut = Cut({"v_in": 12.0}, (*FLASHES, change(opens_s, False), off, change(1.96, True)))
    assert (cut.cutter.broke is not None) is own
    assert len(cut.cutter.first) == (6 if own else 5) and len(cut.cycles) == 2
    lit = cut.cutter.lit_now()
    assert cut.cutter.removed == off and lit is not None and value(lit.supply) == near(12.0)


def test_a_flash_that_the_end_of_the_supply_cut_short_is_read_until_then() -> None:
    off = SupplyEdge(1.96, False, U_S)
    cut = Cut({"v_in": steps((1.9591, 12.0), (9.0, 3.0))}, (*FLASHES, off))
    lit = cut.cutter.lit_now()
    assert lit is not None and value(lit.supply) == near(12.0)
    assert Cut({}, (*FLASHES[1:], off)).cutter.removed is None, "a supply that was not seen to come"


# What is so now.


def test_the_levels_of_a_unit_that_is_lit_or_dark_now() -> None:
    signals: dict[str, Signal] = {"v_in": 12.0, "v_out": lambda t: 11.0 + t, "i_load": 0.4}
    lit = Cut(signals)
    now = lit.cutter.lit_now()
    assert now is not None and value(now.lamp) == near(11.0 + 2.0)
    assert lit.cutter.dark_now() is None and lit.cutter.flow_now() is None and lit.cutter.now_s == near(2.0)
    dark = Cut(signals, FLASHES[:-1], 2.2)
    was, black = dark.cutter.lit_now(), dark.cutter.dark_now()
    assert was is not None and value(was.lamp) == near(11.0 + 1.6, rel=1e-5)
    assert black is not None and value(black.current) == near(0.4)
    assert dark.cutter.flow_now() == near(0.4)
    assert Cut(signals, FLASHES[:-1], 2.05).cutter.flow_now() is None, "0.45 s say nothing yet"
    assert dark.cutter.state_since_s == 1.6


@pytest.mark.parametrize(("seen_s", "there"), [(0.09, False), (0.11, True)])
def test_what_was_found_closed_has_levels_after_a_tenth_of_a_second(seen_s: float, there: bool) -> None:
    cut = Cut({"v_in": 12.0}, (Gap(0.0, 0.0, True),), seen_s, block_s=0.01)
    assert (cut.cutter.lit_since(True) is not None) is there
    assert cut.cutter.lit_since(False) is None
    later = Cut({"v_in": 12.0}, (SUPPLY, Gap(0.9, 1.05, True)), 1.1, block_s=0.01)
    assert later.cutter.lit_since(True) is None, "seen for no more than 50 ms since the gap"
    assert Cut({"v_in": 12.0}).cutter.lit_since(True) is None, "its make was seen"


def test_the_flow_is_that_of_the_last_two_seconds() -> None:
    cut = Cut({"i_load": steps((4.99, 3.0), (9.0, 0.2))}, FLASHES[:-1], 7.0)
    assert cut.cutter.flow_now() == near(0.2)


# Long states, in bounded memory.


def test_a_unit_that_stays_lit_keeps_its_first_and_its_last_part() -> None:
    """After 4 s: half a second of the beginning, two of the end. The peak was read before."""
    changes = (SUPPLY, change(0.5, True))
    signals: dict[str, Signal] = {
        "v_in": 12.0, "v_out": 11.0, "i_load": lambda t: np.where(t < 0.5, 0.0, 4.0 + 32.0 * np.exp(-np.clip(t - 0.5, 0.0, None) / 8e-3)),
        "v_drop": steps((0.8, 0.4), (0.9, 0.2), (5.0, 0.4), (6.0, 0.1), (99.0, 0.4)),
    }  # fmt: skip
    cut = Cut(signals, changes, 12.0)
    lit = cut.cutter.lit_now()
    assert lit is not None
    assert value(lit.drop) == near(0.2), "what lies between is let go"
    assert value(lit.steady) == near(4.0) and value(lit.peak) > 30.0
    kept = sum(len(cut.cutter._kept.between(name, -math.inf, math.inf)[0]) for name in signals) / 4
    assert kept == near(2.5 / STEP, rel=0.03)


def test_a_bench_without_supply_keeps_two_seconds() -> None:
    cut = Cut({"v_in": 0.0}, (), 9.0)
    assert len(cut.cutter._kept.between("v_in", -math.inf, math.inf)[0]) == near(2.0 / STEP, rel=0.03)
    late = Cut({"i_load": 0.5}, (SupplyEdge(8.0, True, U_S), change(8.0, True)), 9.0, zeros=True)
    assert late.cutter.rest["i_load"].n == near(0.999 / STEP, abs=1), "and so the rest before it"


def test_the_start_is_eight_changes_and_the_first_light() -> None:
    many = [change(0.5 + 0.1 * k, k % 2 == 0) for k in range(12)]
    cut = Cut({"v_in": lambda t: 10.0 + t}, (SUPPLY, *many), 2.0)
    assert cut.cutter.first == many[:8]
    assert cut.cutter.first_lit is not None and value(cut.cutter.first_lit.supply) == near(10.6, rel=1e-5)
    assert cut.cutter.applied == SUPPLY


def test_how_long_the_lamps_were_lit_where_they_were_read() -> None:
    """A line is carried to the end; of few samples the first may be the one that counts, and a mean over a sampling time begins earlier."""
    lit = Cut({"v_out": 11.0}).cycles[0].lit
    assert lit.settled_s == near(0.4 - 3 * U_S - 2 * U_S, abs=1e-9)
    slow = Cut({"v_out": 11.0}, timing=Timing(sampling_s=0.02)).cycles[0].lit
    assert slow.settled_s == near(0.38 - 5 * U_S, abs=1e-9)
    assert Cut({}).cycles[0].lit.settled_s == near(0.35, abs=1e-4)


def test_the_conductance_after_a_bounce_counts_the_time_closed() -> None:
    """Closed for 4 ms, open for 4 ms, closed for good: the lamps go on heating where they were."""
    make = change(0.5, True, 0.504, 0.508)

    def signal(t: Array) -> Array:
        heated = np.where(t < 0.504, t - 0.5, t - 0.504)
        lit = ((t >= 0.5) & (t < 0.504)) | (t >= 0.508)
        return np.where(lit, 40.0 * (1.0 + np.clip(heated, 0.0, None) / 2.6e-3) ** (-1.0 / 1.7), 0.0)

    lit = Cut({"i_load": signal, "v_out": steps((0.5, 0.0), (9.0, 8.0))}, (SUPPLY, make, *FLASHES[2:])).cycles[0].lit
    assert value(lit.conductance) == near(5.0, rel=0.05) and value(lit.peak) == near(40.0, rel=0.05)


def test_of_a_short_pause_a_quarter_is_left_out_at_its_end() -> None:
    changes = (SUPPLY, change(0.5, True), change(0.9, False), change(0.912, True))
    (cycle,) = Cut({"v_out": 1.0}, changes, 1.2).cycles
    assert cycle.dark.out is not None and cycle.dark.out.n == near(3e-3 / STEP, abs=1)


def test_what_was_never_lit_is_dark_and_what_is_over_is_not_now() -> None:
    dark = Cut({"i_load": 0.4}, (SUPPLY,), 1.0).cutter.dark_now()
    assert dark is not None and value(dark.current) == near(0.4)
    over = Cut({"v_in": 12.0}, (SUPPLY, Gap(0.3, 0.31, True), SupplyEdge(0.5, False, U_S)), 1.0).cutter
    assert over.lit_since(True) is None
    assert Cut({"v_in": 12.0}, (SUPPLY,), 1.0).cutter.lit_now() is None
    assert CycleCutter({}, {}).now_s == 0.0


def test_a_clipped_current_says_nothing_of_cold_lamps() -> None:
    signals: dict[str, Signal] = {"i_load": lambda t: np.minimum(decaying(200.0)(t), 90.0), "v_out": steps((0.5, 0.0), (9.0, 8.0))}
    assert Cut(signals).cycles[0].lit.conductance is None
