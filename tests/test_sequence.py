"""The order of frames: gaps, wraps of the stamp, runs, frames that come late or again."""

from __future__ import annotations

from dataclasses import asdict

import pytest
from test_wire import event_at, samples_at

from bench.wire import (
    STAMP_MODULUS,
    EventFrame,
    EventKind,
    SequenceCount,
    Sequencer,
)


def test_a_run_in_order_has_no_gap() -> None:
    sequencer = Sequencer()
    placed = [sequencer.place(samples_at(160 * k, k)) for k in range(300)]
    assert [(p.stamp, p.lost_before, p.run) for p in placed if p] == [(160 * k, 0, 0) for k in range(300)]
    assert not any(asdict(sequencer.count).values())


@pytest.mark.parametrize("lost", [1, 5, 200])
def test_lost_frames_are_a_gap_of_known_length(lost: int) -> None:
    sequencer = Sequencer()
    sequencer.place(samples_at(0, 0))
    placed = sequencer.place(samples_at(160 * (lost + 1), lost + 1))
    assert placed is not None and placed.lost_before == 160 * lost
    assert sequencer.count.frames_missing == lost
    assert sequencer.count.samples_lost == 160 * lost


def test_stamps_are_unwrapped_across_many_wraps() -> None:
    sequencer = Sequencer()
    step = STAMP_MODULUS // 3 // 160 * 160
    stamps = [0]
    for k in range(12):
        stamps.append(stamps[-1] + step + 160 * k)
    placed = [sequencer.place(samples_at(s, k)) for k, s in enumerate(stamps)]
    assert [p.stamp for p in placed if p] == stamps


def test_a_wrap_in_mid_run_is_no_gap_and_a_late_event_stands_before_it() -> None:
    sequencer = Sequencer()
    begin = STAMP_MODULUS - 320
    assert sequencer.place(samples_at(begin, 0)).stamp == begin  # type: ignore[union-attr]
    for k in range(1, 4):
        placed = sequencer.place(samples_at(begin + 160 * k, k))
        assert placed is not None and (placed.stamp, placed.lost_before) == (begin + 160 * k, 0)
    event = sequencer.place(event_at(STAMP_MODULUS - 5, 4))
    assert event is not None and event.stamp == STAMP_MODULUS - 5 and event.timed


def test_a_new_run_begins_at_zero_and_counts_what_is_missing_before_its_first_frame() -> None:
    sequencer = Sequencer()
    sequencer.place(samples_at(1600, 0, run=1))
    switched = sequencer.place(event_at(3, 1, run=2))
    assert switched is not None and (switched.run, switched.stamp) == (1, 3)
    placed = sequencer.place(samples_at(320, 2, run=2))
    assert placed is not None and (placed.run, placed.stamp, placed.lost_before) == (1, 320, 320)


def test_duplicates_and_repeats_are_dropped_and_counted() -> None:
    sequencer = Sequencer()
    a, b, c = samples_at(0, 0), samples_at(160, 1), event_at(100, 2)
    kept = [sequencer.place(frame) for frame in (a, b, c, a, b, c, c, samples_at(320, 3))]
    assert [k is not None for k in kept] == [True, True, True, False, False, False, False, True]
    assert (sequencer.count.duplicates, sequencer.count.backwards) == (3, 1)
    assert sequencer.count.frames_missing == 0


def test_a_stamp_that_goes_back_is_damage() -> None:
    sequencer = Sequencer()
    sequencer.place(samples_at(16000, 0))
    assert sequencer.place(samples_at(15840, 1)) is None
    assert sequencer.count.backwards == 1


def test_short_runs_one_after_another_are_all_there() -> None:
    """The run number has two bits: a run that has the number of one before it, with a run between them lost, is no going back to that."""
    sequencer = Sequencer()
    placed = [sequencer.place(samples_at(0, n, run=run)) for n, run in enumerate((0, 1, 3, 0, 1))]
    assert [p.run for p in placed if p] == [0, 1, 2, 3, 4]
    assert sequencer.count == SequenceCount()


