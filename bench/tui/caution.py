"""Before real current flows for the first time: the cautions, word for word, and one key that says that they are known."""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar

from rich.console import RenderableType
from rich.text import Text
from textual.binding import Binding, BindingType

from bench.render.cautions import BEFORE_POWER
from bench.tui.frame import KeyHint
from bench.tui.long_text import ReadingScreen
from bench.tui.requests import CautionsRead

_ROOMY = 30  # lines of the screen from which on they stand apart


class Caution(ReadingScreen):
    """Enter: known, start. Esc: not now."""

    HINTS: ClassVar[Sequence[KeyHint]] = (("Enter", "connections checked, cautions read: start"), ("Esc", "not now"))
    BINDINGS: ClassVar[list[BindingType]] = [Binding("enter", "known", show=False)]

    def page_text(self) -> RenderableType:
        return _text(apart=self.size.height >= _ROOMY)

    def on_resize(self) -> None:
        self.show_page()

    def action_known(self) -> None:
        self.post_message(CautionsRead())


def _text(apart: bool) -> Text:
    """All of them; with empty lines between where there is room."""
    lines = [Text("CAUTION, before current flows", "bold"), *(Text(f"■ {line}") for line in BEFORE_POWER)]
    return Text("\n\n" if apart else "\n").join(lines)
