"""A simulated board in real time behind a TCP port of this machine, that logs what it is told and when its switches change."""

from __future__ import annotations

import threading
import time
from typing import Self

from bench.ports.address import parse_sim_address
from bench.ports.server import serve_tcp
from bench.ports.simulated import LivingBoard, SimulatedLine, open_line
from bench.simboard.board import SimulatedBoard

_READY_S = 30.0


class LoggedLine(SimulatedLine):
    """`lines`: what came down, whole lines with the time of their end; `switched`: when current could flow, or could no more. All in s
    of the machine's monotonic clock. `stood_s`: the longest time for which nothing of it ran."""

    def __init__(self, board: LivingBoard) -> None:
        assert isinstance(board, SimulatedBoard)
        self.seen = board
        self.lines: list[tuple[float, bytes]] = []
        self.switched: list[tuple[float, bool]] = []
        self._rest = b""
        self.stood_s, self._polled_s = 0.0, time.monotonic()
        super().__init__(board, time.monotonic)

    def write(self, data: bytes) -> None:
        *whole, self._rest = (self._rest + data).split(b"\n")
        now_s = time.monotonic()
        self.lines += [(now_s, line) for line in whole if line]
        super().write(data)
        self._look()

    def poll(self) -> bytes:
        data = super().poll()
        before_s, self._polled_s = self._polled_s, time.monotonic()
        self.stood_s = max(self.stood_s, self._polled_s - before_s)
        self._look()
        return data

    def _look(self) -> None:
        flows = self.seen.master and bool(self.seen.loads)
        if flows != (self.switched[-1][1] if self.switched else False):
            self.switched.append((time.monotonic(), flows))


class WatchedBoard:
    """Served at `address` while this context lasts."""

    def __init__(self, bench: str = "sim://bench-el-plain?seed=3") -> None:
        self.line = LoggedLine(open_line(parse_sim_address(bench), paced=True).board)
        self.address = ""
        self._stop = threading.Event()
        self._there = threading.Event()
        self._thread = threading.Thread(target=self._serve, name="board", daemon=True)

    def _serve(self) -> None:
        def ready(address: str) -> None:
            self.address = address
            self._there.set()

        serve_tcp(self.line, on_ready=ready, stop=self._stop)

    def __enter__(self) -> Self:
        self._thread.start()
        if not self._there.wait(_READY_S):
            raise AssertionError("the board is not served")
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join(_READY_S)

    @property
    def is_on(self) -> bool:
        """Whether current could flow now."""
        return self.line.seen.master and bool(self.line.seen.loads)

    @property
    def is_all_open(self) -> bool:
        return not self.line.seen.master and not self.line.seen.loads

    def was_on(self, at_s: float) -> bool:
        """Whether current could flow at this moment."""
        return next((on for t_s, on in reversed(self.line.switched) if t_s <= at_s), False)

    def on_after(self, since_s: float) -> float:
        """For how long after this moment current could flow, in s; 0 if it could not. It must not flow any more."""
        later = [t_s for t_s, _ in self.line.switched if t_s > since_s]
        return later[-1] - since_s if later and (self.was_on(since_s) or len(later) > 1) else 0.0

    def first_line(self, since_s: float) -> bytes | None:
        """What the board was told first after this moment."""
        return next((line for t_s, line in self.line.lines if t_s > since_s), None)
