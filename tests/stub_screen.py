"""A stand-in for the application, to show one screen or widget of it without a station."""

from __future__ import annotations

from collections.abc import Callable, Coroutine
from typing import Any, ClassVar

from textual import on
from textual.app import App
from textual.binding import Binding, BindingType
from textual.pilot import Pilot
from textual.screen import Screen
from textual.widget import Widget

from bench.tui.choices import Choices
from bench.tui.requests import PracticeBegun, Request
from bench.tui.state import Practising, State
from bench.tui.theme import THEMES


class StubApp(App[None]):
    """Shows what `make` makes for the state; keeps in `asked` what the screen asked for."""

    ENABLE_COMMAND_PALETTE = False
    BINDINGS: ClassVar[list[BindingType]] = [Binding("escape", "leave_screen", priority=True)]

    def __init__(
        self, make: Callable[[State], Screen[None] | Widget], choices: Choices | None = None, practice: Practising | None = None
    ) -> None:
        super().__init__()
        self.state = State(None, choices or Choices(), practice=practice)
        self.asked: list[Request] = []
        self._shown = make(self.state)
        for theme in THEMES.values():
            self.register_theme(theme)
        self.theme = THEMES["dark"].name

    def on_mount(self) -> None:
        if isinstance(self._shown, Screen):
            self.push_screen(self._shown)
        else:
            self.mount(self._shown)

    def action_leave_screen(self) -> None:
        self.pop_screen()

    @on(Request)
    def keep(self, request: Request) -> None:
        self.asked.append(request)

    def practices(self) -> list[Practising]:
        """The benches that were asked for."""
        return [request.practising for request in self.asked if isinstance(request, PracticeBegun)]


def text_of(app: App[None]) -> str:
    """The screen as text, one line a row."""
    strips = app.screen._compositor.render_strips()
    return "\n".join("".join(segment.text for segment in strip).rstrip() for strip in strips)


async def press(pilot: Pilot[None], *keys: str) -> str:
    """The screen as text after these keys."""
    await pilot.press(*keys)
    await pilot.pause()
    return text_of(pilot.app)


Play = Callable[[StubApp, Pilot[None]], Coroutine[Any, Any, None]]


async def play(app: StubApp, script: Play, size: tuple[int, int] = (120, 40)) -> None:
    """Runs the app on a terminal of this size, and the script on it."""
    async with app.run_test(size=size) as pilot:
        await pilot.pause()
        await script(app, pilot)
