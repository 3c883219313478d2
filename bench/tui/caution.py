"""Before real current flows for the first time: the cautions, word for word, and one key that says that they are known."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import ClassVar

from rich.text import Text
from textual.binding import Binding, BindingType
from textual.containers import VerticalScroll
from textual.widget import Widget
from textual.widgets import Static

from bench.render.cautions import BEFORE_POWER
from bench.tui.frame import BenchScreen, KeyHint


class Caution(BenchScreen):
    """Enter: known, start. Esc: not now."""

    HINTS: ClassVar[Sequence[KeyHint]] = (("Enter", "all is connected as it should be, I know these: start"), ("Esc", "not now"))
    BINDINGS: ClassVar[list[BindingType]] = [Binding("enter", "known", show=False)]
    DEFAULT_CSS = "Caution VerticalScroll { padding: 1 3; }"

    def body(self) -> Iterable[Widget]:
        with VerticalScroll() as scroll:
            scroll.can_focus = False
            yield Static(_text(), markup=False)

    def action_known(self) -> None:
        self.bench.cautions_known()


def _text() -> Text:
    text = Text("CAUTION, before current flows\n\n", "bold")
    for line in BEFORE_POWER:
        text.append(f"■ {line}\n\n", "")
    return text
