"""Something long to read, moved through by lines and pages."""

from __future__ import annotations

from collections.abc import Iterable
from typing import ClassVar

from rich.console import RenderableType
from textual.binding import BindingType
from textual.containers import VerticalScroll
from textual.widget import Widget
from textual.widgets import Static

from bench.tui.frame import BenchScreen

MOVES: list[BindingType] = [
    ("up", "read('scroll_up')"),
    ("down", "read('scroll_down')"),
    ("pageup", "read('scroll_page_up')"),
    ("pagedown", "read('scroll_page_down')"),
    ("home", "read('scroll_home')"),
    ("end", "read('scroll_end')"),
]
_WAYS = frozenset({"scroll_up", "scroll_down", "scroll_page_up", "scroll_page_down", "scroll_home", "scroll_end"})


class LongText(VerticalScroll):
    """The text; it has no focus, for keys belong to the screen."""

    DEFAULT_CSS = """
    LongText { width: 1fr; height: 1fr; padding: 0 2; scrollbar-size-vertical: 1; }
    LongText Static { width: 1fr; height: auto; }
    """
    can_focus = False

    def __init__(self, text: RenderableType) -> None:
        self._text = Static(text, markup=False)
        super().__init__(self._text)

    def show(self, text: RenderableType) -> None:
        """Another text from now on."""
        self._text.update(text)


class ReadingScreen(BenchScreen):
    """A screen with a `LongText` of what `page_text` gives, with the theme's colours of now."""

    BINDINGS: ClassVar[list[BindingType]] = MOVES

    def page_text(self) -> RenderableType:
        """What there is to read."""
        return ""

    def body(self) -> Iterable[Widget]:
        yield LongText(self.page_text())

    def on_mount(self) -> None:
        self.app.theme_changed_signal.subscribe(self, lambda _: self.show_page())

    def show_page(self) -> None:
        """Show what there is to read now."""
        self.query_one(LongText).show(self.page_text())

    def action_read(self, way: str) -> None:
        if way in _WAYS:
            getattr(self.query_one(LongText), way)(animate=False)
