"""A simulated board as seen from its host: bytes, and a clock that passes only when the host waits, or as the wall's does.

The board is simulated a little ahead of the host's clock, so that it can be done in stretches; a command then takes effect up to
`AHEAD_S` later than it was sent, as if that were the way down.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import TYPE_CHECKING

from bench.ports import PortError
from bench.ports.address import SimAddress

if TYPE_CHECKING:
    from bench.simboard.board import SimulatedBoard

AHEAD_S = 0.025
_POLL_S = 0.001


class SimulatedLine:
    """The host's end of a simulated board's cable. `clock` (s, monotonic) and `sleep` make it keep the wall's pace; None: virtual time."""

    def __init__(
        self, board: SimulatedBoard, clock: Callable[[], float] | None = None, sleep: Callable[[float], None] = time.sleep
    ) -> None:
        self.board = board
        self._clock = clock
        self._sleep = sleep
        self._origin_s = clock() if clock is not None else 0.0
        self.now_s = board.now_s

    def write(self, data: bytes) -> None:
        self._catch_up()
        self._check()
        self.board.receive(data)

    def read(self, timeout_s: float) -> bytes:
        """Wait at most timeout_s for bytes; all that are there."""
        self._catch_up()
        deadline_s = self.now_s + max(timeout_s, 0.0)
        while True:
            arrival_s = self.board.uplink.next_arrival()
            if arrival_s is not None or self.board.now_s >= deadline_s:
                break
            self.board.run_until(min(deadline_s, self.board.now_s + AHEAD_S))
        self._pass(deadline_s if arrival_s is None else min(deadline_s, max(arrival_s, self.now_s)))
        self._check()
        return self.board.uplink.take(self.now_s)

    def poll(self) -> bytes:
        """What is there, without waiting. In virtual time asking takes a millisecond, or a host that only asks would ask for ever."""
        return self.read(0.0 if self._clock is not None else _POLL_S)

    def _pass(self, until_s: float) -> None:
        """Let the host's clock go on to until_s; in real pace never ahead of the wall's, and nothing skipped if behind."""
        if self._clock is not None:
            ahead_s = until_s - (self._clock() - self._origin_s)
            if ahead_s > 0.0:
                self._sleep(ahead_s)
        self.now_s = until_s

    def _catch_up(self) -> None:
        if self._clock is not None:
            self.now_s = max(self.now_s, self._clock() - self._origin_s)
            self.board.run_until(self.now_s)

    def _check(self) -> None:
        if self.now_s >= self.board.link.unplugged_at_s:
            raise PortError("the simulated board's cable was pulled; plug it in again")


def build_board(address: SimAddress) -> SimulatedBoard:
    """The simulated bench of an address. PortError for a name that is not known, with those that are."""
    from bench.simboard.bench import simulated_bench

    return simulated_bench(address)
