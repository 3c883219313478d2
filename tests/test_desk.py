"""The desk: keys and news change the state, orders go out. No screen, no board, no time."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from sample_records import cases, record, renamed

from bench.errors import SetupError
from bench.files import procedure
from bench.manual_actions import Do, SetSupply
from bench.measure import BenchFault, Measured
from bench.procedure import Procedure
from bench.record import TestRecord
from bench.record_json import to_json
from bench.session import Asked, Damage, Decided, Live, Noted, SoFar, StepBegan, Waiting
from bench.setup import Setup
from bench.simboard.rig import rig_description
from bench.station import (
    Absent,
    Attach,
    Begin,
    Broken,
    Done,
    Finished,
    Order,
    PassTime,
    Present,
    Refused,
    Shown,
    Started,
    Stop,
    Turn,
)
from bench.tui.choices import Choices
from bench.tui.desk import BY_OPERATOR, LONGEST_NUMBER, NO_BOARD, Desk
from bench.tui.state import Phase, Practising, State, Tested


def passed() -> TestRecord:
    return cases()["pass"]


def failed() -> TestRecord:
    return cases()["fail"]


REAL = Present("/dev/ttyUSB0", "makebreak,rig-328,4001,1.0", False, rig_description(1))
SIMULATED = replace(REAL, address="sim://bench-el-plain", simulated=True)


class Sitting:
    """A desk with everything it says written down, and a clock that is set by hand."""

    def __init__(self, board: Present | None = REAL) -> None:
        self.orders: list[Order] = []
        self.now_s = 0.0
        self.state = State(None, Choices())
        self.desk = Desk(self.state, self.orders.append, lambda: self.now_s, self.plan)
        self.refusal: Exception | None = None
        if board is not None:
            self.desk.hear(board)

    def phase(self) -> Phase:
        return self.state.phase

    def plan(self, state: State) -> tuple[Setup, Procedure]:
        if self.refusal is not None:
            raise self.refusal
        return Setup(state.number), procedure("quick")

    def scan(self, number: str) -> None:
        self.desk.type(number)
        self.desk.enter()
        self.now_s += 1.0

    def start(self, number: str = "4711") -> None:
        self.scan(number)
        self.desk.enter()
        assert self.phase() is Phase.RUNNING


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


def test_what_a_test_tells_is_kept_for_the_screen() -> None:
    at = Sitting()
    at.start()
    test = at.state.test
    assert test is not None
    at.desk.hear(Noted("one"))
    at.desk.hear(Damage({"bad_frames": 2, "bad_text": 0}))
    at.desk.hear(SoFar(Measured(), passed().verdicts))
    live = Live(1.0, 9.0, 1, 8, True, {})
    at.desk.hear(live)
    assert (test.note, test.damage, test.verdicts, test.live) == ("one", {"bad_frames": 2}, passed().verdicts, live)
    at.desk.hear(StepBegan("two", "Two", "", 2, 2))
    assert test.live is None


def test_a_step_carried_on_live_keeps_what_is_shown() -> None:
    at = Sitting()
    at.start()
    test = at.state.test
    assert test is not None
    at.desk.hear(StepBegan("rated", "Rated load", "", 1, 2, load="2 x 21 W", lamps=2))
    live = Live(9.0, 9.0, 8, 8, True, {})
    at.desk.hear(live)
    at.desk.hear(SoFar(Measured(), passed().verdicts))
    at.desk.hear(StepBegan("one-out", "One lamp out, live", "", 2, 2, load="21 W", lamps=1, live=True))
    assert test.step is not None and test.step.load == "21 W"
    assert (test.live, test.verdicts, test.early) == (live, passed().verdicts, False)
    at.desk.hear(Live(0.5, 9.0, 0, 7, True, {}))
    at.desk.hear(SoFar(Measured(), passed().verdicts))
    assert not test.early, "what was seen on the load before stays on show"


def test_what_is_not_decided_is_tested_again() -> None:
    at = Sitting()
    at.start()
    near = renamed(cases()["near-the-limit"], "4711")
    at.desk.hear(Finished(near, None, None))
    assert not at.state.settled
    at.desk.enter()
    assert (at.phase(), at.state.number) == (Phase.READY, "4711")


def test_the_unit_in_the_socket_is_tested_again_before_the_one_that_was_scanned_meanwhile() -> None:
    """Its number stood ready, and the old unit would have been kept under it."""
    at = Sitting()
    at.start()
    at.scan("4712")
    at.desk.hear(Finished(renamed(cases()["near-the-limit"], "4711"), None, None))
    at.now_s += 1.0
    at.desk.enter()
    assert (at.phase(), at.state.number, at.state.next_number) == (Phase.READY, "4711", "4712")
    at.now_s += 1.0
    at.desk.enter()
    at.desk.hear(Finished(renamed(passed(), "4711"), None, None))
    at.now_s += 1.0
    at.desk.enter()
    assert (at.phase(), at.state.number, at.state.next_number) == (Phase.READY, "4712", "")


def test_what_is_measured_before_the_first_flash_is_over_is_early() -> None:
    at = Sitting()
    at.start()
    test = at.state.test
    assert test is not None
    measured = Measured()
    for on_s, cycles, fresh, early in ((0.5, 0, True, True), (1.2, 1, False, True), (1.5, 1, True, False), (1.6, 1, False, False)):
        at.desk.hear(Live(on_s, 9.0, cycles, 8, True, {}))
        if fresh:
            at.desk.hear(SoFar(measured, ()))
        assert test.early is early, on_s
    at.desk.hear(StepBegan("two", "Two", "", 2, 2))
    at.desk.hear(Live(5.1, 9.0, 0, 8, True, {}))
    at.desk.hear(SoFar(measured, ()))
    assert not test.early, "by then it is steadily on"


def test_another_board_waits_for_the_end_of_a_test() -> None:
    at = Sitting()
    at.start()
    at.desk.attach("sim://bench-el-plain", Practising("sim://bench-el-plain", False, False))
    assert "test is running" in at.state.message and not isinstance(at.orders[-1], Attach)
    at.desk.hear(Finished(passed(), None, None))
    at.desk.attach("sim://bench-el-plain", Practising("sim://bench-el-plain", True, False))
    assert at.orders[-1:] == [Attach("sim://bench-el-plain", True)]
    assert at.state.number == "practice 2" and at.state.simulated and at.state.board is None


def test_what_is_chosen_for_practice_stays_there() -> None:
    at = Sitting()
    usual = at.state.choices
    six_volt = replace(usual, system_v=6.0)
    at.desk.attach("sim://bench-nc-6v", Practising("sim://bench-nc-6v", False, False))
    at.desk.choose(six_volt)
    at.desk.attach("sim://bench-el-plain", Practising("sim://bench-el-plain", False, False))
    assert at.state.choices == six_volt
    at.desk.attach("/dev/ttyUSB0")
    assert at.state.choices == usual
    at.desk.attach("/dev/ttyUSB0")
    assert at.state.choices == usual


def test_a_station_that_dies_leaves_the_record_that_it_began_with(tmp_path: Path) -> None:
    at = Sitting()
    at.desk.hear(Broken("it has ended"))
    assert (at.phase(), at.state.absent) == (Phase.READY, "it has ended")
    at.desk.hear(REAL)
    at.start()
    kept = tmp_path / "a.json"
    kept.write_text(to_json(record(unit="4711", interrupted="stopped before the test was over")), encoding="ascii")
    at.desk.hear(Started("4711", kept, tmp_path / "a.capture"))
    at.desk.hear(Broken("it has ended"))
    assert at.phase() is Phase.VERDICT and at.state.test is None
    assert [tested.record.interrupted for tested in at.state.session] == ["stopped before the test was over"]


def test_another_station_is_told_of_the_board() -> None:
    at = Sitting(None)
    at.desk.attach_again()
    assert not at.orders
    at.desk.attach("/dev/ttyUSB0")
    at.desk.hear(Broken("it has ended"))
    at.desk.attach_again()
    assert at.orders == [Attach("/dev/ttyUSB0")] * 2
    assert at.state.absent == "it has ended"


def test_a_station_that_dies_before_anything_was_kept(tmp_path: Path) -> None:
    at = Sitting()
    at.start()
    at.desk.hear(Broken("it has ended"))
    assert at.phase() is Phase.READY and "was broken off" in at.state.message
    at.desk.hear(REAL)
    at.desk.enter()
    at.desk.hear(Started("4711", tmp_path / "none.json", None))
    at.desk.hear(Broken("it has ended"))
    assert at.phase() is Phase.READY and "can't be read" in at.state.message
