"""What a Linux console (TERM=linux) shows instead of characters that its fonts lack.

Debian's fonts of 256 and 512 letters (Lat15 and Uni2 in Fixed, Terminus and VGA, of console-setup 1.221) hold full blocks, box lines and
arrows, but neither halves nor quarters of blocks, nor most of the marks: looked up in the tables of the fonts.
"""

from __future__ import annotations

from rich.segment import Segment
from textual.color import Color
from textual.filter import LineFilter

_HALVES = "▀▄▌▐▘▝▖▗▚▞▛▜▙▟"
_SHOWN = str.maketrans({**dict.fromkeys(_HALVES, "■"), "✓": "+", "◆": "♦", "◇": "¤", "□": "·", "○": "o", "△": "▲", "►": ">", "◄": "<",
                        "▁": "_", "▏": "|", "★": "*"})  # fmt: skip


class ConsoleLetters(LineFilter):
    """Puts a letter that the fonts have in the place of each that they lack; every line stays as wide."""

    def apply(self, segments: list[Segment], background: Color) -> list[Segment]:
        return [segment if segment.control else Segment(segment.text.translate(_SHOWN), segment.style) for segment in segments]
