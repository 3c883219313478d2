"""Something long to read, moved through by lines and pages."""

from __future__ import annotations

from typing import ClassVar

from rich.console import RenderableType
from textual.binding import BindingType
from textual.containers import VerticalScroll
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


class Page(VerticalScroll):
    """The text; it has no focus, for keys belong to the screen."""

    DEFAULT_CSS = """
    Page { width: 1fr; height: 1fr; padding: 0 2; scrollbar-size-vertical: 1; }
    Page Static { width: 1fr; height: auto; }
    """
    can_focus = False

    def __init__(self, text: RenderableType) -> None:
        self._text = Static(text, markup=False)
        super().__init__(self._text)

    def show(self, text: RenderableType) -> None:
        """Another text from now on."""
        self._text.update(text)


class ReadingScreen(BenchScreen):
    """A screen with a `Page`."""

    BINDINGS: ClassVar[list[BindingType]] = MOVES

    def action_read(self, way: str) -> None:
        if way in _WAYS:
            getattr(self.query_one(Page), way)(animate=False)
