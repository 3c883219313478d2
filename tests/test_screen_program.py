"""The real program at a board on a pseudo-terminal: a unit from scan to verdict, and every way in which screen or station may die.

In real time, so that what is measured is what would happen at a bench. Whatever dies, all loads are open in time, the record on disk
can be read and says what happened, and nothing is left running.
"""

from __future__ import annotations

import os
import signal
import sys
from collections.abc import Callable, Iterator
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
LATE_S = 0.3
"""A simulated board that stood still for so long was none, and what followed shows nothing."""
TRIES = 6


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


class Desks:
    """Programs take a while to start, so the next desk's do that while this one's are at work."""

    def __init__(self, new_folder: Callable[[], Path]) -> None:
        self._new_folder = new_folder
        self._spare: list[Desk] = []
        self.taken: list[Desk] = []

    def take(self) -> Desk:
        while len(self._spare) < 2:
            self._spare.append(Desk(self._new_folder()))
        desk = self._spare.pop(0)
        desk.board.late_s = 0.0
        self.taken.append(desk)
        return desk

    @property
    def in_time(self) -> bool:
        """Whether all boards taken were given the processor whenever a real one would have lived."""
        return all(desk.board.late_s < LATE_S for desk in self.taken)

    def clear(self, spare: bool = False) -> None:
        for desk in (*self.taken, *(self._spare if spare else ())):
            desk.close()
        self.taken = []


@pytest.fixture(scope="module")
def desks(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Desks]:
    made = Desks(lambda: tmp_path_factory.mktemp("desk"))
    yield made
    made.clear(spare=True)


def leave(desk: Desk, in_test: bool = False) -> None:
    """F12, twice where a test runs: in good order, and nothing is left."""
    family = desk.screen.family()
    desk.screen.press(F[12])
    if in_test:
        desk.screen.until("F12 once more")
        assert desk.board.runs, "the test goes on until it is answered"
        desk.screen.press(F[12])
    assert desk.screen.ended() == 0
    assert gone(family)
    assert desk.board.all_open


def scan_start_verdict_next_quit(desks: Desks) -> None:
    desk = desks.take()
    screen, board = desk.screen, desk.board
    started(screen, board, "U-4711 [/b]")
    screen.until("LAMPS LIT")
    screen.until("Enter accept")
    assert "GOOD: no limit is broken" in screen.text
    assert "U-4711 [/b]" in screen.text
    board.until(lambda: board.all_open, OPEN_S)  # the verdict is shown when the unit is sent off, which the board hears a little later
    board.until(lambda: kept(desk.keep)[0].interrupted is None)  # after the board has confirmed that everything is open
    (record,) = kept(desk.keep)
    assert (record.unit, record.outcome) == ("U-4711 [/b]", Outcome.GOOD)
    assert not any(record.link.values())
    press_again(screen)
    screen.until("Scan or type")
    screen.scan("U-4712")
    screen.until("Unit U-4712")
    leave(desk)


def told_to_end(desks: Desks) -> None:
    desk = desks.take()
    started(desk.screen, desk.board, "T1")
    family = desk.screen.family()
    desk.screen.process.send_signal(signal.SIGTERM)
    desk.board.until(lambda: desk.board.all_open, OPEN_S)
    assert desk.screen.ended() == 130
    assert gone(family)
    assert_broken_off(desk.keep, "SIGTERM")


def the_terminal_is_closed(desks: Desks) -> None:
    desk = desks.take()
    started(desk.screen, desk.board, "T2")
    family = desk.screen.family()
    desk.screen.close_terminal()
    desk.board.until(lambda: desk.board.all_open, OPEN_S)
    assert desk.screen.ended() == 130, "no error in this program, though a thread of it finds that it can't write"
    assert gone(family)
    assert_broken_off(desk.keep, "the terminal was closed")


def the_screen_is_killed(desks: Desks) -> None:
    desk = desks.take()
    started(desk.screen, desk.board, "T3")
    family = desk.screen.family()
    desk.screen.process.kill()
    desk.board.until(lambda: desk.board.all_open, OPEN_S)
    desk.screen.ended()
    assert gone(family)
    assert_broken_off(desk.keep, "the screen is gone")


def the_station_is_killed(desks: Desks) -> None:
    desk = desks.take()
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
    leave(desk, in_test=True)
    assert_broken_off(desk.keep, "the screen was left")


def screens_that_stand_still(desks: Desks) -> None:
    """One whose terminal is blocked, and one that is stopped; both go on afterwards."""
    blocked, stopped = desks.take(), desks.take()
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


def a_blocked_screen_can_be_ended(desks: Desks) -> None:
    desk, other = both = desks.take(), desks.take()
    families = []
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


def an_unplugged_cable(desks: Desks) -> None:
    desk = desks.take()
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
    leave(desk, in_test=True)


def assert_broken_off(keep: Path, why: str) -> None:
    """The newest record says that the test was not finished, and why."""
    record = kept(keep)[-1]
    assert record.outcome is Outcome.NOT_DECIDED
    assert why in (record.interrupted or "")
    assert record.reason


SCENARIOS = (
    scan_start_verdict_next_quit, told_to_end, the_terminal_is_closed, the_screen_is_killed, the_station_is_killed,
    screens_that_stand_still, a_blocked_screen_can_be_ended, an_unplugged_cable,
)  # fmt: skip


@pytest.mark.parametrize("scenario", SCENARIOS, ids=lambda scenario: scenario.__name__)
def test_all_is_open_and_kept(scenario: Callable[[Desks], None], desks: Desks) -> None:
    """Play the scenario; again if the machine was so busy that a simulated board could not do what a real one does."""
    for left in reversed(range(TRIES)):
        try:
            scenario(desks)
            return
        except Exception:
            if desks.in_time or not left:
                raise
        finally:
            desks.clear()
