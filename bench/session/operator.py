"""Manual actions at a bench, performed by a person or, at a simulated board, by its SIMulation: words."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Protocol, TypeAlias, TypeVar

from bench.calibration import MeterAccuracy
from bench.errors import BoardFault, NoOperator, PortError
from bench.session.board import BoardClient, Expect
from bench.wire import format_channels, format_number
from bench.wire.answers import NAME, NUMBER


@dataclass(frozen=True, slots=True)
class FitLink:
    """Put the shorting link in the unit's place."""


@dataclass(frozen=True, slots=True)
class FitUnit:
    """Put the unit in its place."""

    unit: str


@dataclass(frozen=True, slots=True)
class FitResistor:
    """Put a resistor in the unit's place, the sense leads on its ends."""

    ohm: float


_WAIT_S = 0.1
_MOST_V = 32.0
SUPPLY_PART = 0.02
"""How far a supply may be off. One that was set at its own terminals, not at the lamps, is 2.7 % off (computed, 2 x 21 W at 12.8 V)."""


@dataclass(frozen=True, slots=True)
class SetSupply:
    """Set the supply to `volts` at the lamps, with the unit shorted and the rated load on: that is `open_v` without load.

    `loads`: the numbers of that load on the board; None where the supply is set for no load in particular.
    """

    volts: float
    open_v: float
    loads: tuple[int, ...] | None = None

    @property
    def within_v(self) -> float:
        """How far from `open_v` it may be."""
        return SUPPLY_PART * self.open_v

    def well_set(self, v_in_v: float) -> bool:
        """Whether this voltage, without load, is so near that whoever looks again will find it right too."""
        return abs(v_in_v - self.open_v) <= 0.5 * self.within_v


@dataclass(frozen=True, slots=True)
class Cool:
    """Leave everything as it is for `seconds`."""

    seconds: float


@dataclass(frozen=True, slots=True)
class Do:
    """Whatever `text` says."""

    text: str


@dataclass(frozen=True, slots=True)
class Place:
    """Where a meter is to be read: the board's channel there, its unit, where that is for people, and how good the meter is on the range
    used there."""

    channel: str
    unit: str
    text: str
    accuracy: MeterAccuracy


Action: TypeAlias = FitLink | FitUnit | FitResistor | SetSupply | Cool | Do
Meanwhile: TypeAlias = Callable[[], Mapping[str, float]]
"""What to call at least five times a second while somebody is waited for: it keeps the board's attention for 0.1 s, and raises what
becomes of it, and of the test. While a supply is set, it gives the readings of the channels, the supply without load at `v_in`; else
nothing."""


class Operator(Protocol):
    """Whoever does what hands must do."""

    def do(self, action: Action, meanwhile: Meanwhile) -> bool | None:
        """Do it, or have it done, and return when it is.

        True: it is certainly as asked, so the session need not look at the supply, nor wait for what cools. Else it does both.
        """


class MeterReader(Operator, Protocol):
    """An operator with a meter."""

    def read_meter(self, place: Place, meanwhile: Meanwhile) -> float:
        """What it shows there now, in the place's unit. Who has to wait for it calls `meanwhile` at least five times a second."""


class SimulatedHands:
    """Hands of a simulated board: they know the unit that was in the socket when the session began, and how the supply was set then."""

    def __init__(self, board: BoardClient, unit: str) -> None:
        self._board = board
        self._unit = unit
        self._is_away = False
        self._supply_v: float | None = None

    def do(self, action: Action, meanwhile: Meanwhile) -> bool:
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
        """Put the unit in the socket again, should the link be there still: whoever comes next finds it as it was. All must be open."""
        if self._is_away:
            self.do(FitUnit(self._unit), attending(self._board))

    def put_back_supply(self) -> None:
        """Set the supply again to what it was before it was first set here."""
        if self._supply_v is not None:
            self._board.set_number("SIM:SUPP", self._supply_v)
            self._supply_v = None

    def turn_supply(self, by_v: float) -> None:
        """As if somebody had turned the supply's knob."""
        now_v = self._board.query("SIM:SUPP?", NUMBER)
        self._board.set_number("SIM:SUPP", round(min(max(now_v + by_v, 0.0), _MOST_V), 3))

    def read_meter(self, place: Place, meanwhile: Meanwhile) -> float:
        accuracy = f"{format_number(place.accuracy.part)},{format_number(place.accuracy.rest)}"
        return self._board.query(f"SIM:MET? {place.channel},{accuracy}", NUMBER)


SomeOperator = TypeVar("SomeOperator", bound=Operator)


@contextlib.contextmanager
def hands_at(board: BoardClient, operator: SomeOperator | None, doing: str) -> Iterator[SomeOperator | SimulatedHands]:
    """Whoever does what hands must do while the bench is tended: at a simulated board its own words, at any other `operator`.

    However that ends, a simulated bench is left as it was found: all open first, then its unit in the socket, its supply as it was set.
    NoOperator, whose text begins with `doing`, if there is nobody.
    """
    unit = board.simulated_unit()
    board.command("*CLS")
    if unit is None:
        if operator is None:
            raise NoOperator(f"{doing} the board at {board.port.address}: nobody was named to do what hands must do at the bench")
        yield operator
        return
    hands = SimulatedHands(board, unit)
    try:
        yield hands
    finally:
        # A board that does not answer any more can be told nothing; what broke off the work says so.
        if not board.make_safe():
            with contextlib.suppress(PortError, BoardFault):
                hands.put_back()
                hands.put_back_supply()


def attending(board: BoardClient) -> Meanwhile:
    """The `Meanwhile` of a board on which nothing is to be seen."""

    def meanwhile() -> Mapping[str, float]:
        board.attend(_WAIT_S)
        return {}

    return meanwhile
