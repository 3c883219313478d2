"""The frame of every screen: a band on top that says which unit and which board, the body, and the keys that work here below."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import ClassVar

from rich.text import Text
from textual.app import ComposeResult
from textual.screen import Screen
from textual.widget import Widget
from textual.widgets import Input, Static

from bench.tui.band import Band
from bench.tui.state import State

_BETWEEN = "  ·  "
KeyHint = tuple[str, str]
"""A key as its cap says, and what it does: ("Enter", "start")."""


class Keys(Static):
    """The line at the bottom: what each key does on this screen, in order of use; what does not fit is left out from the end."""

    DEFAULT_CSS = "Keys { dock: bottom; height: 1; background: $band-ground; color: $foreground; padding: 0 1; }"

    def __init__(self, hints: Sequence[KeyHint]) -> None:
        super().__init__(markup=False)
        self._hints = tuple(hints)

    def show(self, hints: Sequence[KeyHint]) -> None:
        """Other keys from now on."""
        if tuple(hints) != self._hints:
            self._hints = tuple(hints)
            self.refresh()

    def render(self) -> Text:
        line = Text(no_wrap=True)
        room = self.size.width
        for key, does in self._hints:
            piece = Text.assemble(("" if not line else _BETWEEN), (key, "bold underline"), f" {does}")
            if line.cell_len + piece.cell_len > room:
                break
            line.append(piece)
        return line


class BenchScreen(Screen[None]):
    """A screen of this program, of what `state` holds. Subclasses say their `HINTS` and yield their widgets from `body`."""

    HINTS: ClassVar[Sequence[KeyHint]] = ()
    DEFAULT_CSS = "BenchScreen { layout: vertical; background: $background; }"
    AUTO_FOCUS = ""

    def __init__(self, state: State) -> None:
        super().__init__()
        self.state = state

    def compose(self) -> ComposeResult:
        yield Band(self.state)
        yield from self.body()
        yield Keys(self.HINTS)

    def body(self) -> Iterable[Widget]:
        """The widgets between band and keys."""
        return ()

    @property
    def takes_text(self) -> bool:
        """Whether what is typed goes to a line of this screen, and is no unit's number."""
        return isinstance(self.focused, Input)

    def step_back(self) -> bool:
        """Esc: go a step back inside this screen; False where there is none, and the screen is left."""
        return False

    def refresh_state(self) -> None:
        """The state has changed: show it in the body. Called by the app, at most once a frame; it sees to the band."""
