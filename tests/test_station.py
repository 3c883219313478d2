"""The station: it owns the board, hears orders, tells news, keeps records, and trusts no screen to live."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import pytest
from bench_port import bench_port
from stations import begin, long_test, ports_at, station_at

from bench.errors import AddressError, PortError
from bench.files import named_limits, procedure
from bench.judging import judge_capture
from bench.manual_actions import SetSupply
from bench.outcome import Outcome
from bench.ports import Port
from bench.procedure import PromptStep
from bench.record_json import from_json
from bench.session import Asked, Decided, Live, SoFar, StepBegan, Traced, Waiting
from bench.setup import Setup
from bench.station import (
    Absent,
    Attach,
    Broken,
    Done,
    Finished,
    Leave,
    PassTime,
    Present,
    Refused,
    Shown,
    Started,
    Stop,
    Turn,
)
from bench.station.shelf import file_name, new_place

WHEN = "2026-11-25T13:47:50+00:00"


def kept(folder: Path) -> list[Path]:
    return sorted(folder.rglob("*.json"))


def test_a_test_from_order_to_record(tmp_path: Path) -> None:
    port = bench_port("NC")
    with station_at(port, tmp_path) as heard:
        heard.tell(begin())
        started = heard.wait(Started)
        done = heard.wait(Finished)
    kinds = [type(news) for news in heard.all]
    for kind in (Present, StepBegan, Live, Traced, SoFar, Decided):
        assert kind in kinds
    assert kinds.index(Decided) < kinds.index(Finished)
    decided = heard.wait(Decided)
    assert decided.record.outcome is done.record.outcome
    assert decided.record.verdicts == done.record.verdicts
    assert done.record_path == started.record_path and done.capture_path == started.capture_path
    assert done.record_path is not None and done.capture_path is not None and not done.problem
    assert done.record_path.parent.parent == tmp_path / "practice", "no real unit was tested"
    assert from_json(done.record_path.read_text()) == done.record
    again = judge_capture(done.capture_path, Setup("4711"), procedure("quick"), when=WHEN, software="")
    assert again.measured.facts == done.record.measured.facts
    rates = [one.measured.values["rate_per_min"] for one in (again, done.record)]
    assert rates[0] == rates[1]
    assert port.all_open


def test_the_trace_is_told_whole(tmp_path: Path) -> None:
    with station_at(bench_port("EL"), tmp_path) as heard:
        heard.tell(begin())
        heard.wait(Finished)
    bins = [news.bins for news in heard.all if isinstance(news, Traced) and news.bins is not None]
    assert bins[0].first == 0
    assert all(a.first + len(a) == b.first for a, b in pairwise(bins))
    assert bins[-1].first * bins[-1].bin_s > 5.0


def test_a_record_is_there_before_anything_is_switched_on(tmp_path: Path) -> None:
    port = bench_port("EL")
    seen: list[str | None] = []

    def look() -> None:
        seen.extend(from_json(path.read_text()).interrupted for path in kept(tmp_path))

    with station_at(port, tmp_path) as heard:
        port.at[port.line.now_s] = look
        heard.tell(begin())
        heard.wait(Finished)
    assert len(seen) == 1 and "stopped before the test was over" in (seen[0] or "")


def test_cancelling_opens_everything_and_keeps_what_came(tmp_path: Path) -> None:
    port = bench_port("EL")
    with station_at(port, tmp_path) as heard:
        heard.tell(begin())
        heard.wait(Live, when=lambda live: live.cycles >= 2)
        heard.tell(Stop("cancelled by the operator"))
        done = heard.wait(Finished)
        assert port.all_open
        assert done.record.interrupted == "cancelled by the operator"
        assert done.record.steps[0].cycles >= 2
        # And the next one is as if nothing had been.
        since = len(heard.all)
        heard.tell(begin("4712"))
        assert heard.wait(Finished, since).record.outcome is not None
    assert [from_json(path.read_text()).interrupted for path in kept(tmp_path)] == ["cancelled by the operator", None]


def test_a_board_that_dies_after_the_result_was_told_changes_it_nowhere(tmp_path: Path) -> None:
    port = bench_port("EL")

    def unplug() -> None:
        port.unplugged = True

    def die_after_the_run(data: bytes) -> bool:
        if data == b"OUTP OFF\n" and port.board.master and port.board.loads:
            port.at[port.now_s() + 0.01] = unplug  # no time passes before the result is told
        return False

    port.lose = die_after_the_run
    with station_at(port, tmp_path) as heard:
        judged = begin(setup=Setup("4711", limits=(named_limits("un-r48"),)))
        heard.tell(judged)
        decided = heard.wait(Decided).record
        done = heard.wait(Finished)
        assert heard.wait(Absent)
    assert decided.outcome is Outcome.GOOD
    (on_disk,) = (from_json(path.read_text()) for path in kept(tmp_path))
    for record in (done.record, on_disk):
        assert (record.conclusion, record.verdicts, record.interrupted) == (decided.conclusion, decided.verdicts, None)
        assert {fault.code: fault.spoils for fault in record.bench_faults} == {"port-lost": False, "not-confirmed-open": False}


def test_cancelling_at_once_is_not_lost(tmp_path: Path) -> None:
    """Both orders are there before the station looks; and what was cancelled before does not cancel the next."""
    port = bench_port("EL")
    with station_at(port, tmp_path) as heard:
        heard.tell(Stop("too early"))
        heard.tell(long_test())
        heard.tell(Stop("cancelled by the operator"))
        assert heard.wait(Finished).record.interrupted == "cancelled by the operator"
        assert port.all_open
        since = len(heard.all)
        heard.tell(begin("4712"))
        assert heard.wait(Finished, since).record.interrupted is None


def test_a_screen_that_falls_silent_is_taken_for_gone(tmp_path: Path) -> None:
    port = bench_port("EL")
    with station_at(port, tmp_path, silent_screen_s=1.0) as heard:
        heard.tell(long_test())
        heard.wait(Live)
        heard.beating = False
        done = heard.wait(Finished)
        assert port.all_open
    assert "the display stopped responding for 1 s" in (done.record.interrupted or "")


def test_a_screen_that_is_gone_ends_the_station(tmp_path: Path) -> None:
    port = bench_port("EL")
    with station_at(port, tmp_path) as heard:
        heard.tell(long_test())
        heard.wait(Live)
        heard.link._connection.close()
        heard.link._worker.join(120.0)
        assert not heard.link._worker.is_alive()
    assert port.all_open
    assert [from_json(path.read_text()).interrupted for path in kept(tmp_path)] == ["the screen is gone"]


def test_leaving_in_the_middle_says_why(tmp_path: Path) -> None:
    port = bench_port("EL")
    with station_at(port, tmp_path) as heard:
        heard.tell(long_test())
        heard.wait(Live)
        heard.tell(Leave("the terminal was closed (SIGHUP)"))
        assert heard.wait(Finished).record.interrupted == "the terminal was closed (SIGHUP)"
        assert heard.wait(Broken)
    assert port.all_open


def test_a_cable_that_is_pulled_and_put_back(tmp_path: Path) -> None:
    port = bench_port("EL")
    with station_at(port, tmp_path) as heard:
        heard.tell(long_test())
        heard.wait(Live)
        port.unplugged = True
        done = heard.wait(Finished)
        absent = heard.wait(Absent)
        assert "no such port" in absent.text or "cable is out" in absent.text
        since = len(heard.all)
        heard.tell(begin())
        assert heard.wait(Refused, since).text
        port.a_second_later()
        port.unplugged = False
        heard.wait(Present, since)
        heard.tell(begin())
        assert heard.wait(Finished, since).record.interrupted is None
    assert "cable is out" in (done.record.interrupted or "")
    assert any(fault.code == "port-lost" for fault in done.record.bench_faults)


@pytest.mark.parametrize("kind", [PortError, AddressError], ids=["no answer", "no such device"])
def test_a_board_that_is_not_there_is_said_once_and_looked_for_again(kind: type[Exception], tmp_path: Path) -> None:
    port = bench_port("EL")
    calls: list[str] = []

    def opener(address: str) -> Port:
        calls.append(address)
        if len(calls) < 3:
            raise kind(f"opening {address}: nothing there")
        return port

    with station_at(opener, tmp_path) as heard:
        assert [news.text for news in heard.all if isinstance(news, Absent)] == [f"opening {calls[0]}: nothing there"]


def test_another_board_is_taken_when_it_is_asked_for(tmp_path: Path) -> None:
    with station_at(bench_port("EL"), tmp_path) as heard:
        since = len(heard.all)
        with ports_at(lambda address: bench_port("NC")) as other:
            heard.tell(Attach(other))
            assert heard.wait(Present, since).address == "sim://test"


def test_what_this_bench_can_t_do_is_refused_and_leaves_nothing_behind(tmp_path: Path) -> None:
    with station_at(bench_port("EL"), tmp_path) as heard:
        heard.tell(begin(setup=Setup("4711", rated=(500.0,))))
        assert "this board's bank has" in heard.wait(Refused).text
    assert not kept(tmp_path) and not list(tmp_path.rglob("*.capture"))


def test_the_supply_is_watched_until_it_is_right(tmp_path: Path) -> None:
    """At a real board: the person turns the knob, the screen sees the volts, and nobody says that it is done."""
    port = bench_port("EL", supply_v=11.0)
    port.real = True
    with station_at(port, tmp_path) as heard:
        heard.tell(begin())
        asked = heard.wait(Asked, when=lambda asked: isinstance(asked.action, SetSupply))
        shown = heard.wait(Shown, when=lambda shown: shown.v_in_v is not None)
        assert shown.v_in_v == pytest.approx(11.35, abs=0.3)
        assert isinstance(asked.action, SetSupply)
        port.at[port.line.now_s] = lambda: port.board.set_supply(12.8)
        done = heard.wait(Finished)
    assert done.record.interrupted is None and not done.record.bench_faults


def test_whoever_says_done_too_soon_is_asked_again(tmp_path: Path) -> None:
    port = bench_port("EL", supply_v=11.0)
    port.real = True
    with station_at(port, tmp_path) as heard:
        heard.tell(begin())
        since = 0
        for _ in range(3):
            heard.wait(Asked, since, when=lambda asked: isinstance(asked.action, SetSupply))
            heard.wait(Shown, since, when=lambda shown: shown.v_in_v is not None)
            since = len(heard.all)
            heard.tell(Done())
        done = heard.wait(Finished, since)
    assert done.record.outcome is Outcome.BENCH_FAULT
    assert "supply-not-set" in {fault.code for fault in done.record.bench_faults}


def test_hands_of_one_s_own_at_a_simulated_board(tmp_path: Path) -> None:
    """The supply's knob, a prompt, and time that may pass at once."""
    port = bench_port("EL", supply_v=12.0)
    quick = procedure("quick")
    plan = replace(quick, steps=(PromptStep("look", "Look", "Look at the contacts."), replace(quick.runs[0], cool_s=1000.0)))
    with station_at(port, tmp_path, own_hands=True) as heard:
        heard.tell(begin(plan=plan))
        heard.wait(Asked)
        heard.tell(Done())
        heard.wait(Shown, when=lambda shown: shown.v_in_v is not None)
        heard.tell(Turn(0.5))
        heard.tell(Turn(0.3))
        waiting = heard.wait(Waiting)
        assert waiting.left_s > 500.0
        heard.tell(PassTime())
        done = heard.wait(Finished)
    assert done.record.interrupted is None and not done.record.bench_faults
    assert port.line.now_s < 1000.0 + 200.0


