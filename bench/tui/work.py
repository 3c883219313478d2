"""The screen that stands all day: ready, running, verdict, one after the other in the same place."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import ClassVar

from textual.binding import Binding, BindingType
from textual.widget import Widget
from textual.widgets import ContentSwitcher

from bench.tui.frame import BenchScreen, KeyHint, Keys
from bench.tui.ready import ReadyView
from bench.tui.running import RunningView
from bench.tui.state import Phase
from bench.tui.verdict import VerdictView

_ALWAYS: Sequence[KeyHint] = (("F1", "help"), ("F4", "looking back"), ("F10", "leave"))
_HINTS: Mapping[Phase, Sequence[KeyHint]] = {
    Phase.READY: (
        ("Enter", "take number, start"), ("F2", "what is tested"), ("F3", "practice"), ("F1", "help"), ("F4", "looking back"),
        ("F8", "light/dark"), ("F10", "leave"),
    ),
    Phase.RUNNING: (("Esc", "cancel: all loads open"), ("F9", "other dots"), *_ALWAYS),
    Phase.VERDICT: (("Enter", "accept, next unit"), ("F5", "whole report"), ("F6", "test it again"), *_ALWAYS),
}  # fmt: skip


class Work(BenchScreen):
    """Shows the view of the phase."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("up", "turn(1)", show=False),
        Binding("down", "turn(-1)", show=False),
    ]
    HINTS = _HINTS[Phase.READY]

    def __init__(self) -> None:
        super().__init__()
        self.ready = ReadyView()
        self.ready.id = Phase.READY.value
        self.running = RunningView()
        self.running.id = Phase.RUNNING.value
        self.verdict = VerdictView()
        self.verdict.id = Phase.VERDICT.value

    def body(self) -> Iterable[Widget]:
        yield ContentSwitcher(self.ready, self.running, self.verdict, initial=Phase.READY.value)

    def action_turn(self, steps: int) -> None:
        self.bench.desk.turn(steps)

    def show_phase(self) -> None:
        """The view that fits what the bench is doing, also while another screen lies over this one."""
        if not self.is_mounted:
            return
        phase = self.bench.state.phase
        switcher = self.query_one(ContentSwitcher)
        if switcher.current != phase.value:
            switcher.current = phase.value

    def refresh_state(self) -> None:
        state = self.bench.state
        self.query_one(Keys).show(_HINTS[state.phase])
        match state.phase:
            case Phase.READY:
                self.ready.refresh()
            case Phase.RUNNING:
                self.running.refresh_state()
            case Phase.VERDICT:
                if state.tested is not None:
                    self.verdict.show(state.tested)
