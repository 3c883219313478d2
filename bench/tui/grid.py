"""The grid of the pages between tests: large word, sentence, side column with words beside it, list, small print, each in its place."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from rich.text import Text

MARGIN = 3
"""Cells left of all that stands on the grid, and between the side column and what is beside it."""
_ROOMY = 28  # lines from which on some stay blank
_WORD_PART, _WORD_LEAST = 0.3, 8
_SIDE_PART, _SIDE_LEAST = 0.2, 14
_MIDDLE_PART, _MIDDLE_LEAST = 0.27, 8


@dataclass(frozen=True, slots=True)
class PageGrid:
    """How a page of this size is divided. The middle is `middle_rows` tall: `side` cells, and `beside` cells next to them."""

    width: int
    height: int

    @property
    def is_roomy(self) -> bool:
        """Whether there is room for blank rows between the parts."""
        return self.height >= _ROOMY

    @property
    def across(self) -> int:
        """Cells of word, sentence, list and small print."""
        return max(self.width - 2 * MARGIN, 1)

    @property
    def word_rows(self) -> int:
        """Rows of the large word."""
        return max(min(max(int(_WORD_PART * self.height), _WORD_LEAST), self.height - 2), 1)

    @property
    def side(self) -> int:
        """Cells of the column beside; 0 where there is no room for one."""
        return max(int(_SIDE_PART * self.width), _SIDE_LEAST) if self.width >= 4 * _SIDE_LEAST else 0

    @property
    def beside(self) -> int:
        """Cells left beside that column."""
        return self.across - self.side - MARGIN if self.side else self.across

    @property
    def middle_rows(self) -> int:
        """Rows between word and list."""
        return min(max(int(_MIDDLE_PART * self.height), _MIDDLE_LEAST), max(self.height - self.word_rows - 1 - 2 * self.is_roomy, 0))

    @property
    def list_rows(self) -> int:
        """For list and small print together."""
        return max(self.height - self.word_rows - 1 - self.middle_rows - 4 * self.is_roomy, 0)


@dataclass(frozen=True)
class Page:
    """What stands on the grid, as lines that fit their places; what is too much is left out at the end of its place."""

    word: Sequence[Text]
    sentence: Text
    side: Sequence[Text] = ()
    beside: Sequence[Text] = ()
    listed: Sequence[Text] = ()
    print: Sequence[Text] = field(default=())

    def lines(self, grid: PageGrid) -> list[Text]:
        """Exactly the grid's height."""
        blank = [Text()] if grid.is_roomy else []
        lines = [*blank, *_filled(self.word, grid.word_rows), *blank, self.sentence, *blank]
        lines += [_side_by_side(left, right, grid) for left, right in self._middle(grid)]
        lines += [*blank, *_filled([*self.listed][: max(grid.list_rows - len(self.print), 0)], grid.list_rows - len(self.print))]
        return [_indented(line) for line in (*lines, *self.print)][: grid.height]

    def _middle(self, grid: PageGrid) -> list[tuple[Text, Text]]:
        rows = grid.middle_rows
        return list(zip(_filled(self.side if grid.side else (), rows), _filled(self.beside, rows), strict=True))


def _filled(lines: Sequence[Text], rows: int) -> list[Text]:
    return [*lines[: max(rows, 0)], *[Text()] * max(rows - len(lines), 0)]


def _side_by_side(left: Text, right: Text, grid: PageGrid) -> Text:
    if not grid.side:
        return right
    line = Text.assemble(left)  # not a copy, whose style would be that of what is appended too
    line.truncate(grid.side)
    line.append(" " * (grid.side + MARGIN - line.cell_len))
    return line.append_text(right)


def _indented(line: Text) -> Text:
    indented = Text(" " * MARGIN, no_wrap=True).append_text(line)
    indented.rstrip()
    return indented
