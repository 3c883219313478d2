"""Faults of the board from evidence written by hand, and the evidence from blocks made by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hand_evidence import NOT_CORRECTED, cycles, lit, measured
from test_bench_check import FLASHES, codes, faults

from bench.measure import Conditions
from bench.readings import Reading
from bench.samples import Array, Block, Trace
from bench.supply import SupplyEvidence, SupplyWatch, SwitchedOff
from bench.uncertainty import Estimate, NotMeasured

SUPPLY = SupplyEvidence((12.4, 30.0), 12.9, drawing_s=2.0)
SCAN_S = 130e-6


def test_a_clock_that_can_not_be_what_the_board_describes_spoils_all_that_was_timed() -> None:
    clock = replace(NOT_CORRECTED, wrong="10 s took 15 s")
    (fault,) = faults(clock=clock)
    assert (fault.code, fault.spoils) == ("board-clock", True)
    assert fault.text.startswith("10 s took 15 s, and the board states 0.5 %")
    good, found = measured(cycles(FLASHES)).values, measured(cycles(FLASHES), clock=clock).values
    timed = {name for name, value in good.items() if isinstance(value, Estimate) and value.unit in ("s", "1/min")}
    assert len(timed) > 5
    for name in timed:
        value = found[name]
        assert isinstance(value, NotMeasured) and (value.reason, value.fault) == (fault.text, "bench"), name
    rest = {name for name, value in good.items() if isinstance(value, Estimate)} - timed
    assert rest and all(isinstance(found[name], Estimate) for name in rest)


@pytest.mark.parametrize(("shown_v", "named"), [(0.0, True), (0.029, True), (0.031, False), (0.12, False)])
@pytest.mark.parametrize("falls", [True, False])
def test_a_drop_that_moves_shows_in_input_less_output_too(shown_v: float, named: bool, falls: bool) -> None:
    """Three flashes with a drop of 0.48 V and three with 0.36 V: a quarter of what it moved by is enough."""
    usual = lit()
    assert usual.supply is not None
    higher = replace(usual, drop=Reading(0.48, 1e-4, 100), supply=replace(usual.supply, value=usual.supply.value + shown_v))
    lits = [higher] * 3 + [usual] * 3 if falls else [usual] * 3 + [higher] * 3
    supply = replace(SUPPLY, off=SwitchedOff(0.6, {}, (0.0, 0.0)))
    assert codes(lits, supply=supply) == ["drops-differ"] * named
    less = [replace(one, drop=Reading(0.45, 1e-4, 100)) if one is higher else one for one in lits]
    assert codes(less, supply=supply) == [], "less than a film"


@pytest.mark.parametrize(("seconds", "named"), [(0.0, False), (0.24, False), (0.26, True)])
def test_samples_that_come_again_for_a_quarter_of_a_second(seconds: float, named: bool) -> None:
    assert codes(still_s=seconds) == ["samples-still"] * named


@pytest.mark.parametrize(("read", "named"), [(3.84, False), (3.889, False), (3.891, True), (3.789, True)])
def test_a_standard_that_reads_off_by_five_uncertainties(read: float, named: bool) -> None:
    assert codes(standards={"self_check": (read, 3.84, 0.01)}) == ["standard-off"] * named


@pytest.mark.parametrize(
    ("first_v", "lowest_v", "system_v", "named"),
    [
        (0.0, 0.0, 12.0, False),
        (3.5, 3.5, 12.0, False),
        (3.7, 3.7, 12.0, True),
        (3.7, 3.7, 24.0, False),
        (13.0, 12.65, 12.0, True),
        (13.0, 12.55, 12.0, False),
    ],
)
def test_an_input_that_is_fed_does_not_fall(first_v: float, lowest_v: float, system_v: float, named: bool) -> None:
    """0.3 of the system voltage, and 3 % less than at first."""
    supply = replace(SUPPLY, off=SwitchedOff(0.6, {}, (first_v, lowest_v)))
    assert codes([], [], supply=supply, conditions=Conditions(system_v)) == ["input-fed"] * named
    assert codes([], [], supply=replace(supply, off=replace(supply.off, span_s=0.1)), conditions=Conditions(system_v)) == []


@pytest.mark.parametrize(("name", "seconds", "first_v", "named"), [
    ("i_load", 0.29, 0.0, False), ("i_load", 0.31, 0.0, True), ("i_load", 0.31, 5.0, True),
    ("v_drop", 0.31, 0.9, True), ("v_drop", 0.31, 1.1, False),
])  # fmt: skip
def test_a_channel_that_is_not_zero_with_the_master_switch_open(name: str, seconds: float, first_v: float, named: bool) -> None:
    """More than half of 0.6 s; a drop may be real where a capacitor holds the input up."""
    supply = replace(SUPPLY, off=SwitchedOff(0.6, {name: seconds}, (first_v, 0.0)))
    found = faults(supply=supply)
    assert [fault.code for fault in found] == ["not-zero"] * named
    assert all(fault.text.startswith(f"{name} does not read 0") for fault in found)


@pytest.mark.parametrize(("parted_s", "not_shown_s", "named"), [
    (2.0, 0.29, False), (2.0, 0.31, True), (0.01, 0.004, False), (0.01, 0.006, True),
])  # fmt: skip
def test_a_drop_that_misses_an_open_contact(parted_s: float, not_shown_s: float, named: bool) -> None:
    """More than 5 ms and more than 0.15 of the time."""
    assert codes(supply=replace(SUPPLY, parted_s=parted_s, not_shown_s=not_shown_s)) == ["drop-stuck"] * named


@pytest.mark.parametrize(("jumping_s", "on_s", "named"), [(0.049, 1.0, False), (0.051, 1.0, True), (0.29, 10.0, False), (0.31, 10.0, True)])
def test_an_output_that_jumps(jumping_s: float, on_s: float, named: bool) -> None:
    """More than 50 ms, and more than three parts in a hundred of the time."""
    assert codes(supply=replace(SUPPLY, jumping_s=jumping_s, on_s=on_s)) == ["output-jumps"] * named


@pytest.mark.parametrize(("wide_a", "fine_a", "seconds", "named"), [
    (3.6, 3.6, 2.0, False), (3.62, 3.6, 2.0, False), (4.68, 3.6, 2.0, True), (2.6, 3.6, 2.0, True), (4.68, 3.6, 0.004, False),
])  # fmt: skip
def test_two_ranges_of_the_current_that_contradict_each_other(wide_a: float, fine_a: float, seconds: float, named: bool) -> None:
    """A scale that is wrong by 30 %. Zeros of 0.2 A that were read at rest are no difference; without a rest nothing is said."""
    rest = {"i_load": Reading(0.2, 1e-3, 100), "i_load_low": Reading(-0.02, 1e-4, 100)}
    supply = replace(SUPPLY, both_a=(wide_a + 0.2, fine_a - 0.02, seconds))
    found = faults(supply=supply, rest=rest)
    assert [fault.code for fault in found] == ["currents-differ"] * named
    assert all(f"reads {wide_a:.2f} A while i_load_low reads {fine_a:.2f} A" in fault.text for fault in found)
    assert codes(supply=supply, rest={}) == []


@pytest.mark.parametrize(("lamp_v", "drop_v", "named"), [
    (12.45, 0.36, False), (12.65, 0.36, False), (13.0, 0.36, True), (12.8, 0.9, True), (11.75, 0.36, False), (11.4, 0.36, True),
])  # fmt: skip
def test_an_output_that_does_not_go_with_input_and_drop(lamp_v: float, drop_v: float, named: bool) -> None:
    """12.81 V at the input. An output too high is told by five uncertainties, one too low only beyond what a bad contact may move."""
    lits = [lit(lamp=lamp_v, drop=drop_v)] * 6
    board = replace(SUPPLY, off=SwitchedOff(0.6, {}, (0.0, 0.0)))
    found = [fault for fault in faults(lits, supply=board) if fault.code != "lamp-current"]
    assert [fault.code for fault in found] == ["drops-differ"] * named
    assert all(f"is {12.81 - lamp_v:.2f} V while v_drop reads {drop_v:.2f} V" in fault.text for fault in found)
    assert "drops-differ" not in codes(lits, supply=SUPPLY), "a recording"
    assert "drops-differ" not in codes([replace(one, by_difference=True) for one in lits], supply=board)


# --- from samples


def block(begin_s: float = 0.0, *, master: bool | None, n: int = 1000, **levels: float | Array) -> Block:
    t_s = begin_s + np.arange(n, dtype=np.float64) * SCAN_S
    traces = {name: Trace(t_s, np.broadcast_to(np.asarray(level, dtype=np.float64), (n,))) for name, level in levels.items()}
    return Block(begin_s, begin_s + n * SCAN_S, traces, master=master)


def watch() -> SupplyWatch:
    return SupplyWatch(12.0, 0.24, at_rest={"i_load": 0.9, "v_drop": 0.045}, drop_most_v=0.96)


def test_what_is_read_before_the_master_switch_closes() -> None:
    one = watch()
    one.feed(block(master=False, v_in=np.linspace(5.0, 4.0, 1000), v_out=0.0, i_load=-1.0, v_drop=0.04))
    one.feed(block(0.13, master=False, n=500, v_in=3.0, v_out=0.0, i_load=0.8, v_drop=0.05))
    one.feed(block(0.195, master=True, v_in=12.8, v_out=12.4, i_load=3.5, v_drop=0.4))
    one.feed(block(0.325, master=False, v_in=12.8, v_out=12.4, i_load=3.5, v_drop=0.4))
    off = one.evidence.off
    assert off.span_s == pytest.approx(0.195)
    assert off.read_s == pytest.approx({"i_load": 0.13, "v_drop": 0.065})
    assert off.input_v == pytest.approx((5.0, 3.0))


def test_a_recording_tells_nothing_of_a_master_switch() -> None:
    one = watch()
    one.feed(block(master=None, v_in=12.8, v_out=0.0, i_load=3.5, v_drop=0.0))
    assert one.evidence.off == SwitchedOff()
    assert one.evidence.parted_s == one.evidence.not_shown_s == 0.0


@pytest.mark.parametrize(("v_out", "drop", "parted", "missed"), [
    (0.0, 0.96, True, False), (0.0, 0.78, True, False), (0.0, 0.75, True, True), (0.0, -0.06, True, True),
    (10.8, 0.1, True, True), (11.0, 0.1, False, False),
])  # fmt: skip
def test_an_open_contact_has_the_drop_beyond_its_range(v_out: float, drop: float, parted: bool, missed: bool) -> None:
    """12.8 V in, and a range of 0.96 V: beyond twice that it must show at least 0.8 of it."""
    one = watch()
    one.feed(block(master=True, v_in=12.8, v_out=v_out, i_load=0.0, v_drop=drop))
    assert (one.evidence.parted_s > 0.12, one.evidence.not_shown_s > 0.12) == (parted, missed)


def test_an_input_that_loses_its_voltage_under_a_closed_switch() -> None:
    """From when it had it, also at the end of a block and in all of the next; not where the lamps draw, which pull a weak supply down."""
    one = watch()
    before, after = np.full(400, 12.8), np.zeros(600)
    one.feed(block(master=True, v_in=np.concatenate((np.zeros(400), np.full(600, 12.8))), v_out=0.0, i_load=0.0))
    assert one.evidence.gone_s == 0.0, "it comes with the switch"
    one.feed(block(0.13, master=True, v_in=np.concatenate((before, after)), v_out=0.0, i_load=0.0))
    one.feed(block(0.26, master=True, v_in=0.0, v_out=0.0, i_load=0.0))
    one.feed(block(0.39, master=True, v_in=0.5, v_out=0.0, i_load=12.0))
    one.feed(block(0.52, master=True, v_in=np.concatenate((before, np.full(300, 1.7), np.full(300, 1.9))), v_out=0.0, i_load=0.0))
    one.feed(block(0.65, master=True, v_in=12.8, v_out=0.0, i_load=0.0))
    assert one.evidence.gone_s == pytest.approx((600 + 1000 + 300) * SCAN_S, abs=12 * SCAN_S)


@pytest.mark.parametrize("master", [False, None])
def test_an_input_that_goes_with_the_switch_or_with_nobody_knows_what(master: bool | None) -> None:
    """The last block of a closed switch may hold samples of after it was opened; a recording knows no switch."""
    one = watch()
    for begin_s, state in ((0.0, True if master is False else None), (0.13, master), (0.26, master)):
        one.feed(block(begin_s, master=state, v_in=np.where(np.arange(1000) < 500, 12.8, 0.0), v_out=0.0, i_load=0.0))
    one.feed(block(0.39, master=True if master is False else None, v_in=0.0, v_out=0.0, i_load=0.0))
    one.feed(block(0.52, master=True if master is False else None, v_in=0.0, v_out=0.0, i_load=0.0))
    assert one.evidence.gone_s == 0.0


def test_both_ranges_of_the_current_are_read_where_it_stands_still() -> None:
    """Not while it changes, below 0.6 A, or beyond 0.9 of the narrow range; blocks weigh as long as they are."""
    one = SupplyWatch(12.0, 0.24, fine_most_a=7.6)
    falls = np.linspace(30.0, 4.0, 50)
    for begin_s, n, wide in (
        (0.0, 1050, np.concatenate((falls, np.full(1000, 3.9)))),
        (0.2, 250, np.full(250, 4.4)),
        (0.3, 1000, np.full(1000, 0.3)),
        (0.5, 1000, np.full(1000, 7.2)),
    ):
        one.feed(block(begin_s, master=True, n=n, v_in=12.8, v_out=12.4, i_load=wide, i_load_low=0.9 * wide if wide[-1] < 7.0 else wide))
    wide_a, fine_a, seconds = one.evidence.both_a
    assert seconds == pytest.approx(1250 * SCAN_S, abs=6 * SCAN_S)
    assert wide_a == pytest.approx((1000 * 3.9 + 250 * 4.4) / 1250, abs=0.01)
    assert fine_a == pytest.approx(0.9 * wide_a, abs=1e-9)
