"""A board has 0.5 s for a reply (firmware/PROTOCOL.md section 2): within it all works, beyond it the host says so, however far beyond."""

from __future__ import annotations

import pytest
from bench_port import BenchPort, run_on, setup

from bench.outcome import Outcome
from bench.session.board import BoardClient, BoardLate, BoardSilent
from bench.simboard.units import nominal
from bench.simboard.world import World
from bench.wire.answers import DONE, NUMBER
from reports.planted_boards import RepliesLate


def slow_bench(late_s: float) -> BenchPort:
    unit = nominal("EL")
    board = RepliesLate(World(unit, seed=1), seed=1, unit_name="EL", find_unit=lambda name: "LINK" if name == "LINK" else unit)
    board.late_s = late_s
    return BenchPort(board)


@pytest.mark.parametrize("late_s", [0.0, 0.2, 0.4, 0.49])
def test_a_board_within_its_time_is_tested_on(late_s: float) -> None:
    record = run_on(slow_bench(late_s), "quick", setup=setup(stop_early=True))
    assert record.conclusion.outcome is Outcome.GOOD, record.conclusion
    assert record.link["replies_asked_again"] == 0


@pytest.mark.parametrize("late_s", [0.6, 0.7, 0.9, 1.0, 1.05, 1.2, 1.5, 2.0, 2.6, 3.3, 4.9])
def test_a_later_one_is_refused_however_late(late_s: float) -> None:
    port = slow_bench(late_s)
    with pytest.raises(BoardLate, match=rf"answers too late \({late_s:.1f} s; the page allows 0.5 s\)"):
        BoardClient(port).open()


def test_one_that_never_answers_is_silent() -> None:
    with pytest.raises(BoardSilent, match=r"no answer in 8 tries of 1 s"):
        BoardClient(slow_bench(1e6)).open()


def test_a_lost_reply_is_asked_for_again_and_not_taken_for_a_late_one() -> None:
    port = slow_bench(0.0)
    client = BoardClient(port)
    client.open()
    lost = iter((True, True))
    port.lose = lambda data: data == b"SYST:VERS?\n" and next(lost, False)
    assert client.query("SYST:VERS?", NUMBER) == 1999.0
    assert client.retries == 2
    assert client.query("*OPC?", DONE) == 1
