"""Tests that are broken off, by whatever it may be, and bad lines."""

from __future__ import annotations

import logging
import random

import pytest
from bench_port import BenchPort, bench_port, run_on
from session_plans import SHORT, TWO, spoilt, value

from bench.outcome import Outcome
from bench.ports.address import parse_sim_address
from bench.ports.simulated import open_line
from bench.session import Damage, Decided, Live, StepBegan
from bench.simboard.board import SimulatedBoard
from bench.simboard.link import LINK_FAULTS, faulty_link
from bench.uncertainty import Estimate, NotMeasured
from bench.verdict import Conformity
from bench.wire import ResetCause, TripCause


@pytest.mark.parametrize("at_s", [0.0, 0.02, 0.2, 0.5, 0.9, 1.3, 2.0, 4.0])
def test_cancelling_at_any_moment(at_s: float) -> None:
    port = bench_port("EL")
    record = run_on(port, TWO, cancelled=lambda: port.now_s() >= at_s)
    spoilt(record, port)
    assert record.interrupted == "cancelled by the operator"
    assert not any(fault.code == "program" for fault in record.bench_faults)


@pytest.mark.parametrize("kind", ["EL", "NC"])
@pytest.mark.parametrize(
    ("what", "said"),
    [("cancelled", "cancelled"), ("unplugged", "the cable is out"), ("tripped", "opened everything"), ("raised", "can't be shown")],
)
def test_a_result_that_was_told_stands(kind: str, what: str, said: str) -> None:
    """Whatever happens while everything is being opened: it belongs to the bench, and is noted."""
    port, told = bench_port(kind), []

    def progress(event: object) -> None:
        if isinstance(event, Decided):
            told.append(event.record)
            port.unplugged = what == "unplugged"
            if what == "tripped":
                port.at[port.now_s() + 0.01] = lambda: port.board._open_for(TripCause.LATC)
            if what == "raised":
                raise RuntimeError("the progress can't be shown")

    record = run_on(port, "quick", progress=progress, cancelled=lambda: bool(told) and what == "cancelled")
    assert len(told) == 1
    assert record.conclusion == told[0].conclusion
    assert record.outcome is Outcome.GOOD
    assert record.interrupted is None
    (note,) = (note for note in record.notes if note.startswith("after the result was told: "))
    assert said in note
    port.a_second_later()
    assert port.all_open


def test_cancelling_a_later_step_keeps_what_is_whole() -> None:
    port = bench_port("NC")
    begun: list[StepBegan] = []
    record = run_on(
        port, TWO,
        progress=lambda e: begun.append(e) if isinstance(e, StepBegan) else None,
        cancelled=lambda: len(begun) == 2 and port.board.master,
    )  # fmt: skip
    assert [s.interrupted for s in record.steps] == [None, "cancelled by the operator"]
    assert isinstance(record.measured.values["rate_per_min"], Estimate)
    outage = record.measured.values["outage_ratio"]
    assert isinstance(outage, NotMeasured)
    assert outage.fault == "bench"
    assert record.outcome is Outcome.NOT_DECIDED
    assert port.all_open


@pytest.mark.parametrize("at_s", [0.1, 0.7, 1.5, 3.0])
def test_the_keyboard(at_s: float) -> None:
    def hit() -> None:
        raise KeyboardInterrupt

    port = bench_port("EL")
    port.at[at_s] = hit
    record = run_on(port, SHORT)
    spoilt(record, port)
    assert record.interrupted == "stopped from the keyboard"


def test_the_keyboard_twice() -> None:
    """Also while everything is being opened."""
    hits = 0

    def hit() -> None:
        nonlocal hits
        hits += 1
        if hits < 3:
            port.at[port.now_s()] = hit
        raise KeyboardInterrupt

    port = bench_port("EL")
    port.at[2.0] = hit
    record = run_on(port, SHORT)
    spoilt(record, port)
    assert hits == 3


@pytest.mark.parametrize("at_s", [0.0, 0.03, 0.3, 0.75, 1.1, 2.5, 5.0])
def test_unplugging_at_any_moment(at_s: float) -> None:
    port = bench_port("NC")

    def unplug() -> None:
        port.unplugged = True

    port.at[at_s] = unplug
    record = run_on(port, SHORT)
    spoilt(record, port, confirmed=False)
    assert "the cable is out" in (record.interrupted or "")
    codes = {fault.code for fault in record.bench_faults}
    assert {"port-lost", "not-confirmed-open"} <= codes


@pytest.mark.parametrize("at_s", [1.2, 2.0, 3.0])
def test_the_board_restarts(at_s: float) -> None:
    port = bench_port("EL")
    port.at[at_s] = lambda: port.board.power_up(ResetCause.WATC)
    record = run_on(port, SHORT)
    spoilt(record, port)
    assert "restarted by itself (cause WATC)" in (record.interrupted or "")


