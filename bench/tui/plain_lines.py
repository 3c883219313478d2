"""The screen's last net: whatever a widget was given, no line that is drawn holds a character that a terminal obeys."""

from __future__ import annotations

from rich.cells import cell_len
from rich.segment import Segment
from textual.color import Color
from textual.filter import LineFilter


class PlainLines(LineFilter):
    """Leaves out what takes no room, and shows `?` for the rest, so that no line changes its width. Texts for people are made plain
    before, by `one_line`, which shows what was there."""

    def apply(self, segments: list[Segment], background: Color) -> list[Segment]:
        return [s if s.control or s.text.isprintable() else Segment(_plain(s.text), s.style) for s in segments]


def _plain(text: str) -> str:
    return "".join(c if c.isprintable() else (" " if c.isspace() else "?")[: cell_len(c)] for c in text)
