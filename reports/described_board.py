"""A simulated board and a world around it, made to fit a description: for tests and reports of boards other than the reference rig's."""

from __future__ import annotations

from collections.abc import Sequence

from bench.bank import Bank, Socket
from bench.description import BoardDescription
from bench.ports.simulated import SimulatedLine
from bench.simboard.board import SimulatedBoard
from bench.simboard.loads import lamp_bank
from bench.simboard.units import Unit
from bench.simboard.world import InSocket, World

SEED = 5


class BoardPort:
    """The host's end of the cable of a simulated board that was made elsewhere, in virtual time."""

    def __init__(self, address: str, board: SimulatedBoard) -> None:
        self.address = address
        self.board = board
        self._line = SimulatedLine(board)

    def write(self, data: bytes) -> None:
        self._line.write(data)

    def read(self, timeout_s: float) -> bytes:
        return self._line.read(timeout_s)

    def now_s(self) -> float:
        return self._line.now_s

    def close(self) -> None:
        """Nothing to let go of."""


def described_board(
    description: BoardDescription,
    kind: type[SimulatedBoard] = SimulatedBoard,
    unit: InSocket = "LINK",
    rig_faults: Sequence[str] = (),
) -> SimulatedBoard:
    """A simulated board, and a world around it, that are as this description says: its lamps in sockets 1 to 6, its loop, 12 V.

    `unit` is in the socket, and the only one that the board knows besides LINK and NONE.
    """
    name = unit.name if isinstance(unit, Unit) else "LINK"
    known: dict[str, InSocket] = {"LINK": "LINK", "NONE": None, name: unit}

    def find(wanted: str) -> InSocket:
        return known[wanted if wanted in known else wanted.upper()]

    world = _described_world(description, unit)
    return kind(world, seed=SEED, unit_name=name, find_unit=find, description=description, faults=rig_faults)


def _described_world(description: BoardDescription, unit: InSocket) -> World:
    watts = [description.loads[n].nominal if n in description.loads and description.loads[n].kind == "LAMP" else 0.0 for n in range(1, 7)]
    sockets = tuple(Socket("filament", watts=w) if w else Socket("empty") for w in watts)
    lamps = sorted((n for n, w in enumerate(watts, start=1) if w), key=lambda n: -watts[n - 1])
    return World(
        unit,
        seed=SEED,
        source_ohm=description.loop.ohm if description.loop is not None else 0.10,
        bank=lamp_bank(Bank("described", "In the sockets: what a description says", sockets), 12.0),
        rated_loads=tuple(lamps[:2]),
    )
