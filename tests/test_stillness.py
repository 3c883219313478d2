"""A board whose samples stand still, or show what nothing on the bench can do: its fault, never the unit's, never a PASS."""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TypeAlias

import numpy as np
import numpy.typing as npt
import pytest
from bench_port import BenchPort, bench_port, run_on, setup
from lying_board import Lie, LyingPort, channel, lying_port, repeating, sampled_while_on, without_noise
from test_commanded import nobody_is_judged

from bench.description import BoardDescription
from bench.files import procedure
from bench.judging import captures
from bench.outcome import Outcome
from bench.simboard.board import SimulatedBoard
from bench.simboard.faults import fault
from bench.simboard.rig import rig_description
from bench.simboard.units import nominal
from bench.simboard.world import World
from bench.stillness import Stillness
from bench.wire import SampleFrame, pack_samples

DESCRIPTION = rig_description(1)
FRAME_S = 160 * 26e-6


@pytest.mark.parametrize("frames", [1, 2, 40, 150])
@pytest.mark.parametrize("after", [0, 300, 900])
@pytest.mark.parametrize("kind", ["NC", "EL"])
def test_samples_that_come_again_are_the_boards_fault(kind: str, after: int, frames: int) -> None:
    """Whichever shows first that they are none: that they come again, or that the comparator goes on."""
    record = run_on(lying_port(sampled_while_on(repeating(frames), after=after), kind))  # type: ignore[arg-type]
    codes = {fault.code for fault in record.bench_faults}
    nobody_is_judged(record, "samples-still" if "samples-still" in codes else "comparator-against")


def test_they_are_in_precise_mode_too() -> None:
    lying = lying_port(sampled_while_on(repeating(), after=200))
    nobody_is_judged(run_on(lying, setup=setup(precise=True)), "samples-still")  # type: ignore[arg-type]


def test_a_short_stretch_of_them_spoils_a_test_that_goes_on() -> None:
    """0.4 s in the middle: a flash may have gone in it."""
    record = run_on(lying_port(sampled_while_on(repeating(), after=900, times=100)))  # type: ignore[arg-type]
    nobody_is_judged(record, "samples-still")


def test_a_frame_or_two_handed_over_twice_are_none() -> None:
    record = run_on(lying_port(sampled_while_on(repeating(), after=900, times=3)))  # type: ignore[arg-type]
    assert record.outcome is Outcome.GOOD


@pytest.mark.parametrize("kind", ["NC", "EL", "TC"])
def test_short_stretches_that_come_again_and_again_are_the_boards_fault(kind: str) -> None:
    """A tenth of a second of every third, which moves every edge that falls in it."""
    kept: list[bytes] = []
    n = 0

    def lie(frame: SampleFrame) -> SampleFrame:
        nonlocal n
        n += 1
        kept[(n - 1) % 80 :] = [frame.body] if (n - 1) % 80 < 2 else kept[(n - 1) % 80 :]
        return frame._replace(body=kept[n % 2]) if 2 <= (n - 1) % 80 < 26 else frame

    record = run_on(lying_port(sampled_while_on(lie), kind))  # type: ignore[arg-type]
    codes = {fault.code for fault in record.bench_faults}
    nobody_is_judged(record, "comparator-against" if "comparator-against" in codes else "samples-still")


def test_what_repeats_by_chance_on_a_coarse_board_is_no_stillness() -> None:
    """As many frames as at rest, however long it goes on."""
    stillness = Stillness(DESCRIPTION)
    for n in range(20_000):
        body = (n if n % 40 else 0).to_bytes(4, "big") * 60
        stillness.add(SampleFrame(n % 256, 160 * n, 3, 0x61 if n >= 200 else 0x60, 0, 0, body))
    assert stillness.still_s == 0.0


def test_a_capture_of_them_says_the_same(tmp_path: Path) -> None:
    capture = io.BytesIO()
    record = run_on(lying_port(sampled_while_on(repeating(), after=300)), capture=capture)  # type: ignore[arg-type]
    path = tmp_path / "still.capture"
    path.write_bytes(capture.getvalue())
    again = captures.judge_capture(path, setup(), procedure("quick"), when="2026-01-02", software="test")
    nobody_is_judged(again, "samples-still")
    assert again.bench_faults == record.bench_faults


# --- boards without noise


def dead_unit(kind: str, name: str) -> BenchPort:
    unit = fault(name).spoil_unit(nominal(kind))
    board = SimulatedBoard(World(unit, seed=1), unit_name=kind, find_unit=lambda fitted: "LINK" if fitted == "LINK" else unit)
    return BenchPort(board)


@pytest.mark.parametrize(("kind", "name"), [("NC", "heater-open"), ("EL", "output-open")])
def test_a_unit_that_stands_still_on_a_board_without_noise_is_told_from_a_board_that_does(kind: str, name: str) -> None:
    """Nothing changes for seconds, and that is the unit's doing: the input falls as the supply goes."""
    record = run_on(without_noise(dead_unit(kind, name)))
    assert record.outcome is run_on(dead_unit(kind, name)).outcome
    assert not record.bench_faults


