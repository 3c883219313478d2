"""What a test, a board and a station tell the desk."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from sample_records import cases, record, renamed
from sitting import REAL, Sitting, passed

from bench.measure import Measured
from bench.record_json import to_json
from bench.session import Damage, Live, Noted, SoFar, StepBegan
from bench.station import (
    Attach,
    Broken,
    Finished,
    Started,
)
from bench.tui.state import Phase, Practising


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
