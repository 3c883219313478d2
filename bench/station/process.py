"""The station as a process of its own, and the screen's end of the connection to it."""

from __future__ import annotations

import contextlib
import logging
import multiprocessing
import os
import select
import sys
import threading
from collections.abc import Iterator
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Protocol

from bench.station.messages import Beat, Broken, Leave, News, Order
from bench.station.station import SILENT_SCREEN_S, Station
from bench.stopping import held

_AT_ONCE = 500
_ORDERLY_S = 4.0  # opening everything and keeping the record takes some 0.3 s
_LOG = "station.log"


class Worker(Protocol):
    """What runs a station: a process, or a thread in tests."""

    def is_alive(self) -> bool:
        """Return whether it runs still."""

    def join(self, timeout: float | None = None) -> None:
        """Wait until it has ended, for `timeout` seconds at the most."""


class StationLink:
    """The screen's end: `tell` orders, take `news` without waiting."""

    def __init__(self, connection: Connection, worker: Worker) -> None:
        self._connection = connection
        self._worker = worker
        self._broken = False

    def tell(self, order: Order) -> None:
        """Send an order; one that the station can't take now is lost if it is a beat. A station that is gone shows in `news`."""
        if self._broken:
            return
        with contextlib.suppress(OSError):
            if not isinstance(order, Beat) or self._takes():
                self._connection.send(order)

    def _takes(self) -> bool:
        if sys.platform == "win32":
            return True
        return bool(select.select([], [self._connection], [], 0.0)[1])

    def news(self) -> Iterator[News]:
        """Yield what came since the last time; `Broken`, once, if the station has ended."""
        if self._broken:
            return
        try:
            for _ in range(_AT_ONCE):
                if not self._connection.poll():
                    return
                yield self._connection.recv()
        except (EOFError, OSError):
            self._broken = True
            yield Broken("the program that drives the board has ended; by now the board has opened everything by itself")

    def close(self, reason: str) -> None:
        """Have the station end in good order, whatever it does; harmless twice. A process that will not is killed: the board then opens
        everything by itself."""
        self.tell(Leave(reason))
        self._worker.join(_ORDERLY_S)
        if self._worker.is_alive() and isinstance(self._worker, multiprocessing.process.BaseProcess):
            self._worker.kill()
            self._worker.join(_ORDERLY_S)
        self._broken = True
        self._connection.close()


def start_station(folder: Path | None) -> StationLink:
    """Return a station in a process of its own, which keeps its tests in `folder` (None: nowhere)."""
    context = multiprocessing.get_context("spawn")
    ours, theirs = context.Pipe()
    process = context.Process(target=_main, args=(theirs, folder), name="makebreak station")
    process.start()
    theirs.close()
    return StationLink(ours, process)


def _main(connection: Connection, folder: Path | None) -> None:
    """Run the station's process. It belongs to no terminal, so that one that closes takes nothing with it."""
    if hasattr(os, "setsid"):
        os.setsid()
    _leave_terminal(folder)
    with held() as hold:
        Station(connection, folder, told_to_end=lambda: hold.reason).serve()


def _leave_terminal(folder: Path | None) -> None:
    """Nothing that is printed in here may reach the screen's terminal; what goes wrong goes into a file."""
    null = os.open(os.devnull, os.O_RDWR)
    for number in (0, 1, 2):
        os.dup2(null, number)
    logging.raiseExceptions = False
    if folder is not None:
        with contextlib.suppress(OSError):
            folder.mkdir(parents=True, exist_ok=True)
            logging.basicConfig(filename=folder / _LOG, level=logging.WARNING, format="%(asctime)s %(levelname)s %(message)s")

            def report(args: threading.ExceptHookArgs) -> None:
                logging.error("a thread ended by an error", exc_info=args.exc_value)

            threading.excepthook = report


def station_in_thread(folder: Path | None, silent_screen_s: float = SILENT_SCREEN_S) -> StationLink:
    """Return a station in a thread of this process, for pictures and tests. The two hold each other up, so a screen may need more time."""
    ours, theirs = multiprocessing.Pipe()
    station = Station(theirs, folder, silent_screen_s=silent_screen_s)

    def serve() -> None:
        try:
            station.serve()
        finally:
            theirs.close()

    thread = threading.Thread(target=serve, name="station", daemon=True)
    thread.start()
    return StationLink(ours, thread)
