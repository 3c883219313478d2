"""The station's loop: look after the board, hear orders, do tests, tell news.

Everything is done in one thread, in which the session runs too; orders are heard between its reads, some twenty times a second. Only
telling is another thread's (`screen_link`), since a screen that takes nothing must not hold up a board.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from multiprocessing.connection import Connection
from pathlib import Path

from bench.errors import Cancelled, SetupError
from bench.ports import Port
from bench.session import BEGUN, begun_record, run_test
from bench.station.attached_board import AttachedBoard
from bench.station.messages import Begin, Finished, Refused, Started
from bench.station.screen_link import ScreenLink
from bench.station.screen_operator import ScreenOperator
from bench.station.shelf import new_place
from bench.version import __version__

SILENT_SCREEN_S = 1.0
"""A screen that was not heard for so long during a test is taken for gone: as long as a board waits for its host."""
PRACTICE = "practice"
"""Folder, inside that of the tests, for those of a simulated board: no real unit was tested."""
_IDLE_S = 0.1
_ATTEND_S = 0.02


class Station:
    """`serve` until told to leave, or until the other end of the connection is gone. `told_to_end`: why the system wants it to, if so."""

    def __init__(
        self,
        connection: Connection,
        folder: Path | None,
        clock: Callable[[], float] = time.monotonic,
        silent_screen_s: float = SILENT_SCREEN_S,
        told_to_end: Callable[[], str | None] = lambda: None,
    ) -> None:
        self._silent_screen_s = silent_screen_s
        self._told_to_end = told_to_end
        self._folder = folder
        self._clock = clock
        self._screen = ScreenLink(connection, clock)
        self._attended_s = clock()
        self._board: AttachedBoard | None = None

    def serve(self) -> None:
        """Carry out the orders of the screen until it is time to leave; the port is closed then."""
        screen = self._screen
        screen.start_telling()
        try:
            while screen.leave is None:
                self._hear(_IDLE_S)
                if (order := screen.take_attach()) is not None:
                    self._close_port()
                    self._board = AttachedBoard(order, screen.say, self._clock)
                if (begin := screen.take_begin()) is not None:
                    self._test(begin)
                elif screen.leave is None and self._board is not None:
                    self._board.look_after()
        finally:
            self._close_port()
            screen.stop_telling()

    def _hear(self, wait_s: float = 0.0) -> None:
        """Take in what the screen wants, and what the system says."""
        if (reason := self._told_to_end()) is not None:
            self._screen.end(reason)
        self._screen.hear(wait_s)

    def _close_port(self) -> None:
        if self._board is not None:
            self._board.close()

    # --- a test

    def _test(self, begin: Begin) -> None:
        board = self._board
        if board is None or board.port is None:
            absent = board.absent_text if board is not None else None
            self._screen.say(Refused(absent or "testing: no board has answered yet; look at cable and power"))
            return
        self._screen.heard_s = self._clock()
        rested_s = max(begin.setup.rested_s, board.rested_s(board.port, begin.setup.unit))
        self._test_on(board, board.port, replace(begin, setup=replace(begin.setup, rested_s=rested_s)))

    def _test_on(self, board: AttachedBoard, port: Port, begin: Begin) -> None:
        """Test the unit, and keep its record from its first moment on."""
        say, setup = self._screen.say, begin.setup
        when, software = datetime.now(UTC).astimezone().isoformat(timespec="seconds"), f"makebreak {__version__}"
        folder = self._folder / PRACTICE if self._folder is not None and board.is_simulated else self._folder
        place = new_place(folder, setup.unit, when)
        place.begin(begun_record(begin.procedure, setup, port.address, BEGUN, when=when, software=software))
        say(Started(setup.unit, place.record_path, place.capture_path))
        try:
            record = run_test(
                port,
                begin.procedure,
                setup,
                operator=ScreenOperator(self._screen, port.now_s),
                at_simulated=(lambda simulated: ScreenOperator(self._screen, port.now_s, simulated)) if board.order.own_hands else None,
                progress=say,
                cancelled=self._attend_screen,
                when=when,
                software=software,
                capture=place.capture,
                memory=board.memory,
            )
        except SetupError as error:
            place.discard()
            say(Refused(str(error)))
            return
        board.was_used(port, setup.unit)
        record = place.finish(record)
        say(Finished(record, place.record_path, place.capture_path, place.problem))

    def _attend_screen(self) -> bool:
        """Hear what the screen wants, and see that it is still there. Called all through a test, after each read; Cancelled ends it."""
        now_s = self._clock()
        if now_s - self._attended_s < _ATTEND_S:
            return False
        self._attended_s = now_s
        self._hear()
        for reason in (self._screen.leave, self._screen.stop):
            if reason is not None:
                raise Cancelled(reason)
        if self._clock() - self._screen.heard_s > self._silent_screen_s:
            raise Cancelled(f"the display stopped responding for {self._silent_screen_s:g} s; loads were switched off")
        return False
