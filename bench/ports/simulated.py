"""A simulated board as seen from its host: bytes, and a clock that passes only when the host waits, or as the wall's does.

The board is simulated a little ahead of the host's clock, so that it can be done in stretches; a command then takes effect up to
`AHEAD_S` later than it was sent, as if that were the way down.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import TYPE_CHECKING, Literal

from bench.ports import AddressError, PortError
from bench.ports.address import SimAddress

if TYPE_CHECKING:
    from bench.simboard.board import SimulatedBoard

AHEAD_S = 0.04
_POLL_S = 0.001


class SimulatedLine:
    """The host's end of a simulated board's cable. `clock` (s, monotonic) and `sleep` keep real pace; None: virtual time."""

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
        until_s = self._first_bytes(deadline_s)
        while self.board.now_s < until_s:
            self.board.run_until(min(deadline_s, self.board.now_s + AHEAD_S))
            until_s = self._first_bytes(deadline_s)
        self._pass(until_s)
        self._check()
        return self.board.uplink.take(self.now_s)

    def poll(self) -> bytes:
        """What is there, without waiting. In virtual time asking takes a millisecond, or who only asks would never end."""
        return self.read(0.0 if self._clock is not None else _POLL_S)

    def _first_bytes(self, deadline_s: float) -> float:
        """When bytes come, as far as is known by now, or the deadline; not before now."""
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


def open_line(address: SimAddress, *, paced: bool = False) -> SimulatedLine:
    """The host's end of the bench of this address, in real time if it says so or `paced` does. AddressError for unknown names."""
    real = paced or address.pace == "real"
    return SimulatedLine(build_board(address), time.monotonic if real else None)


def build_board(address: SimAddress) -> SimulatedBoard:
    """The simulated bench of an address. AddressError for a name that is not known, with those that are."""
    from bench.simboard.ageing import aged
    from bench.simboard.board import SimulatedBoard
    from bench.simboard.catalogue import unit
    from bench.simboard.faults import FAULTS
    from bench.simboard.link import LINK_FAULTS, faulty_link
    from bench.simboard.loads import test_volts
    from bench.simboard.rig import RIG_FAULTS
    from bench.simboard.units import Unit
    from bench.simboard.world import World

    def find(name: str) -> Unit | Literal["LINK"] | None:
        if name.upper() == "NONE":
            return None
        return "LINK" if name.upper() == "LINK" else aged(unit(name, address.seed), address.age)

    for name in address.faults:
        if not any(name in table for table in (FAULTS, RIG_FAULTS, LINK_FAULTS)):
            known = ", ".join((*FAULTS, *RIG_FAULTS, *LINK_FAULTS))
            raise AddressError(f"opening sim://{address.unit}: no fault is called {name!r}; there are: {known}")
    try:
        fitted = find(address.unit)
    except KeyError as error:
        raise AddressError(f"opening sim://{address.unit}: {error.args[0]}, LINK, NONE") from error
    rated = fitted.rating if isinstance(fitted, Unit) else None
    system_v = address.system_v or (rated.system_v if rated is not None else 12.0)
    supply_v = round(test_volts(system_v), 6) if address.supply_v is None else address.supply_v
    world = World(
        fitted,
        supply_v=supply_v,
        system_v=system_v,
        ambient_c=address.ambient_c,
        seed=address.seed,
        faults=tuple(name for name in address.faults if name in FAULTS),
        rated_loads=_sockets_for(rated.lamps_w) if rated is not None else (1, 2),
    )
    return SimulatedBoard(
        world,
        seed=address.seed,
        ideal=address.ideal,
        faults=[name for name in address.faults if name in RIG_FAULTS],
        unit_name=address.unit,
        supply_v=supply_v,
        ambient_c=address.ambient_c,
        find_unit=find,
        link=faulty_link([name for name in address.faults if name in LINK_FAULTS], address.seed),
    )


def _sockets_for(lamps_w: tuple[float, ...]) -> tuple[int, ...]:
    """The sockets of the bank that hold these lamps; those that it lacks are left out."""
    from bench.simboard.rig import rig_description

    free = {number: load.nominal for number, load in rig_description(0).loads.items() if load.kind == "LAMP"}
    chosen = []
    for watts in lamps_w:
        number = next((n for n, nominal in free.items() if nominal == watts), None)
        if number is not None:
            del free[number]
            chosen.append(number)
    return tuple(chosen)
