"""Manual actions performed at a simulated board by SIMulation commands, and who performs them at any board."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator, Mapping
from typing import TypeVar

from bench.board.client import BoardClient
from bench.board.expect import Expect
from bench.errors import BoardFault, NoOperator, PortError
from bench.manual_actions import Action, Cool, Do, FitLink, FitResistor, FitUnit, Meanwhile, MeasuringPoint, Operator, SetSupply
from bench.wire import format_channels, format_number
from bench.wire.answers import NAME, NUMBER

_WAIT_S = 0.1
_MOST_V = 32.0


class SimulatedOperator:
    """An operator that performs manual actions by SIMulation commands. It knows the unit that was in the socket when it was made, and how
    the supply was set before it first set it."""

    def __init__(self, board: BoardClient, unit: str) -> None:
        self._board = board
        self._unit = unit
        self._is_away = False
        self._supply_v: float | None = None

    def do(self, action: Action, meanwhile: Meanwhile) -> bool:
        """Perform the action at once; True, since it is certainly done as asked."""
        match action:
            case FitLink():
                self._is_away = True
                self._board.command("SIM:UNIT LINK", Expect("SIM:UNIT?", NAME, "LINK"))
            case FitResistor(ohm=ohm):
                self._is_away = True
                self._board.command(f"SIM:RES {format_number(ohm)}", Expect("SIM:UNIT?", NAME, "RESISTOR"))
            case FitUnit():
                self._board.command(f"SIM:UNIT {self._unit}", Expect("SIM:UNIT?", NAME, self._unit))
                self._is_away = False
            case SetSupply(volts=volts, loads=loads):
                if self._supply_v is None:
                    self._supply_v = self._board.query("SIM:SUPP?", NUMBER)
                on = "" if loads is None else f",{format_channels(loads)}"
                self._board.command(f"SIM:SUPP {format_number(volts)}{on}", Expect("SIM:SUPP?", NUMBER, volts))
            case Cool(seconds=seconds):
                self._board.command(f"SIM:WAIT {format_number(seconds)}")
            case Do():
                pass
        return True

    def put_back(self) -> None:
        """Put the unit in the socket again, should the link be there still: the next test finds it as it was. All must be open."""
        if self._is_away:
            self.do(FitUnit(self._unit), attending(self._board))

    def put_back_supply(self) -> None:
        """Set the supply again to what it was before it was first set here."""
        if self._supply_v is not None:
            self._board.set_number("SIM:SUPP", self._supply_v)
            self._supply_v = None

    def turn_supply(self, by_v: float) -> None:
        """Turn the supply's knob by so many V."""
        now_v = self._board.query("SIM:SUPP?", NUMBER)
        self._board.set_number("SIM:SUPP", round(min(max(now_v + by_v, 0.0), _MOST_V), 3))

    def read_meter(self, place: MeasuringPoint, meanwhile: Meanwhile) -> float:
        """Return what a meter of this accuracy shows there, in the place's unit."""
        accuracy = f"{format_number(place.accuracy.part)},{format_number(place.accuracy.rest)}"
        return self._board.query(f"SIM:MET? {place.channel},{accuracy}", NUMBER)


SomeOperator = TypeVar("SomeOperator", bound=Operator)


@contextlib.contextmanager
def operator_at(
    board: BoardClient, simulated_unit: str | None, operator: SomeOperator | None, doing: str
) -> Iterator[SomeOperator | SimulatedOperator]:
    """Yield who performs manual actions: at a simulated board its own commands, at a real one (no `simulated_unit`) the `operator`.

    However that ends, a simulated bench is left as it was found: all open first, then its unit in the socket, its supply as it was set.
    NoOperator, whose text begins with `doing`, if there is none.
    """
    if simulated_unit is None:
        if operator is None:
            raise NoOperator(f"{doing} the board at {board.port.address}: manual actions are needed, and no operator was named")
        yield operator
        return
    simulated = SimulatedOperator(board, simulated_unit)
    try:
        yield simulated
    finally:
        # A board that does not answer any more can be told nothing; what broke off the work says so.
        if not board.make_safe():
            with contextlib.suppress(PortError, BoardFault):
                simulated.put_back()
                simulated.put_back_supply()


def attending(board: BoardClient) -> Meanwhile:
    """Return the `Meanwhile` of a board on which nothing is to be seen."""

    def meanwhile() -> Mapping[str, float]:
        board.attend(_WAIT_S)
        return {}

    return meanwhile
