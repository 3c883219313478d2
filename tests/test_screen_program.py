"""The real program at a board on a pseudo-terminal: a unit from scan to verdict, and every way in which screen or station may die.

In real time, so that what is measured is what would happen at a bench. Whatever dies, all loads are open in time, the record on disk
can be read and says what happened, and nothing is left running.
"""

from __future__ import annotations

import os
import signal
import sys
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest
from pty_screen import ServedBoard, kept, scanned, started

from bench.outcome import Outcome
from reports.real_screen import F, RealScreen, gone
from reports.screen_work import choose, press_again

pytestmark = [] if sys.platform == "linux" else [pytest.mark.xfail(reason="no pseudo-terminals here", run=False)]

OPEN_S = 1.1
"""All loads are open so long after whoever held them was last heard."""
NOTICED_S = 2.5
"""The same for a screen that only stands still: it was heard for a while yet, since a terminal takes some output before it is full."""


class Desk:
    """A board with its screen."""

    def __init__(self, folder: Path) -> None:
        self.keep = folder / "records"
        self.keep.mkdir()
        choose(self.keep, "quick")
        self._open = ExitStack()
        self.board = self._open.enter_context(ServedBoard(folder))
        self.screen = self._open.enter_context(RealScreen(str(self.board.device), self.keep))

    def close(self) -> None:
        self._open.close()


@pytest.fixture(scope="module")
def spares() -> Iterator[list[Desk]]:
    """Programs take a while to start, so the next test's does that while this one's is at work."""
    spare: list[Desk] = []
    yield spare
    for one in spare:
        one.close()


@pytest.fixture
def desk(spares: list[Desk], tmp_path_factory: pytest.TempPathFactory) -> Iterator[Desk]:
    while len(spares) < 2:
        spares.append(Desk(tmp_path_factory.mktemp("desk")))
    mine = spares.pop(0)
    yield mine
    mine.close()


def leave(desk: Desk) -> None:
    """F12: in good order, and nothing is left."""
    family = desk.screen.family()
    desk.screen.press(F[12])
    assert desk.screen.ended() == 0
    assert gone(family)
    assert desk.board.all_open


def test_scan_start_verdict_next_quit(desk: Desk) -> None:
    screen, board = desk.screen, desk.board
    started(screen, board, "U-4711 [/b]")
    screen.until("LAMPS LIT")
    screen.until("Enter accept")
    assert "GOOD: all limits are kept" in screen.text
    assert "U-4711 [/b]" in screen.text
    assert board.all_open
    board.until(lambda: kept(desk.keep)[0].interrupted is None)  # after the board has confirmed that everything is open
    (record,) = kept(desk.keep)
    assert (record.unit, record.outcome) == ("U-4711 [/b]", Outcome.GOOD)
    assert not any(record.link.values())
    press_again(screen)
    screen.until("Scan or type")
    screen.scan("U-4712")
    screen.until("Unit U-4712")
    leave(desk)


def test_told_to_end(desk: Desk) -> None:
    started(desk.screen, desk.board, "T1")
    family = desk.screen.family()
    desk.screen.process.send_signal(signal.SIGTERM)
    desk.board.until(lambda: desk.board.all_open, OPEN_S)
    assert desk.screen.ended() == 130
    assert gone(family)
    assert_broken_off(desk.keep, "SIGTERM")


def test_the_terminal_is_closed(desk: Desk) -> None:
    started(desk.screen, desk.board, "T2")
    family = desk.screen.family()
    desk.screen.close_terminal()
    desk.board.until(lambda: desk.board.all_open, OPEN_S)
    desk.screen.ended()
    assert gone(family)
    assert_broken_off(desk.keep, "the terminal was closed")


def test_the_screen_is_killed(desk: Desk) -> None:
    started(desk.screen, desk.board, "T3")
    family = desk.screen.family()
    desk.screen.process.kill()
    desk.board.until(lambda: desk.board.all_open, OPEN_S)
    desk.screen.ended()
    assert gone(family)
    assert_broken_off(desk.keep, "the screen is gone")


def test_the_station_is_killed(desk: Desk) -> None:
    screen, board = desk.screen, desk.board
    started(screen, board, "T4")
    os.kill(screen.station, signal.SIGKILL)
    board.until(lambda: board.all_open, OPEN_S)
    screen.until("NOT DECIDED")
    assert_broken_off(desk.keep, "the program was stopped before the test was over")
    # The next station is there already: work goes on.
    press_again(screen)
    screen.until("Enter starts")
    press_again(screen)
    board.until(lambda: board.runs)
    leave(desk)
    assert_broken_off(desk.keep, "the screen was left")


def test_screens_that_stand_still(desk: Desk, spares: list[Desk]) -> None:
    """One whose terminal is blocked, and one that is stopped; both go on afterwards."""
    blocked, stopped = desk, spares.pop(0)
    for one in (blocked, stopped):
        scanned(one.screen, "T5")
    for one in (blocked, stopped):  # both in the middle of a test that takes seconds
        started(one.screen, one.board)
    blocked.screen.stop_taking()
    stopped.screen.process.send_signal(signal.SIGSTOP)
    for one in (blocked, stopped):
        one.board.until(lambda one=one: one.board.all_open, NOTICED_S)  # type: ignore[misc]
        one.board.until(lambda one=one: "stopped responding" in (kept(one.keep)[-1].interrupted or ""))  # type: ignore[misc]
    blocked.screen.take_again()
    stopped.screen.process.send_signal(signal.SIGCONT)
    for one in (blocked, stopped):
        one.screen.until("NOT DECIDED")
        assert_broken_off(one.keep, "the display stopped responding for 1 s")
        leave(one)
    stopped.close()


def test_a_blocked_screen_can_be_ended(desk: Desk, spares: list[Desk]) -> None:
    other = spares.pop(0)
    both, families = (desk, other), []
    for one in both:
        scanned(one.screen, "T6")
    for one in both:
        started(one.screen, one.board)
        families.append(one.screen.family())
        one.screen.stop_taking()
    for one in both:
        one.board.until(lambda one=one: one.board.all_open, NOTICED_S)  # type: ignore[misc]
    desk.screen.close_terminal()
    other.screen.process.send_signal(signal.SIGTERM)
    for one, family in zip(both, families, strict=True):
        one.screen.ended()
        assert gone(family)
        assert_broken_off(one.keep, "the display stopped responding for 1 s")
    other.close()


def test_an_unplugged_cable(desk: Desk) -> None:
    screen, board = desk.screen, desk.board
    started(screen, board, "T7")
    board.unplug()
    board.until(lambda: board.all_open, OPEN_S)
    screen.until("BENCH FAULT")
    (record,) = kept(desk.keep)
    assert record.outcome is Outcome.BENCH_FAULT
    assert "port-lost" in {fault.code for fault in record.bench_faults}
    press_again(screen)
    screen.until("NO BOARD")
    board.plug()
    screen.until("Enter starts")
    press_again(screen)
    board.until(lambda: board.runs)
    leave(desk)


def assert_broken_off(keep: Path, why: str) -> None:
    """The newest record says that the test was not finished, and why."""
    record = kept(keep)[-1]
    assert record.outcome is Outcome.NOT_DECIDED
    assert why in (record.interrupted or "")
    assert record.reason
