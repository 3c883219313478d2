"""The desk: keys and news change the state, orders go out. No screen, no board, no time."""

from __future__ import annotations

from pathlib import Path

import pytest
from sample_records import record, renamed
from sitting import REAL, SIMULATED, Sitting, failed, passed

from bench.errors import SetupError
from bench.manual_actions import Do, SetSupply
from bench.measure import BenchFault
from bench.record_json import to_json
from bench.session import Asked, Decided, StepBegan, Waiting
from bench.station import (
    Absent,
    Begin,
    Broken,
    Done,
    Finished,
    PassTime,
    Refused,
    Shown,
    Started,
    Stop,
    Turn,
)
from bench.tui.desk import BY_OPERATOR, LONGEST_NUMBER, NO_BOARD
from bench.tui.state import Phase, Tested


def test_scan_start_verdict_next() -> None:
    at = Sitting()
    at.start("4711")
    assert isinstance(at.orders[-1], Begin) and at.orders[-1].setup.unit == "4711"
    at.desk.hear(Started("4711", Path("a.json"), Path("a.capture")))
    good = renamed(passed(), "4711")
    at.desk.hear(Decided(good))
    assert at.phase() is Phase.VERDICT and at.state.tested is not None
    assert at.state.tested.record_path == Path("a.json")
    assert not at.state.session, "only what is over counts"
    at.desk.enter()
    assert at.phase() is Phase.VERDICT, "nothing goes on before everything is confirmed open"
    at.desk.hear(Finished(good, Path("a.json"), Path("a.capture")))
    assert [tested.record.unit for tested in at.state.session] == ["4711"]
    at.desk.enter()
    assert (at.phase(), at.state.number) == (Phase.READY, "")


def test_the_next_unit_may_be_scanned_at_the_verdict_or_before() -> None:
    at = Sitting()
    at.start("1")
    at.scan("2")
    assert (at.phase(), at.state.next_number) == (Phase.RUNNING, "2")
    at.desk.hear(Finished(passed(), None, None))
    assert at.phase() is Phase.VERDICT
    at.desk.enter()
    assert (at.phase(), at.state.number, at.state.next_number) == (Phase.READY, "2", "")
    at.desk.enter()
    at.desk.hear(Finished(passed(), None, None))
    at.scan("3")
    assert (at.phase(), at.state.number) == (Phase.READY, "3")
    at.desk.enter()
    at.desk.hear(Decided(passed()))
    at.scan("4")
    assert (at.phase(), at.state.next_number) == (Phase.VERDICT, "4"), "not before everything is confirmed open"
    at.desk.hear(Finished(passed(), None, None))
    assert (at.phase(), at.state.number) == (Phase.READY, "4"), "the verdict had been seen"


def test_a_scanner_that_sends_enter_twice_starts_nothing() -> None:
    at = Sitting()
    at.desk.type("4711")
    at.desk.enter()
    at.now_s += 0.05
    at.desk.enter()
    assert at.phase() is Phase.READY and not at.orders
    at.now_s += 1.0
    at.desk.enter()
    assert at.phase() is Phase.RUNNING


@pytest.mark.parametrize("typed", ["", "   "])
def test_no_number_no_test(typed: str) -> None:
    at = Sitting()
    at.scan(typed)
    at.desk.enter()
    assert at.phase() is Phase.READY and not at.orders
    assert "Scan or type its number" in at.state.message


def test_a_wrong_scan_is_said_and_changes_nothing() -> None:
    at = Sitting()
    at.scan("4711")
    at.scan("x" * (LONGEST_NUMBER + 1))
    assert at.state.number == "4711"
    assert f"{LONGEST_NUMBER + 1} characters came" in at.state.message
    at.desk.type("0\x1b[2J\n8")
    assert at.state.typed == "0[2J8", "what a terminal might obey is dropped"
    at.desk.erase()
    assert at.state.typed == "0[2J"
    at.desk.escape()
    assert (at.state.typed, at.state.number) == ("", "4711")
    at.desk.escape()
    assert at.state.number == ""


def test_a_unit_that_was_tested_before_is_said_to_be() -> None:
    at = Sitting()
    at.start("4711")
    at.desk.hear(Finished(renamed(failed(), "4711"), None, None))
    at.scan("4711")
    assert "4711 was tested at " in at.state.message and "NOT GOOD" in at.state.message


def test_cancelling_is_said_once_and_the_same_unit_comes_again() -> None:
    at = Sitting()
    at.start()
    at.desk.escape()
    at.desk.escape()
    assert at.orders[1:] == [Stop(BY_OPERATOR)]
    broken = record(unit="4711", interrupted=BY_OPERATOR)
    at.desk.hear(Finished(broken, None, None))
    at.desk.enter()
    assert (at.phase(), at.state.number) == (Phase.READY, "4711")


def test_a_bench_fault_is_no_verdict_on_the_unit_so_it_comes_again() -> None:
    at = Sitting()
    at.start()
    fault = BenchFault("port-lost", "reading from /dev/ttyUSB0: gone; check the cable")
    broken = record(unit="4711", bench_faults=(fault,), interrupted=fault.text)
    at.desk.hear(Finished(broken, None, None))
    at.desk.hear(Absent("opening /dev/ttyUSB0: no such file"))
    at.desk.enter()
    assert (at.phase(), at.state.number) == (Phase.READY, "4711")
    at.desk.enter()
    assert at.phase() is Phase.READY and at.state.message == NO_BOARD
    at.desk.hear(REAL)
    assert not at.state.message
    at.desk.enter()
    assert at.phase() is Phase.RUNNING


