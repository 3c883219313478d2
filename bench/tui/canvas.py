"""A page of characters, each with its look, and the strips that a screen shows of it: equal looks together, equal rows kept."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from enum import IntEnum

import numpy as np
from rich.segment import Segment
from rich.style import Style
from textual.geometry import Region
from textual.strip import Strip
from textual.widget import Widget

from bench.tui.raster import BLOCKS, Codes, Ink, text


class Look(IntEnum):
    """How a cell looks. Words and shapes tell everything too: a look only helps the eye."""

    PLAIN = 0
    QUIET = 1
    STRONG = 2
    SUPPLY = 3
    OUT = 4
    CURRENT = 5
    PILOT = 6
    LIT_WORD = 7
    LOST = 8
    CURSOR = 9
    SECOND = 10


_COLOURS: Mapping[Look, tuple[str, str]] = {
    Look.PLAIN: ("foreground", ""),
    Look.QUIET: ("quiet", ""),
    Look.STRONG: ("foreground", "bold"),
    Look.SUPPLY: ("trace-in", ""),
    Look.OUT: ("trace-out", ""),
    Look.CURRENT: ("trace-current", ""),
    Look.PILOT: ("trace-pilot", ""),
    Look.LIT_WORD: ("trace-out", "reverse"),
    Look.LOST: ("bad", ""),
    Look.CURSOR: ("foreground", "bold"),
    Look.SECOND: ("doubt", "bold"),
}


def styles_for(variables: Mapping[str, str], ground: str) -> tuple[Style, ...]:
    """The style of each look on this ground, by the theme's colours; made once and kept, since making one is slow."""
    named = ((variables.get(_COLOURS[look][0], "default"), _COLOURS[look][1]) for look in Look)
    return tuple(Style.parse(f"{more} {colour} on {ground}".strip()) for colour, more in named)


class Canvas:
    """Cells with a character and a look each. What does not fit on it is cut off."""

    def __init__(self, height: int, width: int) -> None:
        self.codes: Codes = np.full((height, width), ord(" "), dtype=np.uint32)
        self.looks = np.zeros((height, width), dtype=np.uint8)

    def put(self, row: int, column: int, words: str, look: Look) -> None:
        """Write the words from (row, column) on, without a break."""
        if not 0 <= row < self.codes.shape[0] or column >= self.codes.shape[1]:
            return
        if column < 0:
            words, column = words[-column:], 0
        codes = np.frombuffer(words.encode("utf-32-le"), dtype="<u4")[: self.codes.shape[1] - column]
        self.codes[row, column : column + len(codes)] = codes
        self.looks[row, column : column + len(codes)] = look

    def row_key(self, row: int) -> bytes:
        """What tells this row from another."""
        return bytes(self.codes[row].tobytes() + self.looks[row].tobytes())

    def strip(self, row: int, styles: Sequence[Style]) -> Strip:
        """Return one row as a strip of the screen library, each look with its style."""
        looks = self.looks[row]
        written = text(self.codes[row])
        ends = [*(np.flatnonzero(looks[1:] != looks[:-1]) + 1).tolist(), len(written)]
        begin, segments = 0, []
        for end in ends:
            segments.append(Segment(written[begin:end], styles[looks[begin]]))
            begin = end
        return Strip(segments, len(written))


class Drawn(Widget):
    """A widget that is drawn on a canvas with `ink`. Subclasses draw; rows that did not change are neither made nor sent again."""

    DEFAULT_CSS = "Drawn { height: 1fr; width: 1fr; }"

    def __init__(self, ink: Ink = BLOCKS) -> None:
        super().__init__()
        self.ink = ink
        self._strips: list[Strip] = []
        self._keys: list[bytes] = []
        self._made_for: tuple[object, ...] = ()
        self._styles: tuple[Style, ...] = ()

    def draw(self, height: int, width: int, ink: Ink) -> Canvas:
        """The picture at this size."""
        return Canvas(height, width)

    def redraw(self) -> None:
        """Draw again, and send the rows that changed to the screen."""
        if not self.is_attached or not self.size or not self.screen.is_current:
            return
        changed = self._make()
        if len(changed) > len(self._strips) // 2:
            self.refresh()
        elif changed:
            self.refresh(*(Region(0, row, self.size.width, 1) for row in changed))

    def render_line(self, y: int) -> Strip:
        if self._wanted() != self._made_for:
            self._make()
        return self._strips[y] if y < len(self._strips) else Strip.blank(self.size.width)

    def _wanted(self) -> tuple[object, ...]:
        # The variables are a new mapping whenever the theme has changed; the theme's name changes earlier than they do.
        return self.size, self.app.theme_variables, self.ink.name

    def _make(self) -> list[int]:
        """Draw; the rows that are not what they were."""
        wanted = self._wanted()
        if wanted != self._made_for:
            below, own = self.background_colors
            self._styles = styles_for(self.app.theme_variables, (below + own).hex6)
            self._made_for, self._strips, self._keys = wanted, [], []
        canvas = self.draw(self.size.height, self.size.width, self.ink)
        if not self._strips:
            self._keys = [b""] * self.size.height
            self._strips = [Strip.blank(self.size.width)] * self.size.height
        changed = []
        for row in range(self.size.height):
            key = canvas.row_key(row)
            if key != self._keys[row]:
                self._keys[row], self._strips[row] = key, canvas.strip(row, self._styles)
                changed.append(row)
        return changed
