"""A board has 0.5 s for a reply (firmware/PROTOCOL.md section 2): within it all works, beyond it the host says so, however far beyond.
What the host itself stood still is no time of the board's."""

from __future__ import annotations

from dataclasses import dataclass

import pytest
from bench_port import BenchPort, bench_port, run_on, setup

from bench.board import BoardClient
from bench.errors import BoardLate, BoardSilent
from bench.outcome import Outcome
from bench.simboard.units import nominal
from bench.simboard.world import World
from bench.wire.answers import DONE, NUMBER
from reports.planted_faults import RepliesLate


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


@dataclass
class StandingPort(BenchPort):
    """The computer stands still for `still_s` after so many reads and writes; what comes meanwhile waits."""

    still_s: float = 0.0
    after: int = 0
    calls: int = 0
    waiting: bytes = b""

    def write(self, data: bytes) -> None:
        super().write(data)
        self._called()

    def read(self, timeout_s: float) -> bytes:
        data, self.waiting = self.waiting, b""
        data = data or super().read(timeout_s)
        self._called()
        return data

    def _called(self) -> None:
        self.calls += 1
        if self.calls == self.after:
            self.stand_still()

    def stand_still(self) -> None:
        until_s = self.now_s() + self.still_s
        while self.now_s() < until_s:
            self.waiting += self.line.read(until_s - self.now_s())


@pytest.mark.parametrize("still_s", [0.6, 5.0])
@pytest.mark.parametrize("after", [4, 5, 18, 53, 90, 131, 132, 160, 200])
def test_a_computer_that_stands_still_charges_no_board_with_it(still_s: float, after: int) -> None:
    port = StandingPort(bench_port("EL").board, still_s=still_s, after=after)
    client = BoardClient(port)
    client.open()
    assert client.self_test() == ""
    client.start_sampling()
    client.attend(0.3)
    client.all_open()
    assert port.calls > after and client.retries == 0


def test_listening_goes_on_after_it() -> None:
    port = StandingPort(bench_port("EL").board, still_s=2.0)
    client = BoardClient(port)
    client.open()
    port.at[port.now_s() + 0.2] = port.stand_still
    before_s = port.now_s()
    client.attend(0.5)
    assert 2.4 < port.now_s() - before_s < 2.6


def test_a_late_board_is_late_though_the_computer_stands_still_too() -> None:
    port = StandingPort(slow_bench(0.7).board, still_s=2.0, after=30)
    with pytest.raises(BoardLate, match=r"answers too late \(0.7 s"):
        BoardClient(port).open()


def test_a_board_that_sends_nothing_new_is_silent_after_a_second() -> None:
    port = bench_port("EL")
    client = BoardClient(port)
    client.open()
    client.start_sampling()
    port.board.stop()
    before_s = port.now_s()
    with pytest.raises(BoardSilent, match="stopped sending new samples"):
        client.attend(5.0)
    assert 0.9 < port.now_s() - before_s < 1.2
