"""The firmware's core on this computer: switches, samples and their time, the comparator, and what opens everything."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

import numpy as np
import pytest
import vectors
from firmware_host import CLOCK_HZ, Channel, HostBoard
from hypothesis import given, settings
from hypothesis import strategies as st

from bench.description import parse_description, scan_plan
from bench.wire import (
    SAMPLES_PER_FRAME,
    STAMP_MODULUS,
    EventFrame,
    EventKind,
    ResetCause,
    SampleFrame,
    encode_event,
    encode_reply,
    unpack_samples,
)

SAMPLE_S = 416 / CLOCK_HZ


@pytest.fixture
def board() -> Iterator[HostBoard]:
    with HostBoard() as made:
        made.run(0.01)
        yield made


# --- switches, samples, time ---


def test_it_starts_open_and_says_why(board: HostBoard) -> None:
    (started,) = board.events
    assert started == EventFrame(0, 0, 0, 0, 0, 0, EventKind.STARTED, ResetCause.POW, 0, 0)
    assert board.raw[0] == 0 and board.raw[1:] == encode_event(started)
    assert board.switched == []
    assert board.ask("SYST:CAUS?") == "NONE,POW"


def test_switching_is_one_event_with_what_was_before(board: HostBoard) -> None:
    board.events.clear()
    board.do("ROUT:CLOS (@1,2)", "ROUT:CLOS (@1,2)", "OUTP OFF", "OUTP ON", "*RST")
    assert [(e.kind, e.closed_loads, e.master, e.value) for e in board.events] == [
        (EventKind.SWITCHED, frozenset({1, 2}), False, 0),
        (EventKind.SWITCHED, frozenset({1, 2}), True, 3),
        (EventKind.SWITCHED, frozenset(), False, 0x103),
    ]
    both = frozenset({1, 2})
    assert [(s.master, s.loads) for s in board.switched] == [(False, both), (True, both), (False, frozenset())]


def test_zero_bytes_stand_where_the_page_says(board: HostBoard) -> None:
    board.raw = b""
    board.do("ROUT:CLOS (@1)")
    first, second = encode_event(board.events[-1]), encode_reply('0,"No error"')
    assert board.raw == first + second
    board.raw = b""
    board.do("ROUT:OPEN (@1)")
    assert board.raw == b"\0" + encode_event(board.events[-1]) + second


def test_every_channel_stands_where_the_plan_says(board: HostBoard) -> None:
    """Each input has its own count, and the converter takes it as the data sheet says: two conversions after it was selected."""
    for channel in Channel:
        board.set(channel, 100 + channel)
    board.do("INIT")
    board.run(0.05)
    counts = unpack_samples([frame.body for frame in board.frames]).ravel()
    plan = scan_plan(parse_description(vectors.description_lines()))
    assert len(counts) > 1600
    for name, positions in plan.items():
        wanted = 100 + Channel[name.upper()]
        assert set(counts[: len(counts) // 320 * 320].reshape(-1, 320)[:, positions].ravel().tolist()) == {wanted}, name


@pytest.mark.parametrize("turn", [400, 8_000, 16_000])
def test_a_run_is_whole_and_in_order(turn: int) -> None:
    """Also with a main loop that comes round only once a millisecond."""
    with HostBoard(turn=turn) as board:
        board.run(0.01)
        board.do("INIT")
        board.hold(1.0)
        board.do("ABOR")
        board.run(0.02)
        (stopped,) = board.of_kind(EventKind.STOPPED)
        stamps = [frame.stamp for frame in board.frames]
        assert stamps == [SAMPLES_PER_FRAME * k for k in range(len(stamps))]
        assert len(stamps) > 230
        assert stamps[-1] + SAMPLES_PER_FRAME <= stopped.stamp < stamps[-1] + 2 * SAMPLES_PER_FRAME
        assert not stopped.sampling and stopped.ticks == 0
        assert board.order.index(stopped) > board.order.index(board.frames[-1])
        assert all(frame.flags == 0 and frame.sampling and frame.run == 1 for frame in board.frames)
        received = len(board.frames)
        board.run(0.1)
        assert len(board.frames) == received
        assert board.sequencer.count.frames_missing == 0


def test_the_end_of_a_run_counts_the_samples_taken() -> None:
    """At whatever part of a sample it stops: at 160 the first frame is full, and a later end never counts less. Each space before the
    command is 10 us; 13 of them come to every 2 us of a sample."""
    with HostBoard(turn=0) as board:

        def stop_after(seconds: float, spaces: int) -> tuple[int, int]:
            board.frames.clear()
            board.events.clear()
            board.send("INIT")
            board.run(seconds)
            board.send(" " * spaces + "ABOR")
            board.run(0.006)
            (stopped,) = board.of_kind(EventKind.STOPPED)
            return stopped.stamp, len(board.frames)

        samples, _ = stop_after(0.0035, 0)
        first_s = 0.0035 + (SAMPLES_PER_FRAME - 4 - samples) * 26e-6
        ends = [stop_after(first_s, spaces) for spaces in range(26)]
        stamps = [stamp for stamp, _ in ends]
        assert stamps == sorted(stamps)
        assert {SAMPLES_PER_FRAME - 1, SAMPLES_PER_FRAME, SAMPLES_PER_FRAME + 1} <= set(stamps)
        assert all(frames == stamp // SAMPLES_PER_FRAME for stamp, frames in ends)


@pytest.mark.parametrize("phase", range(12))
def test_the_end_of_a_run_comes_behind_its_frames(phase: int) -> None:
    """Also where the main loop has fallen behind."""
    with HostBoard(turn=72_000) as board:
        board.run(0.01)
        board.send("INIT")
        board.run(0.08 + 0.0013 * phase)
        board.send("ABOR", "INIT")
        board.run(0.05)
        runs = [item.run for item in board.order if isinstance(item, (SampleFrame, EventFrame)) and item.run]
        assert runs == sorted(runs)
        (stopped,) = board.of_kind(EventKind.STOPPED)
        before = board.order[: board.order.index(stopped)]
        assert [f.stamp for f in board.frames if f.run == 1] == [f.stamp for f in before if isinstance(f, SampleFrame)]


def test_no_event_is_lost_when_many_lines_come_at_once(board: HostBoard) -> None:
    board.do("INIT")
    board.run(0.01)
    board.events.clear()
    board.send(*[f"OUTP {n % 2}" for n in range(1, 17)])
    board.run(0.05)
    assert [event.master for event in board.of_kind(EventKind.SWITCHED)] == [True, False] * 8
    assert board.error() == 0


def test_precise_mode_and_runs_in_a_row(board: HostBoard) -> None:
    board.do("SENS:MODE PREC", "SENS:VOLT:RANG 12")
    assert board.voltage_range() == 1
    for run in (1, 2, 3, 0, 1):
        board.frames.clear()
        board.send("INIT")
        board.run(0.1)
        assert [frame.stamp for frame in board.frames] == [160 * k for k in range(len(board.frames))]
        assert len(board.frames) == 5
        assert all(frame.precise and frame.run == run and frame.range_number == 1 for frame in board.frames)
        board.send("ABOR", "INIT", "ABOR")
        board.run(0.03)
        board.send("INIT", "ABOR", "INIT", "ABOR", "INIT", "ABOR")
        board.run(0.05)
        assert board.order[-1] == board.events[-1]
    assert board.error() == 0


def test_too_slow_a_main_loop_loses_whole_frames() -> None:
    """160 samples go at a time, and the next frame says so."""
    with HostBoard(turn=160_000) as board:
        board.run(0.05)
        board.send("INIT")
        board.run(0.3)
        lost = [later.stamp - frame.stamp > 160 for frame, later in pairwise(board.frames)]
        assert any(lost)
        assert all((later.stamp - frame.stamp) % 160 == 0 for frame, later in pairwise(board.frames))
        assert [frame.samples_lost for frame in board.frames[1:]] == lost


@pytest.mark.parametrize("mode", ["FAST", "PREC"])
@pytest.mark.parametrize("missed", [1, 2, 5, 159, 160, 161, 400])
def test_no_missed_conversion_passes_silently(board: HostBoard, mode: str, missed: int) -> None:
    """What was sampled around it is given up; what comes then is in its place, and says that something is missing."""
    for channel in Channel:
        board.set(channel, 100 + channel)
    board.do(f"SENS:MODE {mode}", "INIT")
    period_s = SAMPLE_S * (4 if mode == "PREC" else 1)
    for k in range(8):
        board.miss(missed, (0.3 + 37.21 * k) * period_s)
        board.hold(1500 * period_s)
    assert 8 <= sum(frame.samples_lost for frame in board.frames) <= 16
    wanted = np.full(320, 0)
    for name, positions in scan_plan(parse_description(vectors.description_lines())).items():
        wanted[positions] = 100 + Channel[name.upper()]
    for frame in board.frames:
        assert np.array_equal(unpack_samples([frame.body])[0], np.roll(wanted, -frame.stamp)[:160]), frame.stamp
    stamp = int(board.ask("SYST:STAM?").split(",")[0])
    assert stamp - 1000 < board.frames[-1].stamp < stamp


@pytest.mark.parametrize("seed", range(3))
def test_frames_and_events_agree_about_the_switches(seed: int) -> None:
    """Every frame shows the switches as the events before its stamp have left them, whatever the moment."""
    rng = np.random.default_rng(seed)
    with HostBoard(turn=int(rng.integers(200, 4000))) as board:
        board.run(0.01)
        board.send("INIT")
        board.run(0.005)
        for _ in range(120):
            board.send(f"OUTP {rng.integers(2)}", f"ROUT:{'CLOS' if rng.random() < 0.5 else 'OPEN'} (@{rng.integers(1, 9)})")
            board.run(float(rng.uniform(0.001, 0.006)))
        board.run(0.02)
        events = [(e.stamp, e.closed_loads, e.master) for e in board.of_kind(EventKind.SWITCHED)]
        assert len(events) > 100
        for frame in board.frames:
            before = [(loads, master) for stamp, loads, master in events if stamp < frame.stamp]
            loads, master = before[-1] if before else (frozenset(), False)
            assert (frame.closed_loads, frame.master) == (loads, master), frame.stamp
        assert board.error() == 0


def test_stamps_go_on_over_the_wrap() -> None:
    first = STAMP_MODULUS - 320
    with HostBoard(first_stamp=first) as board:
        board.run(0.01)
        board.do("INIT")
        board.hold(0.1)
        assert [frame.stamp for frame in board.frames] == [(first + 160 * k) % STAMP_MODULUS for k in range(len(board.frames))]
        assert int(board.ask("SYST:STAM?").split(",")[0]) < 10_000
        board.events.clear()
        board.do("ROUT:CLOS (@1)")
        assert 0 < board.events[0].stamp < 10_000


def test_time_goes_on_for_long(board: HostBoard) -> None:
    """Stamps go with the clock to within a few of its periods, over more than a wrap of the hardware's 32-bit count of them (268 s)."""
    board.do("SENS:MODE PREC", "INIT")
    offsets = []
    for k in range(4):
        board.set_turn(400)
        board.run(0.05)
        board.events.clear()
        board.set_comparator(k % 2 == 0, 0.001)
        edge = board.clock + round(0.001 * CLOCK_HZ)
        board.run(0.05)
        (burst,) = board.of_kind(EventKind.BURST)
        offsets.append(edge - burst.stamp * 1664 - burst.ticks)
        board.set_turn(4_000_000)
        board.run(100.0)
    assert max(offsets) - min(offsets) < 16


