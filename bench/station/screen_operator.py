"""Manual actions by the person before the screen: told by the session's own events, heard by the orders that the screen sends."""

from __future__ import annotations

from collections.abc import Callable

from bench.board import SimulatedOperator
from bench.manual_actions import Action, Cool, Meanwhile, SetSupply
from bench.station.messages import Shown
from bench.station.screen_link import ScreenLink

STEADY_S = 1.0
"""A supply that was right for so long counts as set, without a word of the person."""


class ScreenOperator:
    """An `Operator`. At a simulated board `simulated` does what the person says is done. `now_s`: the clock of the board's port."""

    def __init__(self, screen: ScreenLink, now_s: Callable[[], float], simulated: SimulatedOperator | None = None) -> None:
        self._screen = screen
        self._now_s = now_s
        self._simulated = simulated

    def do(self, action: Action, meanwhile: Meanwhile) -> bool | None:
        """Wait until the person says that it is done; see `Operator.do`."""
        self._screen.forget_said()
        match action:
            case Cool():
                return self._cool(action, meanwhile) if self._simulated is not None else None
            case SetSupply():
                self._set_supply(action, meanwhile)
                return None
        while not self._screen.is_done:
            meanwhile()
        return bool(self._simulated.do(action, meanwhile)) if self._simulated is not None else None

    def _cool(self, action: Cool, meanwhile: Meanwhile) -> bool:
        """Wait, unless the person lets simulated time pass."""
        assert self._simulated is not None
        until_s = self._now_s() + action.seconds
        while self._now_s() < until_s:
            meanwhile()
            if self._screen.is_time_passed:
                return self._simulated.do(action, meanwhile)
        return True

    def _set_supply(self, wanted: SetSupply, meanwhile: Meanwhile) -> None:
        """Show the supply until it has been right for a while; then the session looks for itself."""
        right_since_s: float | None = None
        while not self._screen.is_done:
            if self._simulated is not None and (by_v := self._screen.turned_by()):
                self._simulated.turn_supply(by_v)
            v_in_v = meanwhile().get("v_in")
            self._screen.say(Shown(v_in_v))
            now_s = self._now_s()
            if v_in_v is None or not wanted.well_set(v_in_v):
                right_since_s = None
            elif right_since_s is None:
                right_since_s = now_s
            elif now_s - right_since_s >= STEADY_S:
                return
