"""The board's clock found from stamps and late arrivals."""

from __future__ import annotations

import random
from collections.abc import Callable

import pytest

from bench.clock import BELIEVED, HOST_HALF_WIDTH, ClockComparison, ClockEstimate
from bench.uncertainty import rectangular


def compared(error: float, *, seconds: float, runs: int = 1, seed: int = 1, late_s: float = 2e-3) -> ClockEstimate:
    """A board whose nominal seconds are too short by `error`, its frames arriving up to late_s late, never early."""
    rng = random.Random(seed)
    comparison = ClockComparison(0.005)
    host = 100.0
    for _ in range(runs):
        comparison.begin_run()
        frames = int(seconds / 4.16e-3)
        for k in range(frames):
            board_s = k * 4.16e-3
            comparison.add(board_s, host + board_s * (1.0 + error) + rng.uniform(0.0, late_s))
        host += 2.0 * seconds
    return comparison.estimate()


@pytest.mark.parametrize("error", [-0.005, -1e-4, 0.0, 0.003])
def test_the_error_is_found_within_its_uncertainty(error: float) -> None:
    estimate = compared(error, seconds=20.0)
    assert estimate.corrected
    fit = estimate.parts[0]
    assert abs(estimate.rel_error - error) < 4.0 * fit.u
    assert fit.u < 1e-5
    # Half a flash a minute is the board's own tolerance; asked is 0.05 of 90.
    assert estimate.u < 0.05 / 90.0 / 2.0


def test_the_hosts_own_clock_is_in_the_budget() -> None:
    parts = {part.source: part for part in compared(0.001, seconds=60.0).parts}
    assert parts["host's clock"].u == rectangular(HOST_HALF_WIDTH)
    assert parts["host's clock"].shape == "rectangular"


def test_a_short_look_corrects_nothing_and_says_so() -> None:
    estimate = compared(0.004, seconds=2.0)
    assert not estimate.corrected
    assert estimate.rel_error == 0.0
    assert estimate.u == rectangular(0.005)
    assert "not corrected" in estimate.text


def test_runs_of_one_board_add_up_although_each_starts_its_stamps_anew() -> None:
    one, three = compared(0.002, seconds=8.0), compared(0.002, seconds=8.0, runs=3)
    assert three.parts[0].u < one.parts[0].u
    assert abs(three.rel_error - 0.002) < 4.0 * three.parts[0].u


def test_memory_is_bounded_over_a_day_and_the_estimate_only_gets_better() -> None:
    comparison = ClockComparison(0.005)
    comparison.begin_run()
    rng = random.Random(3)
    for k in range(86_400):
        comparison.add(float(k), 5.0 + k * 1.0001 + rng.uniform(0.0, 1e-3))
    assert len(comparison._least) <= 512
    assert comparison.estimate().rel_error == pytest.approx(1e-4, abs=1e-7)


def test_the_coverage_of_the_fit_is_what_it_says() -> None:
    held = 0
    for seed in range(200):
        estimate = compared(0.001, seconds=14.0, seed=seed)
        fit = estimate.parts[0]
        held += abs(estimate.rel_error - 0.001) <= 2.2 * fit.u
    assert 180 <= held <= 200


# --- what the board answers bounds its clock, however late frames are

FRAME_S = 4.16e-3
START_S = 100.0


def asked(
    error: float | Callable[[float], float],
    *,
    seconds: float,
    late: Callable[[float], float] = lambda host_s: 1e-3,
    answer_s: float = 0.02,
    half_width: float = 0.005,
) -> ClockEstimate:
    """A board that is asked for its stamp once a second. `error` of its clock may change with the host's time since the start, as may the
    time by which frames are late; an answer comes after `answer_s`, its stamp is of the middle of that."""
    rate = error if callable(error) else lambda host_s: error
    comparison = ClockComparison(half_width)
    comparison.begin_run()
    board_s = arrived_s = host_s = 0.0
    ask_s = 0.1
    while host_s < seconds:
        board_s += FRAME_S
        host_s += FRAME_S * (1.0 + rate(host_s))
        arrived_s = max(arrived_s, host_s + late(host_s))
        comparison.add(board_s, START_S + arrived_s)
        if host_s >= ask_s:
            comparison.bracket(board_s, START_S + host_s - answer_s / 2.0, START_S + host_s + answer_s / 2.0)
            ask_s += 1.0
    return comparison.estimate()


@pytest.mark.parametrize("error", [-0.6, -0.2, -0.05, -0.025, 0.025, 0.05, 0.2, 0.5, 2.0])
def test_a_clock_far_beyond_its_tolerance_is_a_fault_and_nothing_is_corrected(error: float) -> None:
    for seconds in (6.0, 20.0):
        estimate = asked(error, seconds=seconds)
        assert estimate.wrong and not estimate.corrected
        assert ("at least" if error > 0.0 else "at most") in estimate.wrong
        assert estimate.u * 3.0**0.5 > 0.9 * min(abs(error), 1.0)


def test_what_is_said_of_it_is_what_was_seen() -> None:
    """From the first frame, in the host's hands after 7 ms, to the last question, sent 10 ms before 10.10 s: the pair of bounds furthest
    apart shows it best."""
    wrong = asked(0.5, seconds=10.15).wrong
    assert wrong == "what the board's stamps call 6.73 s took at least 10.09 s by this computer's clock"


