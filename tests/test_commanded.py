"""A board whose frames show another state than the one that it was told and has confirmed: its fault, never the unit's, never a PASS."""

from __future__ import annotations

import io
from pathlib import Path

import pytest
from bench_port import bench_port, run_on, setup
from lying_board import Lie, lying_port, sampled_while_on

from bench.board.commanded import Commanded
from bench.files import procedure
from bench.judging import captures
from bench.outcome import Outcome
from bench.record import TestRecord
from bench.session import Decided
from bench.wire import EventFrame, EventKind, SampleFrame

BODY = bytes(240)
STATE = 0x61  # master on, FAST, range 0, sampling, run 1


def with_state(mask: int) -> Lie:
    """The same frame with these bits of its state turned over."""
    return lambda frame: frame._replace(state=frame.state ^ mask)


def with_loads(loads: int) -> Lie:
    return lambda frame: frame._replace(loads=loads)


LIES: dict[str, tuple[Lie, str]] = {
    "precise": (with_state(16), "sample mode PREC"),
    "master off": (with_state(1), "master switch off"),
    "range": (with_state(4), "voltage range"),
    "run": (with_state(64), "run number"),
    "all loads": (with_loads(0xFF), "(@1,2,3,4,5,6,7,8)"),
    "no load": (with_loads(0), "(@)"),
    "another lamp": (with_loads(0b101), "(@1,3)"),
}


def nobody_is_judged(record: TestRecord, code: str) -> None:
    assert record.outcome is Outcome.BENCH_FAULT, record.reason
    assert code in {fault.code for fault in record.bench_faults}
    assert not any(verdict.conformity.name in ("PASS", "FAIL") for verdict in record.verdicts)


@pytest.mark.parametrize("after", [0, 900])
@pytest.mark.parametrize("name", LIES)
def test_a_frame_that_shows_what_was_not_commanded_is_the_boards_fault(name: str, after: int) -> None:
    lie, shown = LIES[name]
    port = lying_port(sampled_while_on(lie, after=after))
    record = run_on(port, "quick")  # type: ignore[arg-type]
    nobody_is_judged(record, "board-contradicts")
    assert shown in record.reason
    assert port.bench.all_open


def test_a_capture_of_it_says_the_same(tmp_path: Path) -> None:
    capture = io.BytesIO()
    lie, _ = LIES["precise"]
    record = run_on(lying_port(sampled_while_on(lie, after=900)), "quick", capture=capture)  # type: ignore[arg-type]
    path = tmp_path / "lying.capture"
    path.write_bytes(capture.getvalue())
    again = captures.judge_capture(path, setup(), procedure("quick"), when="2026-01-02", software="test")
    nobody_is_judged(again, "board-contradicts")
    assert again.reason == record.reason


@pytest.mark.parametrize("name", ["master off", "another lamp", "run"])
def test_a_result_that_was_told_stands_against_frames_that_come_afterwards(name: str, tmp_path: Path) -> None:
    """The unit was sent off before: what the board shows while everything is opened is noted, and spoils nothing."""
    told: list[TestRecord] = []
    capture = io.BytesIO()
    lie, shown = LIES[name]
    port = lying_port(lambda frame: lie(frame) if told else frame)
    progress = lambda event: told.append(event.record) if isinstance(event, Decided) else None  # noqa: E731
    record = run_on(port, "quick", progress=progress, capture=capture)  # type: ignore[arg-type]
    assert (record.conclusion, record.verdicts, record.interrupted) == (told[0].conclusion, told[0].verdicts, None)
    assert record.outcome is Outcome.GOOD
    assert [(fault.code, fault.spoils) for fault in record.bench_faults] == [("board-contradicts", False)]
    assert shown in record.bench_faults[0].text and any(shown in note for note in record.notes)
    path = tmp_path / "told.capture"
    path.write_bytes(capture.getvalue())
    again = captures.judge_capture(path, setup(), procedure("quick"), when="2026-01-02", software="test")
    assert again.conclusion == record.conclusion
    assert again.bench_faults == record.bench_faults


def test_single_frames_that_are_damaged_unnoticed_are_not() -> None:
    """Two frames in a whole run: a check sum of 16 bits lets one damaged frame in 65 000 pass."""
    record = run_on(lying_port(sampled_while_on(with_loads(0xFF), after=500, times=2)))  # type: ignore[arg-type]
    assert record.outcome is Outcome.GOOD
    assert not record.bench_faults


@pytest.mark.parametrize("mode", ["FAST", "PREC"])
def test_a_board_that_switches_by_itself_is_told_by_its_event(mode: str) -> None:
    port = bench_port("NC")
    port.at |= {t_s: lambda: port.board.switch(port.board.master, port.board.loads - {1}) for t_s in (5.0, 6.0, 7.0)}
    record = run_on(port, setup=setup(precise=mode == "PREC"))
    nobody_is_judged(record, "board-contradicts")
    assert "switched by itself to the closed loads (@2,7)" in record.reason


