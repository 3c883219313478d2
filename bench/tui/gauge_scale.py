"""One gauge in characters: a band between its posts, the value as a diamond (outside the band as a cross), its uncertainty as a line
through it.

It reads without colours. The posts stand at the same places in every gauge, so that a glance down the screen tells what is inside.
"""

from __future__ import annotations

from dataclasses import dataclass

from rich.text import Text

VALUE, VALUE_OUTSIDE, LINE, POST, BAND, OUTSIDE = "◆", "✗", "━", "┃", "░", "·"
BELOW, ABOVE = "◄", "►"
LEAST_WIDTH = 9


@dataclass(frozen=True, slots=True)
class GaugeScale:
    """A straight scale of `width` cells over a band: `low_cell`, `high_cell` are its posts, None where the band is open.

    `start`: value at the first cell's beginning, in the quantity's unit.
    """

    width: int
    start: float
    per_cell: float
    low_cell: int | None
    high_cell: int | None

    def cell(self, value: float) -> int:
        """The cell of a value; below 0 or from `width` on if it lies off the scale."""
        return int((value - self.start) // self.per_cell)

    @property
    def end(self) -> float:
        """The value at the end of the last cell, in the quantity's unit."""
        return self.start + self.width * self.per_cell

    @property
    def first_inside(self) -> int:
        """The first cell inside the band."""
        return 0 if self.low_cell is None else self.low_cell + 1

    @property
    def last_inside(self) -> int:
        """The last cell inside the band."""
        return self.width - 1 if self.high_cell is None else self.high_cell - 1


def scale_for(low: float | None, high: float | None, width: int) -> GaugeScale:
    """The scale that puts the band's posts where all gauges have them: a quarter from each end, or a third for a band that is open.

    `low` and `high` in the quantity's unit.
    """
    if low is not None and high is not None:
        left, right = width // 4, width - 1 - width // 4
        span = high - low or abs(high) or 1.0
        per_cell = span / (right - left)
        return GaugeScale(width, low - (left + 0.5) * per_cell, per_cell, left, right)
    edge = high if high is not None else low
    if edge is None:
        return GaugeScale(width, 0.0, 1.0 / width, None, None)
    post = width - 1 - width // 3 if high is not None else width // 3
    # From zero on, as such quantities do; an edge at or below zero has its own size before it.
    before = edge if edge > 0.0 else abs(edge) or 1.0
    per_cell = before / (post + 0.5)
    return GaugeScale(width, edge - before, per_cell, post if high is None else None, post if high is not None else None)


def gauge(
    low: float | None,
    high: float | None,
    width: int,
    value: float | None = None,
    expanded: float = 0.0,
    edges: tuple[str, str] = ("", ""),
    style: str = "",
    quiet: str = "",
) -> Text:
    """A gauge of `width` cells. Without a value the band alone, so that one sees where the value must land.

    `edges`: what to print outside the posts, where there is room; `style` for the value, `quiet` for the rest. `low`, `high`, `value` and
    `expanded` in the quantity's unit.
    """
    width = max(width, LEAST_WIDTH)
    scale = scale_for(low, high, width)
    cells = [BAND if scale.first_inside <= n <= scale.last_inside else OUTSIDE for n in range(width)]
    marked: set[int] = set()
    if value is not None:
        marked = _with_value(cells, scale, value, expanded, (low, high))
    for post in (scale.low_cell, scale.high_cell):
        if post is not None:
            cells[post] = POST
    _with_edges(cells, scale, edges, marked)
    text = Text(no_wrap=True)
    for number, character in enumerate(cells):
        text.append(character, style if number in marked else "bold" if character == POST else quiet)
    return text


def _with_value(cells: list[str], scale: GaugeScale, value: float, expanded: float, band: tuple[float | None, float | None]) -> set[int]:
    """Puts the mark of the value and its line, or an arrow at the end; the cells that belong to the value."""
    low, high = band
    if value < scale.start:
        cells[0] = BELOW
        return {0}
    if value >= scale.end:
        cells[-1] = ABOVE
        return {scale.width - 1}
    at, mark = scale.cell(value), VALUE_OUTSIDE
    # The cell of a post belongs to neither side: the mark stands on the side where the value lies.
    if low is not None and value < low:
        at = min(at, scale.first_inside - 2)
    elif high is not None and value > high:
        at = max(at, scale.last_inside + 2)
    else:
        at, mark = max(min(at, scale.last_inside), scale.first_inside), VALUE
    line = range(max(scale.cell(value - expanded), 0), min(scale.cell(value + expanded), scale.width - 1) + 1)
    for number in line:
        cells[number] = LINE
    cells[at] = mark
    return {at, *line} - {n for n in (scale.low_cell, scale.high_cell) if n is not None}


def _with_edges(cells: list[str], scale: GaugeScale, edges: tuple[str, str], taken: set[int]) -> None:
    """Prints the band's ends just outside its posts, unless the value is there or the number does not fit."""
    low, high = edges
    if low and scale.low_cell is not None:
        first = scale.low_cell - len(low)
        _print(cells, low, first, taken)
    if high and scale.high_cell is not None:
        _print(cells, high, scale.high_cell + 1, taken)


def _print(cells: list[str], text: str, first: int, taken: set[int]) -> None:
    room = range(first, first + len(text))
    if first >= 0 and first + len(text) <= len(cells) and not taken.intersection(room):
        cells[first : first + len(text)] = text
