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
from bench.tui.state import State, Tested

_BETWEEN = "  ·  "
_LOW = 16
"""Rows of a terminal from which on the keys may take two of them."""
KeyHint = tuple[str, str]
"""A key as its cap says, and what it does: ("Enter", "start")."""
OPENS: KeyHint = ("Esc", "cancel: all loads open")
BACK: KeyHint = ("Esc", "back")
LEAVES: Sequence[KeyHint] = (("F12", "once more: all loads open, and leave"), ("any other key", "the test goes on"))


class Keys(Static):
    """At the bottom: what each key does on this screen, in order of use, on one row, or two where one is too narrow; what does not fit
    then is left out from the end."""

    DEFAULT_CSS = "Keys { dock: bottom; height: 1; background: $band-ground; color: $foreground; padding: 0 1; }"

    def __init__(self, hints: Sequence[KeyHint]) -> None:
        super().__init__(markup=False)
        self._hints = tuple(hints)

    def show(self, hints: Sequence[KeyHint]) -> None:
        """Other keys from now on."""
        if tuple(hints) != self._hints:
            self._hints = tuple(hints)
            self._take_rows()
            self.refresh()

    def on_resize(self) -> None:
        self._take_rows()

    def _take_rows(self) -> None:
        most = 2 if self.app.size.height >= _LOW else 1
        self.styles.height = min(len(key_rows(self._hints, self.app.size.width - 2)), most)

    def render(self) -> Text:
        return Text("\n").join(key_rows(self._hints, self.size.width)[: self.size.height])


def key_rows(hints: Sequence[KeyHint], width: int) -> list[Text]:
    """The keys in rows of at most so many cells, each with what it does whole; one alone that is too long is cut."""
    rows = [Text(no_wrap=True)]
    for key, does in hints:
        piece = Text.assemble((key, "bold underline"), f" {does}")
        if rows[-1] and rows[-1].cell_len + len(_BETWEEN) + piece.cell_len > width:
            rows.append(Text(no_wrap=True))
        rows[-1].append_text(Text(_BETWEEN if rows[-1] else "").append_text(piece))
    for row in rows:
        row.truncate(max(width, 0))
    return rows


class BenchScreen(Screen[None]):
    """A screen of this program, of what `state` holds. Subclasses say their `HINTS` and yield their widgets from `body`.

    `KEY` opens the screen, and closes it again: in a test Esc opens all loads, wherever it is pressed.
    """

    HINTS: ClassVar[Sequence[KeyHint]] = ()
    KEY: ClassVar[str] = ""
    DEFAULT_CSS = "BenchScreen { layout: vertical; background: $background; }"
    AUTO_FOCUS = ""

    def __init__(self, state: State) -> None:
        super().__init__()
        self.state = state

    def compose(self) -> ComposeResult:
        yield Band(self.state)
        yield from self.body()
        yield Keys(self.hints)

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

    @property
    def hints(self) -> Sequence[KeyHint]:
        """What the keys do here now."""
        return self.HINTS

    @property
    def shown_test(self) -> Tested | None:
        """The test that keys act on here: the report, another test of its unit."""
        return self.state.tested

    def at_scan(self) -> tuple[bool, str]:
        """A number was scanned while this screen is open: whether to leave it, and a line on what becomes of what was changed here."""
        return True, ""

    def refresh_frame(self) -> None:
        """The state has changed: show it in the band and in the keys."""
        self.query_one(Band).refresh_state()
        if self.state.asks_to_leave:
            hints = LEAVES
        elif self.state.runs and self.KEY:
            hints = tuple(hint for one in self.hints for hint in ((OPENS, (self.KEY, "back")) if one == BACK else (one,)))
        else:
            hints = self.hints
        self.query_one(Keys).show(hints)

    def refresh_state(self) -> None:
        """The state has changed: show it in the body. Called by the app, at most once a frame; it sees to band and keys."""