@pytest.mark.parametrize("after", [60, 300, 900])
def test_a_board_without_noise_that_stands_still_shows_as_the_supply_goes(after: int) -> None:
    lying = LyingPort(without_noise(bench_port("NC")), sampled_while_on_ever_after(repeating(), after))
    record = run_on(lying)  # type: ignore[arg-type]
    nobody_is_judged(record, "board-contradicts")
    assert "stands still" in record.reason
    assert lying.bench.all_open


def sampled_while_on_ever_after(lie: Lie, after: int) -> Lie:
    """As `sampled_while_on`, and from then on whatever is switched."""
    begins = sampled_while_on(lambda frame: frame._replace(flags=frame.flags | 128), after=after)
    on = False

    def told(frame: object) -> object:
        nonlocal on
        if not isinstance(frame, SampleFrame):
            return frame
        on = on or bool(begins(frame).flags & 128)
        return lie(frame) if on else frame

    return told  # type: ignore[return-value]


@pytest.mark.parametrize("kind", ["NC", "EL", "HWh"])
def test_a_good_unit_on_a_board_without_noise_is_good(kind: str) -> None:
    record = run_on(without_noise(bench_port(kind)))
    assert record.outcome is Outcome.GOOD
    assert not record.bench_faults


# --- by hand


Counts: TypeAlias = int | npt.NDArray[np.int64]


def frame(k: int, counts: Counts, *, on: bool, state: int = 0x20) -> SampleFrame:
    return SampleFrame(k % 256, 160 * k, 3, state | on, 0, 0, pack_samples(np.full(160, counts)))


def still_s(rest: Sequence[Counts], on: Sequence[Counts], description: BoardDescription = DESCRIPTION, state: int = 0x20) -> float:
    """Of frames that hold one number each."""
    stillness = Stillness(description)
    for k, counts in enumerate(rest):
        stillness.add(frame(k, counts, on=False, state=state))
    for k, counts in enumerate(on):
        stillness.add(frame(len(rest) + k, counts, on=True, state=state))
    return stillness.still_s


SCATTERED = list(range(30))


def test_all_stretches_in_which_nothing_new_came_count() -> None:
    assert still_s(SCATTERED, [100, *[100] * 7, 101, *[101] * 3]) == pytest.approx(10 * FRAME_S)
    assert still_s(SCATTERED, [100, *[100] * 3, 101, *[101] * 7], state=0x30) == pytest.approx(10 * 4.0 * FRAME_S)


def test_what_comes_in_turn_comes_again() -> None:
    assert still_s(SCATTERED, [100 + k % 5 for k in range(65)]) == pytest.approx(60 * FRAME_S)
    assert still_s(SCATTERED, [100 + k % 700 for k in range(2000)]) == pytest.approx(1300 * FRAME_S), "a buffer of three seconds"


def test_what_came_longer_ago_than_is_remembered_is_new() -> None:
    assert still_s(SCATTERED, [many(k % 4090) for k in range(4095)]) == pytest.approx(5 * FRAME_S)
    assert still_s(SCATTERED, [many(k % 4100) for k in range(4200)]) == 0.0


def many(k: int) -> npt.NDArray[np.int64]:
    """Counts of a frame, for more frames than there are counts; none as at rest."""
    return np.tile((500 + k % 100, k // 100), 80)


def test_only_a_board_that_scatters_at_rest_and_says_so_is_charged() -> None:
    again = [100] * 100
    assert still_s(SCATTERED, again) > 0.4
    assert still_s(SCATTERED[:10], again) == 0.0, "not seen at rest for long enough"
    assert still_s([5] * 30, again) == 0.0, "the same at rest"
    channels = {
        name: replace(one, ranges=tuple(replace(r, noise=0.3 * r.scale) for r in one.ranges)) for name, one in DESCRIPTION.channels.items()
    }
    assert still_s(SCATTERED, again, replace(DESCRIPTION, channels=channels)) == 0.0, "less than half a count is stated"


# --- what nothing on the bench can do

ALWAYS: dict[str, tuple[Lie, str]] = {
    "drop at its lower end": (channel(2, lambda counts: 0 * counts), "drop-stuck"),
    "drop of a quarter of a volt": (channel(2, lambda counts: 0 * counts + 320), "drop-stuck"),
    "drop at its upper end": (channel(2, lambda counts: 0 * counts + 1023), "not-zero"),
    "drop halved": (channel(2, lambda counts: counts // 2), "drop-stuck"),
    "current at its lower end": (channel(3, lambda counts: 0 * counts), "not-zero"),
    "current half as much again": (channel(3, lambda counts: counts * 3 // 2), "not-zero"),
    "low current at its lower end": (channel(4, lambda counts: 0 * counts), "not-zero"),
    "input that is always there": (channel(0, lambda counts: 0 * counts + 715), "input-fed"),
    "standard that reads off": (channel(4, lambda counts: counts + 10 * (counts > 900)), "standard-off"),
}


@pytest.mark.parametrize("name", ALWAYS)
@pytest.mark.parametrize("kind", ["NC", "EL"])
def test_counts_that_no_bench_can_show_are_the_boards_fault(kind: str, name: str) -> None:
    lie, code = ALWAYS[name]
    nobody_is_judged(run_on(lying_port(lie, kind)), code)  # type: ignore[arg-type]
