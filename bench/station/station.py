"""The station's loop: look after the board, hear orders, do tests, tell news.

Everything is done in one thread, in which the session runs too; orders are heard between its reads, some twenty times a second. Only
telling is another thread's, since a screen that takes nothing must not hold up a board.
"""

from __future__ import annotations

import logging
import queue
import threading
import time
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from multiprocessing.connection import Connection
from pathlib import Path

from bench.bench_memory import BenchMemory
from bench.board import BoardClient
from bench.errors import AddressError, Cancelled, EquipmentError, PortError, SetupError
from bench.ports import Port
from bench.ports.opening import open_port
from bench.ports.serial_port import FoundPort, find_boards
from bench.session import BEGUN, Live, SoFar, Traced, Waiting, begun_record, run_test
from bench.station.messages import (
    Absent,
    Attach,
    Beat,
    Begin,
    Done,
    Finished,
    Leave,
    News,
    Order,
    PassTime,
    Present,
    Refused,
    Shown,
    Started,
    Stop,
    Turn,
)
from bench.station.screen_operator import ScreenOperator
from bench.station.shelf import new_place
from bench.version import __version__
from bench.wire.answers import DONE

SILENT_SCREEN_S = 1.0
"""A screen that was not heard for so long during a test is taken for gone: as long as a board waits for its host."""
PRACTICE = "practice"
"""Folder, inside that of the tests, for those of a simulated board: no real unit was tested."""
LAMPS_COLD_S = 10.0  # dark for so long before a cold start: common practice, no source
_IDLE_S = 0.1
_ATTEND_S = 0.02
_LOOK_EVERY_S = 1.0
_ASK_AGAIN_S = 20.0
_WAITING_NEWS = 60
# Of these only the newest counts; a screen that is behind may miss some.
_STALE_SOON = (Traced, Live, SoFar, Waiting, Shown)
_log = logging.getLogger(__name__)


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
        self._connection = connection
        self._folder = folder
        self._clock = clock
        self._outbox: queue.Queue[News | None] = queue.Queue()
        self._attach: Attach | None = None
        self._attached: Attach | None = None
        self._port: Port | None = None
        self._simulated = False
        self._opened_s = 0.0
        self._tested = ""
        self._memory = BenchMemory()
        self._absent_text: str | None = None
        self._tried: tuple[tuple[FoundPort, ...], float] | None = None
        self._looked_s = -1e9
        self._heard_s = self._attended_s = clock()
        self._begin: Begin | None = None
        self._leave: str | None = None
        self._stop: str | None = None
        self.forget_said()

    # --- telling

    def say(self, news: News) -> None:
        """Tell the screen, without waiting for it."""
        if isinstance(news, _STALE_SOON) and self._outbox.qsize() > _WAITING_NEWS:
            return
        self._outbox.put(news)

    def _tell_all(self) -> None:
        while (news := self._outbox.get()) is not None:
            try:
                self._connection.send(news)
            except OSError:
                return

    # --- hearing

    def end(self, reason: str) -> None:
        """Leave as soon as possible."""
        self._leave = self._leave or reason

    def hear(self, wait_s: float = 0.0) -> None:
        """Take in the orders that are there, and what the system says."""
        if (reason := self._told_to_end()) is not None:
            self.end(reason)
        try:
            while self._connection.poll(wait_s):
                self._take(self._connection.recv())
                wait_s = 0.0
        except (EOFError, OSError):
            self.end("the screen is gone")

    def _take(self, order: Order) -> None:
        self._heard_s = self._clock()
        match order:
            case Attach():
                self._attach = order
            case Begin():
                # What is to be stopped is what was begun before.
                self._begin, self._stop = order, None
            case Stop(reason=reason):
                self._stop = reason
            case Leave(reason=reason):
                self.end(reason)
            case Done():
                self._done = True
            case PassTime():
                self._pass = True
            case Turn(by_v=by_v):
                self._turned_v += by_v
            case Beat():
                pass

    def forget_said(self) -> None:
        """What a person said before he was asked counts for nothing."""
        self._done = self._pass = False
        self._turned_v = 0.0

    def said_done(self) -> bool:
        return self._done

    def said_pass(self) -> bool:
        return self._pass

    def turned_by(self) -> float:
        """V by which the supply was turned since the last time."""
        by_v, self._turned_v = self._turned_v, 0.0
        return by_v

    def now_s(self) -> float:
        """The clock of the board's port."""
        return self._port.now_s() if self._port is not None else self._clock()

    # --- the loop

    def serve(self) -> None:
        teller = threading.Thread(target=self._tell_all, name="news", daemon=True)
        teller.start()
        try:
            while self._leave is None:
                self.hear(_IDLE_S)
                if self._attach is not None:
                    self._attached, self._attach = self._attach, None
                    self._looked_s, self._absent_text, self._tried = -1e9, None, None
                    self._close_port()
                if self._begin is not None:
                    begin, self._begin = self._begin, None
                    self._test(begin)
                elif self._leave is None and self._clock() - self._looked_s >= _LOOK_EVERY_S:
                    self._look_after_board()
                    self._looked_s = self._clock()
        finally:
            self._close_port()
            self._outbox.put(None)
            teller.join(timeout=1.0)

    def _close_port(self) -> None:
        port, self._port = self._port, None
        if port is not None:
            try:
                port.close()
            except PortError as error:
                _log.info("%s", error)

    def _look_after_board(self) -> None:
        """See that a board is there, and say so if that has changed."""
        if self._attached is None:
            return
        try:
            if self._port is not None:
                BoardClient(self._port).query("*OPC?", DONE, tries=2)
                return
            if self._attached.address == "auto" and not self._worth_asking():
                return
            self._port, self._memory = open_port(self._attached.address), BenchMemory()
            self.say(self._introduce(self._port))
            self._opened_s, self._tested = self._port.now_s(), ""
            self._absent_text = self._tried = None
        except (AddressError, EquipmentError) as error:
            self._lose_board(str(error))

    def _worth_asking(self) -> bool:
        """Whether to ask all serial ports who is there: other devices may not like it, so only when a port has come or gone, or after a
        while."""
        ports, now_s = find_boards(), self._clock()
        if self._tried is not None and self._tried[0] == ports and now_s - self._tried[1] < _ASK_AGAIN_S:
            return False
        self._tried = ports, now_s
        return True

    def _lose_board(self, text: str) -> None:
        self._close_port()
        if text != self._absent_text:
            self._absent_text = text
            self.say(Absent(text))

    def _introduce(self, port: Port) -> Present:
        identity, description, simulated_unit = BoardClient(port).make_contact()
        self._simulated = simulated_unit is not None
        return Present(port.address, identity, self._simulated, description)

    # --- a test

    def _test(self, begin: Begin) -> None:
        port = self._port
        if port is None or self._attached is None:
            self.say(Refused(self._absent_text or "testing: no board has answered yet; look at cable and power"))
            return
        self._heard_s = self._clock()
        when = datetime.now(UTC).astimezone().isoformat(timespec="seconds")
        software = f"makebreak {__version__}"
        folder = self._folder / PRACTICE if self._folder is not None and self._simulated else self._folder
        setup = replace(begin.setup, rested_s=max(begin.setup.rested_s, self._rested_s(port, begin.setup.unit)))
        place = new_place(folder, setup.unit, when)
        place.begin(begun_record(begin.procedure, setup, port.address, BEGUN, when=when, software=software))
        self.say(Started(setup.unit, place.record_path, place.capture_path))
        own = self._attached.own_hands
        try:
            record = run_test(
                port,
                begin.procedure,
                setup,
                operator=ScreenOperator(self),
                at_simulated=(lambda hands: ScreenOperator(self, hands)) if own else None,
                progress=self.say,
                cancelled=self._attend_screen,
                when=when,
                software=software,
                capture=place.capture,
                memory=self._memory,
            )
        except SetupError as error:
            place.discard()
            self.say(Refused(str(error)))
            return
        self._opened_s, self._tested = port.now_s(), setup.unit
        record = place.finish(record)
        self.say(Finished(record, place.record_path, place.capture_path, place.problem))
        self._looked_s = -1e9  # if the board was lost, the screen should know soon

    def _rested_s(self, port: Port, unit: str) -> float:
        """How long the bench has been open, as far as that counts as cooling: for its lamps, and for a unit that was tested last. Where
        another unit comes from nobody knows, but that it was not on this bench."""
        open_s = max(port.now_s() - self._opened_s, 0.0)
        return open_s if unit == self._tested else min(open_s, LAMPS_COLD_S)

    def _attend_screen(self) -> bool:
        """Called all through a test, after each read: what the screen wants, and whether it is still there."""
        now_s = self._clock()
        if now_s - self._attended_s < _ATTEND_S:
            return False
        self._attended_s = now_s
        self.hear()
        for reason in (self._leave, self._stop):
            if reason is not None:
                raise Cancelled(reason)
        if self._clock() - self._heard_s > self._silent_screen_s:
            raise Cancelled(f"the display stopped responding for {self._silent_screen_s:g} s; loads were switched off")
        return False
