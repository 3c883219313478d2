"""Hostile boards in front of the real bench screen: served in real time on a pseudo-terminal, and a unit tested on each."""

from __future__ import annotations

import contextlib
import tempfile
import threading
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Self, cast

from bench.errors import PortError, RecordError
from bench.ports.address import parse_sim_address
from bench.ports.server import serve_pty
from bench.ports.simulated import SimulatedLine, open_line
from bench.record import TestRecord
from reports.hostile_port import HostileLine, Mischief
from reports.real_screen import F, NotSeen, RealScreen
from reports.screen_work import choose, kept, press_again, shows_verdict
from reports.seen_terminal import SeenTerminal

UNIT = "H1"
_FOUND_S, _TESTED_S, _ENDED_S = 15.0, 45.0, 15.0


class _ServedLine:
    """A hostile line at `device`, served by a thread of this process, so that its switches can be seen."""

    def __init__(self, folder: Path, address: str, mischiefs: Sequence[Mischief]) -> None:
        self.device = folder / "board"
        self.line = HostileLine(open_line(parse_sim_address(address), paced=True), mischiefs)
        self._stop = threading.Event()
        self._there = threading.Event()
        self.failed = ""
        self._thread = threading.Thread(target=self._serve, name="board", daemon=True)

    def __enter__(self) -> Self:
        self._thread.start()
        self._there.wait(_FOUND_S)
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join(_FOUND_S)

    def _serve(self) -> None:
        try:
            # It is used as the line that it stands for.
            serve_pty(cast(SimulatedLine, self.line), self._ready, self._stop)
        except (PortError, OSError):
            pass  # a port that closes is a mischief; the board behind it lives on
        except Exception as error:
            self.failed = f"{type(error).__name__} in the hostile board: {error}"
        self.device.unlink(missing_ok=True)
        while not self._stop.is_set():
            self.line.let_go(0.05)

    def _ready(self, name: str) -> None:
        self.device.symlink_to(name)
        self._there.set()


@dataclass(frozen=True)
class Shown:
    """What became of one board at the screen. `record`: of the test, if one was kept; `closed_s`: how long loads stayed closed after the
    screen had ended; `wrong`: what no screen may do, in words."""

    record: TestRecord | None
    text: str
    closed_s: float
    wrong: str


def shown(address: str, mischiefs: Sequence[Mischief]) -> Shown:
    """Start the screen at this board, scan a unit, have it tested, look at what is on the screen then, and end it."""
    with tempfile.TemporaryDirectory() as name:
        folder, keep = Path(name), Path(name) / "records"
        keep.mkdir()
        choose(keep, "quick")
        with _ServedLine(folder, address, mischiefs) as board, RealScreen(str(board.device), keep) as screen:
            wrong, text, record = "", "", None
            try:
                screen.until("Unit", _FOUND_S)
                with contextlib.suppress(NotSeen):
                    screen.until("SIMULATED", _FOUND_S)
                screen.scan(UNIT)
                press_again(screen)
                with contextlib.suppress(NotSeen):
                    screen.until(lambda terminal: shows_verdict(terminal) or _is_absent(terminal), _TESTED_S)
                text = screen.text
                with contextlib.suppress(ValueError, RecordError):
                    record, _ = kept(keep)
                if screen.process.poll() is not None:
                    wrong = f"the screen ended by itself, exit code {screen.process.returncode}"
                elif "Traceback" in text or any("Traceback" in log.read_text() for log in keep.rglob("*.log")):
                    wrong = "a traceback is on the screen or in the log of its station"
                screen.press(F[12])
                screen.ended(_ENDED_S)
            except Exception as error:
                wrong = wrong or f"{type(error).__name__}: {str(error)[:200]}"
            closed_s = _closed_for(board.line)
            return Shown(record, text, closed_s, wrong or board.failed)


def _is_absent(terminal: SeenTerminal) -> bool:
    return "NO BOARD" in terminal.text


def _closed_for(line: HostileLine) -> float:
    began_s = time.monotonic()
    while not line.all_open and time.monotonic() - began_s < 5.0:
        time.sleep(0.01)
    return time.monotonic() - began_s
