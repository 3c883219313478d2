"""The one way of drawing a table: no lines, a bold head, numbers to the right, as wide as there is room."""

from __future__ import annotations

from collections.abc import Collection

from rich.table import Table


def table(*titles: str, numbers: Collection[str] = (), whole: Collection[str] = (), gap: int = 2, widest: str = "") -> Table:
    """Return a table without rows.

    `numbers`: columns set to the right and never broken; `whole`: others never broken, as names are that will be typed. `gap`: blanks
    between columns. `widest`: the column that gets the room left.
    """
    made = Table(box=None, pad_edge=False, padding=(0, gap, 0, 0), header_style="bold")
    for title in titles:
        is_number = title in numbers
        made.add_column(
            title,
            justify="right" if is_number else "left",
            no_wrap=is_number or title in whole,
            overflow="fold",
            ratio=1 if title == widest else None,
        )
    return made
