"""What goes wrong with a board, as exceptions and in words."""

from __future__ import annotations

from collections.abc import Mapping

from bench.wire import TripCause

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