# --- comparator ---


def test_a_burst_is_one_event_at_its_first_change(board: HostBoard) -> None:
    board.do("INIT")
    board.run(0.03)
    board.events.clear()
    stamp, ticks = map(int, board.ask("SYST:STAM?").split(","))
    begin = board.clock / CLOCK_HZ
    board.run(0.002)
    asked = board.clock / CLOCK_HZ - begin
    for k, t in enumerate((0.010, 0.0101, 0.0102, 0.0150, 0.0151)):
        board.set_comparator(k % 2 == 0, t)
    board.set_comparator(False, 0.080)
    board.run(0.15)
    high, low = board.of_kind(EventKind.BURST)
    assert (high.reason, high.value, high.comparator) == (1, 5, True)
    assert (low.reason, low.value, low.comparator) == (0, 1, False)
    apart = (low.stamp - high.stamp) * 416 + low.ticks - high.ticks
    assert apart == round(0.070 * CLOCK_HZ)
    assert (high.stamp - stamp) * SAMPLE_S == pytest.approx(0.010 + asked, abs=0.003)
    assert sum(f.edges for f in board.frames) + sum(e.edges for e in board.events) == 6
    assert 0 <= ticks < 416


def test_bursts_count_only_while_sampling(board: HostBoard) -> None:
    board.set_comparator(True, 0.001)
    board.run(0.05)
    board.set_comparator(False, 0.001)
    board.run(0.003)
    board.do("INIT")
    board.run(0.05)
    assert board.of_kind(EventKind.BURST) == []
    assert sum(f.edges for f in board.frames) + sum(e.edges for e in board.events) == 2
    board.set_comparator(True, 0.001)
    board.run(0.005)
    board.do("ABOR")
    board.run(0.05)
    assert board.of_kind(EventKind.BURST) == []


@given(st.lists(st.floats(0.00002, 0.04), min_size=1, max_size=40))
@settings(max_examples=25)
def test_every_change_is_counted_once(gaps: list[float]) -> None:
    """In frames and in bursts; a burst ends with the first gap of 20 ms, give or take the main loop's turn."""
    with HostBoard() as board:
        board.run(0.01)
        board.send("INIT")
        board.run(0.01)
        t = 0.0
        for k, gap in enumerate(gaps):
            t += gap
            board.set_comparator(k % 2 == 0, t)
        board.run(t + 0.05)
        assert sum(f.edges for f in board.frames) + sum(e.edges for e in board.events) == len(gaps)
        bursts = board.of_kind(EventKind.BURST)
        assert sum(burst.value for burst in bursts) == len(gaps)
        sure, perhaps = (1 + sum(gap >= limit for gap in gaps[1:]) for limit in (0.0205, 0.0195))
        assert sure <= len(bursts) <= perhaps
