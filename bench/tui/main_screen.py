"""The screen that stands all day: ready, running, verdict, one after the other in the same place."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import ClassVar

from textual.binding import Binding, BindingType
from textual.widget import Widget
from textual.widgets import ContentSwitcher

from bench.tui.frame import OPENS, BenchScreen, KeyHint
from bench.tui.outcome_page import VerdictView
from bench.tui.ready import ReadyView
from bench.tui.requests import KnobTurned
from bench.tui.running import RunningView
from bench.tui.state import Phase, State, Tested

_ALWAYS: Sequence[KeyHint] = (("F1", "help"), ("F4", "looking back"), ("F12", "leave"))


def hints_for(state: State) -> Sequence[KeyHint]:
    """What the keys do now."""
    match state.phase:
        case Phase.READY:
            does = "start" if state.number and not state.typed else "take the number"
            return (("Enter", does), ("F2", "what is tested"), ("F3", "practice"), *_ALWAYS, ("F8", "light/dark"))
        case Phase.RUNNING:
            enter: Sequence[KeyHint] = ()
            if state.test is not None and state.test.asked is not None:
                enter = (("Enter", "it is done"),)
            elif state.test is not None and state.test.waiting is not None and state.own_hands:
                enter = (("Enter", "skip the wait"),)
            return (*enter, OPENS, ("F9", "other dots"), *_ALWAYS)
        case Phase.VERDICT:
            does = "accept, next unit" if state.settled else "the same unit again"
            return (("Enter", does), ("F5", "whole report"), ("F6", "test it again"), *_ALWAYS)


class MainScreen(BenchScreen):
    """Shows the view of the phase."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("up", "turn(1)", show=False),
        Binding("down", "turn(-1)", show=False),
    ]

    def __init__(self, state: State) -> None:
        super().__init__(state)
        self.ready = ReadyView(state)
        self.ready.id = Phase.READY.value
        self.running = RunningView(state)
        self.running.id = Phase.RUNNING.value
        self.verdict = VerdictView()
        self.verdict.id = Phase.VERDICT.value

    def body(self) -> Iterable[Widget]:
        yield ContentSwitcher(self.ready, self.running, self.verdict, initial=Phase.READY.value)

    @property
    def hints(self) -> Sequence[KeyHint]:
        return hints_for(self.state)

    @property
    def shown_test(self) -> Tested | None:
        return self.state.tested if self.state.phase is Phase.VERDICT else None

    def action_turn(self, steps: int) -> None:
        self.post_message(KnobTurned(steps))

    def show_phase(self) -> None:
        """The view that fits what the bench is doing, also while another screen lies over this one."""
        if not self.is_mounted:
            return
        phase = self.state.phase
        switcher = self.query_one(ContentSwitcher)
        if switcher.current != phase.value:
            switcher.current = phase.value

    def refresh_state(self) -> None:
        state = self.state
        match state.phase:
            case Phase.READY:
                self.ready.refresh()
            case Phase.RUNNING:
                self.running.refresh_state()
            case Phase.VERDICT:
                if state.tested is not None:
                    self.verdict.show(state.tested)
