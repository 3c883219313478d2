"""Addresses `firmware://NAME?...`: the same benches as `sim://`, with the board's real program in the middle.

`register()` adds them to those that `bench.ports.opening.open_port` knows.
"""

from __future__ import annotations

from bench.errors import AddressError
from bench.ports.address import SimAddress, parse_sim_address
from bench.ports.opening import add_kind
from bench.ports.setting import Setting, set_up
from bench.ports.simulated import SimulatedLine, SimulatedPort, line_to
from firmware.simulator.board import AvrBoard
from firmware.simulator.world_operator import WorldOperator

SCHEME = "firmware"
NOT_A_FAULT = "board-overrun"


class FirmwarePort(SimulatedPort):
    """The host's end of the cable of such a bench. `operator` performs its manual actions."""

    def __init__(self, address: str) -> None:
        parsed = parse_sim_address(address, SCHEME)
        setting = set_up(parsed)
        self.world = setting.world
        self.board = board_of(parsed, setting)
        self.operator = WorldOperator(self.board, setting.find_unit(parsed.unit))
        super().__init__(address, line_to(self.board, parsed))


def board_of(address: SimAddress, setting: Setting) -> AvrBoard:
    """Return the board of a bench. AddressError for NOT_A_FAULT: the program loses frames or it does not."""
    if NOT_A_FAULT in setting.rig_faults:
        raise AddressError(f"opening {address}: {NOT_A_FAULT} can't be put into the real program; a simulated board (sim://) can have it")
    return AvrBoard(
        setting.world,
        seed=address.seed,
        ideal=address.ideal,
        faults=setting.rig_faults,
        ambient_c=address.ambient_c,
        link=setting.link,
    )


def open_real_pace(address: str) -> SimulatedLine:
    """Open the host's end in real time, for serving to other programs."""
    parsed = parse_sim_address(address, SCHEME)
    return line_to(board_of(parsed, set_up(parsed)), parsed, paced=True)


def register() -> None:
    """Let `open_port` know addresses of this kind."""
    add_kind(SCHEME, FirmwarePort)
