"""The person at the bench, behind the screen: told what to do by the session's own events, heard by the orders that the screen sends."""

from __future__ import annotations

from typing import TYPE_CHECKING

from bench.board import SimulatedOperator
from bench.manual_actions import Action, Cool, Meanwhile, SetSupply
from bench.station.messages import Shown

if TYPE_CHECKING:
    from bench.station.station import Station

STEADY_S = 1.0
"""A supply that was right for so long is set: nobody has to say so."""


class ScreenOperator:
    """An operator. At a simulated board `simulated` does what the person says is done."""

    def __init__(self, station: Station, simulated: SimulatedOperator | None = None) -> None:
        self._station = station
        self._simulated = simulated

    def do(self, action: Action, meanwhile: Meanwhile) -> bool | None:
        self._station.forget_said()
        match action:
            case Cool():
                return self._cool(action, meanwhile) if self._simulated is not None else None
            case SetSupply():
                self._set_supply(action, meanwhile)
                return None
        while not self._station.said_done():
            meanwhile()
        return bool(self._simulated.do(action, meanwhile)) if self._simulated is not None else None

    def _cool(self, action: Cool, meanwhile: Meanwhile) -> bool:
        """Wait, unless the person lets simulated time pass."""
        assert self._simulated is not None
        until_s = self._station.now_s() + action.seconds
        while self._station.now_s() < until_s:
            meanwhile()
            if self._station.said_pass():
                return self._simulated.do(action, meanwhile)
        return True

    def _set_supply(self, wanted: SetSupply, meanwhile: Meanwhile) -> None:
        """Show the supply until it has been right for a while; then the session looks for itself."""
        right_since_s: float | None = None
        while not self._station.said_done():
            if self._simulated is not None and (by_v := self._station.turned_by()):
                self._simulated.turn_supply(by_v)
            v_in_v = meanwhile().get("v_in")
            self._station.say(Shown(v_in_v))
            now_s = self._station.now_s()
            if v_in_v is None or not wanted.well_set(v_in_v):
                right_since_s = None
            elif right_since_s is None:
                right_since_s = now_s
            elif now_s - right_since_s >= STEADY_S:
                return
