"""What goes wrong with a board, as exceptions and in words."""

from __future__ import annotations

from collections.abc import Mapping

from bench.wire import TripCause


class BoardFault(Exception):
    """The bench failed, not the unit. One line: what happened, at which board, what to do."""


class BoardSilent(BoardFault):
    """No answer, or no more samples."""


class BoardLate(BoardFault):
    """It answers later than the protocol allows."""


class BoardTripped(BoardFault):
    """The board has opened everything by itself; `cause` is a TripCause or None if it could not be told."""

    def __init__(self, text: str, cause: TripCause | None) -> None:
        super().__init__(text)
        self.cause = cause


class BoardRestarted(BoardFault):
    """The board has started anew in the middle of the work."""


class BoardUnfit(BoardFault):
    """The board says of itself that something in it is wrong."""


class BoardLacks(BoardFault):
    """The board has not what a test of a unit needs."""


class BoardContradicts(BoardFault):
    """The board's frames show another state than the one that it was told and has confirmed."""


class BoardRefused(BoardFault):
    """The board took a command for an error, or did not do it."""


class BoardMisspoken(BoardFault):
    """The board answers, but not what was asked: it speaks another protocol, or another version of this one."""


TRIP_TEXT: Mapping[TripCause, str] = {
    TripCause.NONE: "for no cause that it knows",
    TripCause.CURR: "over-current: look for a short in the unit, its wiring or a lamp, or for a unit that is in backwards",
    TripCause.LATC: "hardware over-current latch or emergency stop: look for a short in the unit, its wiring or a lamp, for a unit "
    "that is in backwards, and whether the stop button is pressed",
    TripCause.SIL: "it heard nothing from this computer for too long: look at the cable, and whether the computer was asleep",
    TripCause.TIME: "the supply was on for the longest time allowed",
    TripCause.SUPP: "a voltage went out of the range that protects the board: look at the supply",
}
SELF_TEST_TEXT: Mapping[int, str] = {
    1: "its built-in standard reads wrong",
    2: "a channel is stuck",
    4: "its program memory is damaged",
    8: "its stored scales are damaged",
}
