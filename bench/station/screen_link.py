"""The station's end of the connection to the screen: news are told without waiting, orders are kept until they are carried out."""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable
from multiprocessing.connection import Connection

from bench.session import Live, SoFar, Traced, Waiting
from bench.station.messages import Attach, Beat, Begin, Done, Leave, News, Order, PassTime, Shown, Stop, Turn

_WAITING_NEWS = 60
# Of these only the newest counts; a screen that is behind may miss some.
_STALE_SOON = (Traced, Live, SoFar, Waiting, Shown)


class ScreenLink:
    """What the screen wants, as far as it was heard.

    `attach`, `begin`: the last order of that kind, until it is taken. `leave`, `stop`: why to leave, or to break off the test. `heard_s`:
    when the screen was last heard, on `clock`.
    """

    def __init__(self, connection: Connection, clock: Callable[[], float]) -> None:
        self._connection = connection
        self._clock = clock
        self._outbox: queue.Queue[News | None] = queue.Queue()
        self._teller = threading.Thread(target=self._tell_all, name="news", daemon=True)
        self.heard_s = clock()
        self.attach: Attach | None = None
        self.begin: Begin | None = None
        self.leave: str | None = None
        self.stop: str | None = None
        self.forget_said()

    def start_telling(self) -> None:
        """Tell the news from now on, in a thread of their own: a screen that takes nothing must not hold up a board."""
        self._teller.start()

    def stop_telling(self) -> None:
        """Tell what was said by now, for a second at most."""
        self._outbox.put(None)
        self._teller.join(timeout=1.0)

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

    def hear(self, wait_s: float = 0.0) -> None:
        """Take in the orders that are there; wait up to `wait_s` for the first. A screen that is gone is an order to leave."""
        try:
            while self._connection.poll(wait_s):
                self._take(self._connection.recv())
                wait_s = 0.0
        except (EOFError, OSError):
            self.end("the screen is gone")

    def end(self, reason: str) -> None:
        """Leave as soon as possible; the first reason counts."""
        self.leave = self.leave or reason

    def _take(self, order: Order) -> None:
        self.heard_s = self._clock()
        match order:
            case Attach():
                self.attach = order
            case Begin():
                # What is to be stopped is what was begun before.
                self.begin, self.stop = order, None
            case Stop(reason=reason):
                self.stop = reason
            case Leave(reason=reason):
                self.end(reason)
            case Done():
                self.is_done = True
            case PassTime():
                self.is_time_passed = True
            case Turn(by_v=by_v):
                self._turned_v += by_v
            case Beat():
                pass

    def take_attach(self) -> Attach | None:
        """Return the order to use another board, once."""
        order, self.attach = self.attach, None
        return order

    def take_begin(self) -> Begin | None:
        """Return the order to test a unit, once."""
        order, self.begin = self.begin, None
        return order

    def forget_said(self) -> None:
        """Forget what a person said before they were asked."""
        self.is_done = self.is_time_passed = False
        self._turned_v = 0.0

    def turned_by(self) -> float:
        """Return the V by which the supply was turned since the last time."""
        by_v, self._turned_v = self._turned_v, 0.0
        return by_v