def test_test_it_again() -> None:
    at = Sitting()
    earlier = Tested(renamed(passed(), "4710"))
    at.start()
    at.desk.again(earlier)
    assert at.phase() is Phase.RUNNING, "not in a test"
    at.desk.hear(Finished(renamed(passed(), "4711"), None, None))
    at.desk.again(earlier)
    assert (at.phase(), at.state.number) == (Phase.READY, "4710")


def test_kept_is_said_when_it_is() -> None:
    at = Sitting()
    at.start()
    at.desk.hear(Started("4711", Path("a.json"), Path("a.capture")))
    at.desk.hear(Decided(passed()))
    assert at.state.tested is not None and at.state.tested.keeping and not at.state.tested.not_kept
    at.desk.hear(Finished(passed(), None, None, "the disk is full"))
    assert at.state.tested is not None and not at.state.tested.keeping
    assert at.state.tested.not_kept == "the disk is full"


def test_what_was_decided_and_shown_stands_when_the_station_dies_before_it_is_kept(tmp_path: Path) -> None:
    at = Sitting()
    at.start()
    begun = tmp_path / "a.json"
    begun.write_text(to_json(record(unit="4711", interrupted="not finished")))
    at.desk.hear(Started("4711", begun, None))
    at.desk.hear(Decided(renamed(passed(), "4711")))
    at.desk.hear(Broken("the station ended"))
    assert at.phase() is Phase.VERDICT and at.state.test is None and at.state.tested is not None
    assert at.state.tested.record.outcome is passed().outcome
    assert at.state.tested.not_kept == "the station ended; its file says that the test was not finished"
    assert at.state.session == [at.state.tested]


def test_escape_opens_all_loads_whatever_is_being_typed() -> None:
    at = Sitting()
    at.start()
    at.desk.type("9")
    at.desk.escape()
    assert at.orders[1:] == [Stop(BY_OPERATOR)]


@pytest.mark.parametrize(
    ("pasted", "number", "typed", "left"),
    [
        ("4711", "", "4711", 0),
        ("4711\r", "4711", "", 0),
        ("4711\n4712\n4713\n", "4711", "", 2),
        ("4711\r\n4712", "4711", "", 1),
        ("\n", "", "", 0),
    ],
)
def test_lines_that_are_pasted_never_join_into_one_number(pasted: str, number: str, typed: str, left: int) -> None:
    at = Sitting()
    at.desk.paste(pasted)
    assert (at.state.number, at.state.typed) == (number, typed)
    assert (f"{left} left" in at.state.message) == bool(left)


def test_that_no_board_answers_is_said_no_longer_than_it_is_so() -> None:
    at = Sitting(board=None)
    at.scan("4711")
    at.desk.enter()
    assert at.state.message == NO_BOARD and "above" not in NO_BOARD
    at.desk.hear(REAL)
    assert not at.state.message


def test_the_day_is_recalled_before_what_is_tested_now_and_each_test_once() -> None:
    at = Sitting()
    at.start()
    at.desk.hear(Started("4711", Path("now.json"), None))
    at.desk.hear(Finished(renamed(passed(), "4711"), Path("now.json"), None))
    earlier = Tested(renamed(failed(), "4710"), Path("earlier.json"))
    at.desk.recall([earlier, Tested(passed(), Path("now.json"))], "1 record of today can't be read")
    assert [tested.record.unit for tested in at.state.session] == ["4710", "4711"]
    assert at.state.unread
    at.scan("4710")
    assert "4710 was tested at" in at.state.message


@pytest.mark.parametrize("error", [SetupError("no such lamps; the bank has 1: 21 W"), None])
def test_what_can_t_be_tested_is_refused_in_words(error: SetupError | None) -> None:
    at = Sitting()
    if error is not None:
        at.refusal = error
        at.scan("4711")
        at.desk.enter()
    else:
        at.start()
        at.desk.hear(Refused("no such lamps; the bank has 1: 21 W"))
    assert (at.phase(), at.state.message) == (Phase.READY, "no such lamps; the bank has 1: 21 W")
    assert at.state.number == "4711" and at.state.test is None


def test_prompts_are_answered_and_waiting_is_let_pass_only_where_it_is_simulated() -> None:
    for board, expected in ((REAL, [Done()]), (SIMULATED, [Done(), PassTime()])):
        at = Sitting(board)
        at.start()
        test = at.state.test
        assert test is not None
        at.desk.hear(StepBegan("rated", "Rated load", "", 1, 2))
        at.desk.hear(Asked(Do("Look at it.")))
        at.desk.enter()
        at.desk.hear(Waiting("cooling", 9.0))
        assert (test.asked, test.waiting) == (None, Waiting("cooling", 9.0))
        at.desk.enter()
        assert at.orders[1:] == expected


def test_the_supply_s_knob_turns_only_where_it_is_simulated() -> None:
    for board, count in ((REAL, 0), (SIMULATED, 1)):
        at = Sitting(board)
        at.desk.turn(1)
        assert not at.orders, "no test, nothing to turn"
        at.start()
        at.desk.hear(Asked(SetSupply(12.8, 13.16)))
        at.desk.hear(Shown(12.0))
        assert at.state.test is not None and at.state.test.supply_v == 12.0
        at.desk.turn(-3)
        turned = [order for order in at.orders if isinstance(order, Turn)]
        assert [round(order.by_v, 3) for order in turned] == [-0.3] * count
