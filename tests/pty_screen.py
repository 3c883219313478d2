"""A simulated board on a pseudo-terminal, served by a thread of the test, so that its switches can be seen; its cable can be pulled."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Self

from bench.ports.address import parse_sim_address
from bench.ports.server import serve_pty
from bench.ports.simulated import open_line
from bench.record import TestRecord
from bench.record_json import from_json
from bench.simboard.board import SimulatedBoard
from reports.patience import Patience
from reports.real_screen import SOON_S, NotSeen, RealScreen
from reports.screen_work import press_again

_LOOK_S = 0.002


class ServedBoard:
    """A board at `device`, a name that stays the same whenever its cable is pulled and plugged in again.

    `late_s`: the longest time that it was not given the processor. A real board needs none of this computer's; if this one stood still for
    long, whatever was then said of a silent board or a slow clock was true.
    """

    def __init__(self, folder: Path, address: str = "sim://bench-nc-2x21?seed=3") -> None:
        self.device = folder / "board"
        self.line = open_line(parse_sim_address(address), paced=True)
        assert isinstance(self.line.board, SimulatedBoard)
        self.board = self.line.board
        self.late_s = 0.0
        self._lived_s = 0.0
        self._live = self.line.poll
        self.line.poll = self._live_in_time  # type: ignore[method-assign]
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None

    def _live_in_time(self) -> bytes:
        now_s = time.monotonic()
        self.late_s = max(self.late_s, now_s - (self._lived_s or now_s))
        self._lived_s = now_s
        return self._live()

    def __enter__(self) -> Self:
        self.plug()
        return self

    def __exit__(self, *_: object) -> None:
        self.unplug()

    def plug(self) -> None:
        there = threading.Event()

        def ready(name: str) -> None:
            self.device.symlink_to(name)
            there.set()

        self._stop = threading.Event()
        self._thread = threading.Thread(target=serve_pty, args=(self.line, ready, self._stop), name="board", daemon=True)
        self._thread.start()
        assert there.wait(SOON_S)

    def unplug(self) -> None:
        """Whoever uses it sees the device vanish; the board lives on, and is not asked any more."""
        if self._thread is not None:
            self.device.unlink()
            self._stop.set()
            self._thread.join(SOON_S)
            self._thread = None

    @property
    def runs(self) -> bool:
        """Whether current may flow: master and loads are closed."""
        return self.board.master and bool(self.board.loads)

    @property
    def all_open(self) -> bool:
        return not self.board.master and not self.board.loads

    def until(self, holds: Callable[[], bool], at_most_s: float = SOON_S) -> float:
        """Wait until this holds, looking every few milliseconds; s that it took. AssertionError if it does not come.

        `at_most_s`: on a free machine; a busy one may take longer.
        """
        began_s, patience = time.monotonic(), Patience(at_most_s)
        while not holds():
            assert patience.is_left, f"not within {at_most_s:g} s"
            if self._thread is None:
                self.line.poll()  # nobody serves it, and it lives nevertheless
            time.sleep(_LOOK_S)
        return time.monotonic() - began_s


def scanned(screen: RealScreen, number: str) -> None:
    """Scan this unit, and come back when only Enter is wanted."""
    screen.until("SIMULATED")
    screen.scan(number)
    screen.until("Enter starts")


def started(screen: RealScreen, board: ServedBoard, number: str = "") -> None:
    """Scan this unit, unless that was done, start its test, and come back when its lamps are switched on."""
    if number:
        scanned(screen, number)
    press_again(screen)
    try:
        board.until(lambda: board.runs)
    except AssertionError as error:
        raise NotSeen(f"{error}; the screen shows:\n{screen.text}") from None


def kept(folder: Path) -> list[TestRecord]:
    """The records that are kept there, in order of time."""
    return [from_json(path.read_text(encoding="ascii")) for path in sorted(folder.rglob("[0-9]*.json"))]
