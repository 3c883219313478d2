"""A board whose comparator stands against its samples: what it shows of the output is not proved, so no unit is charged or passed."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pytest
from bench_port import BenchPort, bench_port, run_on, setup
from lying_board import Lie, LyingPort, lying_port
from test_commanded import nobody_is_judged

from bench.comparator import ComparatorWatch
from bench.outcome import Outcome
from bench.samples import Block, Trace
from bench.simboard.board import SimulatedBoard
from bench.simboard.faults import fault
from bench.simboard.units import nominal
from bench.simboard.world import World
from bench.wire import EventFrame, SampleFrame, pack_samples, unpack_samples

HIGH = 4
FRAME_S = 160 * 26e-6


def flagged(told: Callable[[int, bool], bool]) -> Lie:
    """Sample frames whose comparator is `told` of their number and what it was."""
    n = 0

    def lie(frame: SampleFrame | EventFrame) -> SampleFrame | EventFrame:
        nonlocal n
        if not isinstance(frame, SampleFrame):
            return frame
        n += 1
        return frame._replace(flags=frame.flags & ~HIGH | HIGH * told(n, frame.comparator))

    return lie


@pytest.mark.parametrize("precise", [False, True])
@pytest.mark.parametrize("told", [lambda n, high: not high, lambda n, high: False, lambda n, high: True])
def test_a_comparator_that_says_otherwise_is_the_boards_fault(told: Callable[[int, bool], bool], precise: bool) -> None:
    record = run_on(lying_port(flagged(told)), setup=setup(precise=precise))  # type: ignore[arg-type]
    nobody_is_judged(record, "comparator-against")


def test_two_readings_in_ten_that_were_disturbed_are_none() -> None:
    record = run_on(lying_port(flagged(lambda n, high: high ^ (n % 10 < 2))))  # type: ignore[arg-type]
    assert record.outcome is Outcome.GOOD
    assert not record.bench_faults


def shown(lit: Callable[[SampleFrame, npt.NDArray[np.bool_]], npt.NDArray[np.bool_]]) -> Lie:
    """All of output, drop and currents as if the unit were `lit` in these scans of five; header and comparator are left as they are."""
    rng = np.random.default_rng(1)
    last: dict[int, npt.NDArray[np.int64]] = {}

    def lie(frame: SampleFrame | EventFrame) -> SampleFrame | EventFrame:
        if not (isinstance(frame, SampleFrame) and frame.master):
            return frame
        scans = unpack_samples([frame.body])[0].astype(np.int64).reshape(32, 5)
        is_low_current = (frame.stamp // 5 + np.arange(32)) % 2 == 0
        was = scans[:, 1] > 150
        for parity in (0, 1):
            seen = scans[was & (is_low_current == (parity == 0))]
            if len(seen):
                last[parity] = seen[-1]
        wanted = lit(frame, was)
        for row, low, now, then in zip(scans, is_low_current, wanted, was, strict=True):
            if now and not then and len(last) == 2:
                row[:4] = np.clip(last[0][:4] + rng.integers(-1, 2, 4), 0, 1023)
                if low:
                    row[4] = last[0][4]
            elif then and not now:
                row[1:4] = 0, 1023, 64 + rng.integers(-1, 2)
                if low:
                    row[4] = 64 + rng.integers(-1, 2)
        return frame._replace(body=pack_samples(scans.reshape(-1)))

    return lie


def flashing(frame: SampleFrame, was: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    """Ninety flashes a minute, lit from the start."""
    t_s = (frame.stamp + 5 * np.arange(32)) * 26e-6 - 0.6
    return np.asarray((t_s * 1.5) % 1.0 < 0.6)


def welded(kind: str) -> BenchPort:
    unit = fault("contact-welded").spoil_unit(nominal(kind))
    return BenchPort(SimulatedBoard(World(unit, seed=1), unit_name=kind))


def test_a_welded_unit_that_is_shown_flashing_is_not_passed() -> None:
    nobody_is_judged(run_on(LyingPort(welded("NC"), shown(flashing))), "comparator-against")  # type: ignore[arg-type]


@pytest.mark.parametrize("kind", ["HWp", "EL"])
def test_a_good_unit_of_which_a_flash_is_not_shown_is_not_charged(kind: str) -> None:
    """Prevents "rejected: a missed flash" where the samples alone missed it."""
    lie = shown(lambda frame, was: was & (not 5.0 < frame.stamp * 26e-6 < 5.8))
    nobody_is_judged(run_on(lying_port(lie, kind)), "comparator-against")  # type: ignore[arg-type]


@pytest.mark.parametrize("kind", ["NC", "HWp", "EL", "TC"])
def test_an_honest_board_is_none(kind: str) -> None:
    assert not run_on(bench_port(kind)).bench_faults


# --- by hand


def block(levels: list[float], high: list[bool], *, begin: int = 0, gap: bool = False, supply_v: float = 12.0, every: int = 5) -> Block:
    """Frames of one output level each, as parts of the input, sampled every so many samples."""
    n = 160 * len(levels)
    t_in, t_out = (np.arange(first, n, every, dtype=np.float64) * 26e-6 + begin * FRAME_S for first in (0, 1))
    v_out = supply_v * np.repeat(np.array(levels, np.float64), 160)[1::every]
    traces = {"v_in": Trace(t_in, np.full(len(t_in), supply_v)), "v_out": Trace(t_out, v_out)}
    return Block(begin * FRAME_S, (begin + len(levels)) * FRAME_S, traces, gap, True, tuple(high))


def against_s(*blocks: Block) -> float:
    watch = ComparatorWatch()
    for one in blocks:
        watch.feed(one)
    return watch.against_s


LIT, DARK, HALF = 0.97, 0.01, 0.5


@pytest.mark.parametrize("level", [LIT, DARK])
def test_how_long_it_stood_against_the_samples_is_the_longest_stretch(level: float) -> None:
    right, wrong = level == LIT, level != LIT
    assert against_s(block([level] * 9, [right, *[wrong] * 5, right, *[wrong] * 2])) == pytest.approx(5 * FRAME_S)
    assert against_s(block([level] * 9, [right] * 9)) == 0.0


def test_less_than_three_frames_say_nothing() -> None:
    assert against_s(block([LIT] * 9, [True, False, False] * 3)) == 0.0
    assert against_s(block([LIT] * 9, [True, False, False, False, *[True] * 5])) == pytest.approx(3 * FRAME_S)


def test_only_between_two_frames_of_one_side_it_can_stand_on_no_other() -> None:
    """As an edge lies in the frame before, or in this one, either may be right."""
    assert against_s(block([LIT, DARK] * 8, [True, False] * 8)) == 0.0
    assert against_s(block([LIT, DARK] * 8, [False, True] * 8)) == 0.0


@pytest.mark.parametrize("level", [HALF, 0.36, 0.64])
def test_about_half_the_input_it_may_stand_on_either_side(level: float) -> None:
    assert against_s(block([level] * 9, [False] * 9)) == against_s(block([level] * 9, [True] * 9)) == 0.0


@pytest.mark.parametrize(("level", "high"), [(0.34, True), (0.66, False)])
def test_beyond_that_it_may_not(level: float, high: bool) -> None:
    assert against_s(block([level] * 9, [high] * 9)) == pytest.approx(8 * FRAME_S)


def test_without_supply_half_the_input_is_not_its_level() -> None:
    assert against_s(block([LIT] * 9, [False] * 9, supply_v=3.9)) == 0.0
    assert against_s(block([LIT] * 9, [False] * 9, supply_v=4.1)) > 0.0


def test_one_stretch_goes_on_from_block_to_block_but_not_over_a_gap() -> None:
    first = block([LIT] * 2, [True, False])
    assert against_s(first, block([LIT] * 2, [False] * 2, begin=2)) == pytest.approx(3 * FRAME_S)
    assert against_s(first, block([LIT] * 2, [False] * 2, begin=9, gap=True)) == 0.0


def test_frames_without_a_sample_of_the_output_say_nothing() -> None:
    """A board may sample it only every second frame, or more rarely."""
    assert against_s(block([LIT] * 9, [False] * 9, every=320)) == 0.0
    assert against_s(block([LIT] * 9, [False] * 9, every=160)) == pytest.approx(8 * FRAME_S)


def test_a_recording_and_a_board_without_the_output_have_nothing_to_compare() -> None:
    one = block([LIT] * 9, [False] * 9)
    assert against_s(replace(one, comparator=())) == 0.0
    assert against_s(replace(one, traces={"v_in": one.traces["v_in"]})) == 0.0