def tripping(*, for_good: bool) -> BenchPort:
    """A board that trips at any current from 4 s on: once, or with the shorting link in the unit's place as well."""
    port = bench_port("EL")

    def trip() -> None:
        port.board.settings.level_a = 0.5
        if for_good:
            port.at[port.now_s() + 0.01] = trip

    port.at[4.0] = trip
    return port


def test_a_trip_that_comes_without_the_unit_too_is_the_bench_s(caplog: pytest.LogCaptureFixture) -> None:
    port = tripping(for_good=True)
    record = run_on(port, SHORT)
    spoilt(record, port)
    assert "over-current" in (record.interrupted or "")
    assert not caplog.records


def test_one_trip_may_be_a_hand_on_the_emergency_stop() -> None:
    """The same lamps are right without the unit, and the unit does not trip the board again: it is tested as if nothing had been."""
    port = tripping(for_good=False)
    record = run_on(port)
    assert (record.outcome, record.interrupted) == (Outcome.GOOD, None)
    assert record.bench_faults == ()
    assert [step.interrupted for step in record.steps] == [None] * len(record.steps)
    assert port.board.unit_name == "EL"
    assert port.all_open


def test_a_stalled_line_ends_in_silence() -> None:
    port = bench_port("EL")
    port.at[2.0] = lambda: setattr(port, "lose", lambda data: True)
    port.at[2.5] = lambda: port.board.stop()
    record = run_on(port, SHORT)
    spoilt(record, port, confirmed=False)


def test_an_error_of_the_program_opens_everything_and_is_said(caplog: pytest.LogCaptureFixture) -> None:
    def broken(event: object) -> None:
        if isinstance(event, Live):
            raise ZeroDivisionError("in the screen")

    port = bench_port("EL")
    with caplog.at_level(logging.CRITICAL, logger="bench"):
        record = run_on(port, SHORT, progress=broken)
    spoilt(record, port)
    assert "ZeroDivisionError: in the screen" in (record.interrupted or "")


# --- a bad line


@pytest.mark.parametrize("fault", sorted(LINK_FAULTS))
@pytest.mark.parametrize("seed", [3])
def test_every_fault_of_the_link_ends_right_or_honestly(fault: str, seed: int) -> None:
    """A lossy line costs cycles, never the truth; a broken one ends the test, never the unit."""
    port = bench_port("EL", link=faulty_link((fault,), seed))
    events: list[object] = []
    record = run_on(port, "quick", progress=events.append)
    rate = record.measured.values["rate_per_min"]
    if record.interrupted is None:
        assert rate.value == pytest.approx(90.0, abs=0.8) if isinstance(rate, Estimate) else fault.startswith("bytes")
        # What the line swallowed (a start, say) is not measured; nothing that was is judged wrong.
        assert {v.conformity for v in record.verdicts} <= {Conformity.PASS, Conformity.NOT_MEASURED}
        if fault.startswith("bytes"):
            assert any(record.link.values())
            assert any(isinstance(e, Damage) for e in events)
    else:
        assert fault in ("stall", "unplug", "board-reset")
        spoilt(record, port, confirmed=False)
    port.a_second_later()
    assert port.all_open


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_lines_that_never_arrive_are_said_again(seed: int) -> None:
    chance = random.Random(seed)
    port = bench_port("EL")
    port.lose = lambda data: chance.random() < 0.05
    record = run_on(port, SHORT)
    assert record.interrupted is None
    assert value(record, "rate_per_min") == pytest.approx(90.0, abs=0.8)
    assert record.link["replies_asked_again"] > 0
    assert port.all_open


def test_a_board_that_is_not_there() -> None:
    port = bench_port("EL")
    port.lose = lambda data: True
    record = run_on(port, SHORT)
    assert "no answer" in (record.interrupted or "")
    assert record.steps == ()
    assert record.outcome is Outcome.BENCH_FAULT


@pytest.mark.parametrize("how", ["stop button", "cancelled"])
def test_the_unit_is_put_back_where_the_link_was(how: str) -> None:
    """A dead unit has its lamps proved by the link, and that is broken off."""
    line = open_line(parse_sim_address("sim://bench-nc-2x21?fault=heater-open"))
    assert isinstance(line.board, SimulatedBoard)
    port, linked = BenchPort(line.board), []

    def fitted() -> bool:
        if port.board.unit_name == "LINK" and port.board.master:
            linked.append(port.now_s())
            if how == "stop button" and len(linked) == 1:
                port.board._open_for(TripCause.LATC)
        return bool(linked) and how == "cancelled"

    record = run_on(port, "quick", cancelled=fitted)
    assert linked
    assert record.interrupted is not None
    assert port.board.unit_name == "bench-nc-2x21"
    assert port.all_open