def test_what_was_said_before_a_question_is_no_answer(tmp_path: Path) -> None:
    port = bench_port("EL")
    port.real = True
    plan = replace(procedure("quick"), steps=(PromptStep("look", "Look", "Look."), *procedure("quick").steps))
    with station_at(port, tmp_path) as heard:
        heard.tell(Done())
        heard.tell(begin(plan=plan))
        heard.wait(Asked)
        heard.tell(Stop("cancelled by the operator"))
        assert heard.wait(Finished).record.interrupted == "cancelled by the operator"


def test_a_folder_that_can_t_be_written_is_said_and_the_test_is_done(tmp_path: Path) -> None:
    blocked = tmp_path / "file"
    blocked.write_text("here is a file, not a folder")
    with station_at(bench_port("EL"), blocked) as heard:
        heard.tell(begin())
        done = heard.wait(Finished)
    assert done.record.interrupted is None
    assert done.record_path is None and "nothing of this test is kept" in done.problem


def test_nothing_is_written_over(tmp_path: Path) -> None:
    places = [new_place(tmp_path, "../../4711 \u202e", WHEN) for _ in range(3)]
    names = [place.capture_path.name for place in places if place.capture_path is not None]
    assert names == [f"134750-{file_name('../../4711 ‮')}{n}.capture" for n in ("", "-2", "-3")]
    assert all(path.parent == tmp_path / "2026-11-25" for path in tmp_path.rglob("*.capture"))
    for place in places:
        place.discard()


def test_without_a_folder_nothing_is_kept() -> None:
    with station_at(bench_port("EL"), None) as heard:
        heard.tell(begin())
        done = heard.wait(Finished)
    assert (done.record_path, done.capture_path, done.problem) == (None, None, "")


def test_a_board_that_goes_away_between_tests_is_noticed(tmp_path: Path) -> None:
    port = bench_port("EL")
    with station_at(port, tmp_path) as heard:
        port.unplugged = True
        heard.wait(Absent)
        port.unplugged = False
        heard.wait(Present, len(heard.all))