def test_a_board_whose_stamps_stand_still_is_silent() -> None:
    kept: list[SampleFrame] = []

    def repeat(frame: SampleFrame | EventFrame) -> SampleFrame | EventFrame:
        assert isinstance(frame, SampleFrame)
        kept.append(frame)
        return kept[0]

    record = run_on(lying_port(sampled_while_on(repeat, after=600)))  # type: ignore[arg-type]
    nobody_is_judged(record, "board-silent")


# --- by hand


def frame(k: int, *, loads: int = 3, state: int = STATE) -> SampleFrame:
    return SampleFrame(k % 256, 160 * k, loads, state, 0, 0, BODY)


def switched(loads: int, state: int = STATE) -> EventFrame:
    return EventFrame(9, 7, loads, state, 0, 0, EventKind.SWITCHED, 0, 0, 3)


def settled() -> Commanded:
    """A board that confirmed loads 1 and 2 so long ago that all frames show them."""
    board = Commanded()
    board.note_sent("ROUT:CLOS (@1,2)")
    board.confirmed("ROUT:CLOS?", frozenset({1, 2}))
    assert not any(board.contradiction(frame(k)) for k in range(20))
    return board


def test_frames_on_their_way_are_older_than_the_confirmation() -> None:
    board = settled()
    board.note_sent("ROUT:CLOS (@3)")
    assert not any(board.contradiction(frame(k)) for k in range(50))
    board.confirmed("ROUT:CLOS?", frozenset({1, 2, 3}))
    assert not any(board.contradiction(frame(k)) for k in range(4))
    assert not board.contradiction(switched(7))
    assert not any(board.contradiction(frame(k, loads=7)) for k in range(50))


def test_what_persists_after_that_contradicts() -> None:
    board = settled()
    board.note_sent("ROUT:CLOS (@3)")
    board.confirmed("ROUT:CLOS?", frozenset({1, 2, 3}))
    found = [board.contradiction(frame(k)) for k in range(8)]
    assert not any(found[:6])
    assert all(found[6:])
    assert "(@1,2)" in found[6] and "(@1,2,3)" in found[6]


def test_an_event_before_the_confirmation_is_the_commands() -> None:
    board = settled()
    board.note_sent("ROUT:OPEN:ALL")
    assert not board.contradiction(switched(0))
    board.confirmed("ROUT:CLOS?", frozenset())
    assert not board.contradiction(switched(0))
    assert not any(board.contradiction(frame(k, loads=0)) for k in range(20))
    assert "(@8)" in board.contradiction(switched(128))


def test_an_older_event_may_come_behind_the_confirmation() -> None:
    board = settled()
    board.note_sent("ROUT:OPEN:ALL")
    board.confirmed("ROUT:CLOS?", frozenset())
    board.note_sent("ROUT:CLOS (@1)")
    board.confirmed("ROUT:CLOS?", frozenset({1}))
    assert not board.contradiction(switched(0))
    assert not any(board.contradiction(frame(k, loads=1)) for k in range(5))
    assert board.contradiction(switched(0))


@pytest.mark.parametrize(
    ("line", "ask", "value", "bits"),
    [
        ("OUTP OFF", "OUTP?", True, 1),
        ("SENS:MODE PREC", "SENS:MODE?", "FAST", 16),
        ("SENS:VOLT:RANG 20", "SENS:VOLT:RANG?", 0, 4),
        ("INIT", "", None, 64),
        ("ABOR", "", None, 64),
        ("*RST", "OUTP?", True, 1),
    ],
)
def test_what_a_line_may_change_is_open_until_it_is_confirmed(line: str, ask: str, value: object, bits: int) -> None:
    board = Commanded()
    if ask:
        board.confirmed(ask, value)
    else:
        board.began()
    assert not any(board.contradiction(frame(k)) for k in range(10))
    assert any(board.contradiction(frame(k, state=STATE ^ bits)) for k in range(10))
    board.note_sent(line)
    assert not any(board.contradiction(frame(k, state=STATE ^ bits)) for k in range(10))


def test_a_reset_forgets_everything() -> None:
    board = settled()
    board.note_sent("*RST")
    assert not any(board.contradiction(frame(k, loads=0, state=0)) for k in range(50))


def test_a_new_run_begins_its_stamps_anew() -> None:
    board = Commanded()
    assert board.is_new(frame(5))
    assert not board.is_new(frame(5))
    assert not board.is_new(frame(4))
    assert board.is_new(frame(6))
    assert board.is_new(frame(0, state=STATE + 64))
    board.note_sent("INIT")
    assert board.is_new(frame(0, state=STATE + 64))
    assert not board.is_new(switched(3))
