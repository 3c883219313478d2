"""Lists side by side, each scrolled to the row at hand, and what that row means below."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from rich.text import Text

from bench.tui.wrapped import cut, padded, wrapped

_GAP = 2
_EXPLAINED_LINES = 4


@dataclass(frozen=True, slots=True)
class ListPane:
    """A list: its heading, rows, the row at hand, and whether keys go to it."""

    title: str
    rows: Sequence[str]
    at: int
    active: bool

    def lines(self, width: int, height: int, quiet: str) -> list[Text]:
        """The heading and as many rows as there is room for; it says how many lie above and below."""
        room = max(height - 1, 1)
        first = min(max(self.at - room // 2, 0), max(len(self.rows) - room, 0))
        last = min(first + room, len(self.rows))
        above = f" ▲{first}" if first else ""
        below = f" ▼{len(self.rows) - last}" if last < len(self.rows) else ""
        heading = padded(f"{self.title}{above}{below}", width)
        lines = [Text(heading, "bold" if self.active else quiet)]
        for number, row in enumerate(self.rows[first:last], first):
            here = number == self.at
            mark = "► " if here and self.active else "• " if here else "  "
            lines.append(Text(padded(mark + row, width), "bold reverse" if here and self.active else "bold" if here else ""))
        return lines + [Text(" " * width)] * (height - len(lines))


def panes_text(panes: Sequence[ListPane], explained: Sequence[str], width: int, height: int, colours: Mapping[str, str]) -> Text:
    """The lists, a rule, and the explanation. Every list is as wide as its longest row asks for, as far as there is room."""
    quiet = colours.get("quiet", "")
    below = [Text(line) for passage in explained for line in wrapped(passage, width)]
    kept = min(max(len(below), _EXPLAINED_LINES), max(height // 3, 1))
    tall = max(height - kept - 1, 2)
    widths = _widths(panes, width)
    columns = [pane.lines(across, tall, quiet) for pane, across in zip(panes, widths, strict=True)]
    lines = [Text(" " * _GAP, no_wrap=True).join(row) for row in zip(*columns, strict=True)]
    lines += [Text("─" * width, quiet), *below[:kept]]
    if len(below) > kept:
        lines[-1] = Text(cut(f"{below[kept - 1].plain} …", width))
    return Text("\n", no_wrap=True).join(lines[:height])


def _widths(panes: Sequence[ListPane], width: int) -> list[int]:
    """What each asks for; if that is too much, the widest give first; if it is too little, all grow alike."""
    wanted = [max(len(row) for row in (pane.title + " ▲99 ▼99", *pane.rows)) + 2 for pane in panes]
    room = width - _GAP * (len(panes) - 1)
    while sum(wanted) > room:
        wanted[wanted.index(max(wanted))] -= 1
    spare = room - sum(wanted)
    return [one + spare // len(wanted) for one in wanted]
