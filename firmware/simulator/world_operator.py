"""The operator at a board that, like a real one, knows nothing of being simulated: manual actions done to the simulated world itself."""

from __future__ import annotations

from bench.manual_actions import Action, Cool, Do, FitLink, FitResistor, FitUnit, Meanwhile, MeasuringPoint, SetSupply
from bench.simboard.units import resistor
from bench.simboard.world import InSocket
from firmware.simulator.board import AvrBoard


class WorldOperator:
    """An operator (`bench.manual_actions`) who changes the world of an `AvrBoard`; FitUnit fits the unit that was there at first."""

    def __init__(self, board: AvrBoard, unit: InSocket) -> None:
        self._board = board
        self._unit = unit

    def do(self, action: Action, meanwhile: Meanwhile) -> bool:
        """Do one manual action at once. Always True: nothing is refused here, and no time passes, so `meanwhile` is not called."""
        world = self._board.world
        match action:
            case FitLink():
                world.set_unit("LINK")
            case FitResistor(ohm=ohm):
                world.set_unit(resistor(ohm))
            case FitUnit():
                world.set_unit(self._unit)
            case SetSupply(volts=volts, loads=loads):
                world.set_supply(volts, None if loads is None else frozenset(loads))
            case Cool(seconds=seconds):
                self._board.rest(seconds)
            case Do():
                pass
        return True

    def read_meter(self, place: MeasuringPoint, meanwhile: Meanwhile) -> float:
        """Return what a meter of the place's accuracy shows there, in the channel's unit."""
        return self._board.metered(place.channel, place.accuracy.part, place.accuracy.rest)