@pytest.mark.parametrize("back", [1, 2, 5])
def test_behind_stamps_that_went_back_stands_a_gap(back: int) -> None:
    """Prevents a start that is measured short by what a board's own count of samples went back."""
    sequencer = Sequencer()
    stamps = [160 * k for k in (*range(100), *range(100 - back, 110))]
    placed = [sequencer.place(samples_at(stamp, k % 256)) for k, stamp in enumerate(stamps)]
    assert [p.stamp for p in placed if p] == [160 * k for k in range(110)]
    assert [(p.stamp, p.lost_before) for p in placed if p and p.lost_before] == [(16000, 160 * back)]
    assert sequencer.count == SequenceCount(backwards=back, samples_lost=160 * back)


def test_an_old_frame_that_comes_late_makes_no_gap() -> None:
    sequencer = Sequencer()
    frames = [samples_at(160 * k, k) for k in range(9)]
    placed = [sequencer.place(frame) for frame in (*frames[:5], frames[2], *frames[5:])]
    assert [p.stamp for p in placed if p and not p.lost_before] == [160 * k for k in range(9)]
    assert sequencer.count == SequenceCount(backwards=1)


def test_a_start_of_the_board_begins_anew() -> None:
    sequencer = Sequencer()
    sequencer.place(samples_at(16000, 77, run=1))
    started = sequencer.place(EventFrame(0, 0, 0, 0, 0, 0, EventKind.STARTED, 4, 0, 0))
    assert started is not None and not started.timed and started.run == 1
    placed = sequencer.place(samples_at(0, 1, run=1))
    assert placed is not None and (placed.run, placed.stamp, placed.lost_before) == (2, 0, 0)
    # Every start looks the same, and none is the one before.
    again = sequencer.place(EventFrame(0, 0, 0, 0, 0, 0, EventKind.STARTED, 4, 0, 0))
    assert again is not None and again.run == 3
    assert (sequencer.count.frames_missing, sequencer.count.duplicates) == (0, 0)


def test_an_event_of_another_run_ends_none() -> None:
    sequencer = Sequencer()
    odd = [
        sequencer.place(frame)
        for frame in (samples_at(0, 0, run=1), event_at(70, 1, run=3), samples_at(160, 2, run=1), samples_at(320, 3, run=1))
    ]
    assert [(p.run, p.stamp, p.lost_before) for p in odd if p] == [(0, 0, 0), (1, 70, 0), (0, 160, 0), (0, 320, 0)]
    assert asdict(sequencer.count) == {
        "duplicates": 0, "backwards": 0, "frames_missing": 0, "samples_lost": 0, "frames_out_of_run": 1,
    }  # fmt: skip
    # The event of a run that does begin is one of it.
    sequencer.place(event_at(1, 4, run=2))
    assert sequencer.place(samples_at(0, 5, run=2)).run == 1  # type: ignore[union-attr]
    assert sequencer.count.frames_out_of_run == 1


@pytest.mark.parametrize("bits", [(2,), (2, 2), (3, 2)])
def test_samples_of_another_run_between_those_of_one_end_none(bits: tuple[int, ...]) -> None:
    sequencer = Sequencer()
    for k in range(5):
        sequencer.place(samples_at(160 * k, k, run=1))
    for k, run in enumerate(bits, 5):
        placed = sequencer.place(samples_at(160 * k, k, run=run))
        assert placed is not None and placed.run > 0
        assert sequencer.count.samples_lost == 0, "what a run lacks that may be none is not lost yet"
    k = 5 + len(bits)
    back = sequencer.place(samples_at(160 * k, k, run=1))
    assert back is not None and (back.run, back.stamp, back.lost_before) == (0, 160 * k, 160 * len(bits))
    assert (sequencer.count.samples_lost, sequencer.count.frames_out_of_run) == (160 * len(bits), len(bits))


def test_three_frames_in_a_row_are_a_run() -> None:
    sequencer = Sequencer()
    sequencer.place(samples_at(0, 0, run=1))
    for k in range(3):
        sequencer.place(samples_at(1600 + 160 * k, 1 + k, run=2))
    assert sequencer.count.samples_lost == 1600
    placed = sequencer.place(samples_at(3200, 4, run=1))
    assert placed is not None and (placed.run, sequencer.count.frames_out_of_run) == (2, 0)


def test_an_event_while_idle_is_not_timed() -> None:
    placed = Sequencer().place(event_at(0, 0, state=0x01))
    assert placed is not None and not placed.timed
    stopped = Sequencer().place(event_at(999, 0, kind=EventKind.STOPPED, state=0x01))
    assert stopped is not None and stopped.timed
