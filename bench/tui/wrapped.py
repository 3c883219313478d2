"""Text cut into lines by the cells that it takes on a terminal."""

from __future__ import annotations

import textwrap

from rich.cells import cell_len, set_cell_size


def wrapped(text: str, width: int) -> list[str]:
    """`text` in lines of at most `width` cells, broken between words where that is possible."""
    if width < 2:
        return []
    # Characters of two cells are rare here (a unit's label): halving the line for them is safe.
    across = width if cell_len(text) == len(text) else width // 2
    return textwrap.wrap(text, across, break_on_hyphens=False)


def cut(text: str, width: int) -> str:
    """`text` if it fits into `width` cells, else as much as does, with a sign that something is missing."""
    if cell_len(text) <= width:
        return text
    return "" if width < 1 else set_cell_size(text, width - 1).rstrip() + "…"


def padded(text: str, width: int, right: bool = False) -> str:
    """`text` cut and filled up to exactly `width` cells; `right` puts it to the right."""
    shown = cut(text, width)
    room = " " * max(width - cell_len(shown), 0)
    return room + shown if right else shown + room
