"""A simulated board as seen from its host: bytes, and a clock that passes only when the host waits, or as the wall's does; and the port
over it.

The board is simulated a little ahead of the host's clock, so that it can be done in stretches; a command then takes effect up to
`AHEAD_S` later than it was sent, as if that were the way down.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Protocol

from bench.errors import AddressError, PortError
from bench.ports import Port
from bench.ports.address import SimAddress, parse_sim_address

if TYPE_CHECKING:
    from bench.simboard.link import Link
    from bench.simboard.uplink import Uplink

AHEAD_S = 0.04
_POLL_S = 0.001  # of virtual time that asking takes


class LivingBoard(Protocol):
    """A board in simulated time, whatever it is made of."""

    link: Link
    uplink: Uplink

    @property
    def now_s(self) -> float:
        """The present, in s of the board's simulated time."""

    def receive(self, data: bytes) -> None:
        """Take bytes from the host, at the present time."""

    def run_until(self, t_s: float) -> None:
        """Let it live; what comes up waits in `uplink`."""


class SimulatedLine:
    """The host's end of a simulated board's cable. `clock` (s, monotonic) and `sleep` keep real pace; None: virtual time."""

    def __init__(self, board: LivingBoard, clock: Callable[[], float] | None = None, sleep: Callable[[float], None] = time.sleep) -> None:
        self.board = board
        self._clock = clock
        self._sleep = sleep
        self._origin_s = clock() if clock is not None else 0.0
        self.now_s = board.now_s

    def write(self, data: bytes) -> None:
        """Send bytes to the board at the host's present time. PortError if the cable was pulled."""
        self._catch_up()
        self._check()
        self.board.receive(data)

    def read(self, timeout_s: float) -> bytes:
        """Wait at most timeout_s for bytes; all that are there."""
        self._catch_up()
        deadline_s = self.now_s + max(timeout_s, 0.0)
        until_s = self._first_bytes(deadline_s)
        while self.board.now_s < until_s:
            self.board.run_until(min(deadline_s, self.board.now_s + AHEAD_S))
            until_s = self._first_bytes(deadline_s)
        self._pass(until_s)
        self._check()
        return self.board.uplink.take(self.now_s)

    def poll(self) -> bytes:
        """Return the bytes that are there, without waiting. In virtual time asking takes a millisecond, or who only asks would never
        end."""
        return self.read(0.0 if self._clock is not None else _POLL_S)

    def _first_bytes(self, deadline_s: float) -> float:
        """Return when bytes come, as far as is known by now, or the deadline; not before now."""
        arrival_s = self.board.uplink.next_arrival()
        return deadline_s if arrival_s is None else min(deadline_s, max(arrival_s, self.now_s))

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


class SimulatedPort(Port):
    """A `Port` at the host's end of a simulated board's cable.

    It raises PortError only for what a cable does. An error in the physics, or in the board's program, comes out as what it is.
    """

    def __init__(self, address: str, line: SimulatedLine) -> None:
        self.address = address
        self._line = line
        self._closed = False

    def write(self, data: bytes) -> None:
        with self._named("sending to"):
            self._line.write(data)

    def read(self, timeout_s: float) -> bytes:
        with self._named("reading from"):
            return self._line.read(timeout_s)

    def now_s(self) -> float:
        return self._line.now_s

    def close(self) -> None:
        self._closed = True

    @contextmanager
    def _named(self, doing: str) -> Iterator[None]:
        """Say in the PortError of a cable what was being done, to which board."""
        if self._closed:
            raise PortError(f"{doing} {self.address}: the port is closed")
        try:
            yield
        except PortError as error:
            raise PortError(f"{doing} {self.address}: {error}") from error


def open_simulated(address: str) -> SimulatedPort:
    """Return the port of an address `sim://NAME?...`. AddressError if there can be no such bench."""
    return SimulatedPort(address, open_line(parse_sim_address(address)))


def open_line(address: SimAddress, *, paced: bool = False) -> SimulatedLine:
    """Return the host's end of the bench of this address, in real time if it says so or `paced` does. AddressError for unknown names."""
    from bench.ports.setting import set_up
    from bench.simboard.board import SimulatedBoard
    from bench.simboard.rig import rig_description

    setting = set_up(address)
    board = SimulatedBoard(
        setting.world,
        seed=address.seed,
        ideal=address.ideal,
        faults=setting.rig_faults,
        unit_name=address.unit,
        supply_v=setting.supply_v,
        ambient_c=address.ambient_c,
        find_unit=setting.find_unit,
        link=setting.link,
        description=rig_description(address.seed, setting.bank),
    )
    return line_to(board, address, paced=paced)


def line_to(board: LivingBoard, address: SimAddress, *, paced: bool = False) -> SimulatedLine:
    """Return the host's end of this board, in the pace of its address, or in real time if `paced`. AddressError if it says otherwise."""
    if paced and address.pace == "virtual":
        raise AddressError(f"opening {address}: a board that is served lives in real time; leave out pace=virtual")
    return SimulatedLine(board, time.monotonic if paced or address.pace == "real" else None)