@pytest.mark.parametrize("error", [-0.012, -0.007, 0.007, 0.012])
def test_a_clock_a_little_beyond_its_tolerance_is_corrected(error: float) -> None:
    estimate = asked(error, seconds=12.0)
    assert estimate.corrected and not estimate.wrong
    assert estimate.rel_error == pytest.approx(error, abs=1e-5)


@pytest.mark.parametrize("error", [-0.014, -0.004, 0.0, 0.004, 0.014])
@pytest.mark.parametrize("seconds", [0.5, 1.5, 2.5, 3.0])
def test_a_short_run_states_what_it_could_not_exclude(error: float, seconds: float) -> None:
    estimate = asked(error, seconds=seconds)
    assert not estimate.corrected and not estimate.wrong
    assert estimate.u * 3.0**0.5 >= abs(error) * 0.999
    assert estimate.u >= rectangular(0.005)


def test_a_short_run_on_a_quick_board_states_its_own_tolerance() -> None:
    estimate = asked(0.001, seconds=3.0, answer_s=1e-4)
    assert [part.source for part in estimate.parts] == ["board's clock (its own tolerance)"]


def stall(host_s: float) -> float:
    """Nothing comes between 3 and 6 s, then all at once."""
    return 6.0 - host_s if 3.0 < host_s < 6.0 else 1e-3


@pytest.mark.parametrize(
    "late",
    [
        stall,
        lambda host_s: 0.05 * host_s,  # a line that falls behind more and more
        lambda host_s: 0.5 if host_s > 4.0 else 0.0,  # a buffer that has filled up for good
        lambda host_s: max(0.0, 7.0 - host_s) if host_s > 4.5 else 0.0,
        lambda host_s: 0.3 * (int(host_s * 7.0) % 3),
    ],
)
def test_late_frames_are_no_fault_of_the_clock_and_the_truth_is_covered(late: Callable[[float], float]) -> None:
    for error in (-0.004, 0.0, 0.004):
        estimate = asked(error, seconds=9.5, late=late)
        assert not estimate.wrong
        assert abs(estimate.rel_error - error) <= 2.0 * 3.0**0.5 * estimate.u


@pytest.mark.parametrize("steps", [(0.0, 0.1), (0.1, -0.1), (-0.05, 0.05)])
def test_a_clock_that_steps_is_a_fault_though_it_is_right_in_the_mean(steps: tuple[float, float]) -> None:
    estimate = asked(lambda host_s: steps[host_s > 6.0], seconds=12.0)
    assert estimate.wrong


def test_a_clock_that_stands_still_is_a_fault() -> None:
    comparison = ClockComparison(0.005)
    comparison.begin_run()
    comparison.bracket(4.0, 100.0, 100.01)
    assert not comparison.estimate().wrong
    comparison.bracket(4.0, 101.0, 101.01)
    assert comparison.estimate().wrong


def test_a_clock_that_drifts_within_what_is_believed_is_known_less_well() -> None:
    steady = asked(0.002, seconds=20.0)
    drifting = asked(lambda host_s: 0.002 + 0.004 * (host_s / 20.0 - 0.5), seconds=20.0)
    assert not drifting.wrong
    assert drifting.rel_error == pytest.approx(0.002, abs=2e-4)
    assert drifting.u * 3.0**0.5 > 0.0015 > 10.0 * steady.u


def test_frames_alone_show_a_clock_that_is_far_off() -> None:
    """Captures of before the board was asked for its stamps."""
    assert compared(0.5, seconds=8.0).wrong
    assert compared(-0.3, seconds=8.0).wrong
    assert not compared(0.012, seconds=8.0).wrong


def test_a_board_with_a_crystal_is_believed_beside_a_host_that_is_being_set() -> None:
    for error in (-5e-4, 5e-4):
        estimate = asked(error, seconds=60.0, half_width=5e-5)
        assert not estimate.wrong
        assert estimate.u * 3.0**0.5 >= abs(error)
    assert asked(0.002, seconds=60.0, half_width=5e-5, answer_s=4e-3).wrong


def test_answers_are_kept_in_bounded_memory_and_the_first_stays() -> None:
    comparison = ClockComparison(0.005)
    comparison.begin_run()
    for k in range(5000):
        comparison.bracket(float(k), 10.0 + 1.5 * k, 10.01 + 1.5 * k)
    assert len(comparison._asked) <= 256
    assert comparison._asked[0][1] == 0.0
    assert comparison.estimate().wrong
    assert BELIEVED * 0.005 < 0.5


@pytest.mark.parametrize(("off_s", "wrong"), [(1.5e-3, False), (-1.5e-3, False), (3e-3, True), (-3e-3, True)])
def test_a_stamp_may_be_two_milliseconds_beside_its_answer(off_s: float, wrong: bool) -> None:
    """A second after the first question; a board that states no error at all is believed to 500 parts in a million."""
    comparison = ClockComparison(0.0)
    comparison.begin_run()
    comparison.bracket(0.0, 100.0, 100.0)
    comparison.bracket(1.0, 101.0 + off_s, 101.0 + off_s)
    assert bool(comparison.estimate().wrong) == wrong


def test_a_line_that_the_answers_exclude_corrects_nothing() -> None:
    """Frames fall behind by 0.4 % and look like a clock that is slow by as much; the answers know it to 0.02 %."""
    estimate = asked(0.0, seconds=20.0, late=lambda host_s: 0.004 * host_s, answer_s=1e-3)
    assert not estimate.corrected and not estimate.wrong
    assert estimate.u == rectangular(0.005)
