"""From the least and greatest value of each column of dots to characters, in braille or in block characters.

A whole pane is made at once: rows of code points, top row first.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
import numpy.typing as npt

from bench.samples import Array

Dots: TypeAlias = npt.NDArray[np.bool_]
"""Shape (rows of dots, columns of dots), the top row first."""
Codes: TypeAlias = npt.NDArray[np.uint32]
"""Code points, shape (rows, cells)."""
Levels: TypeAlias = npt.NDArray[np.int32]

ACROSS = 2
"""Columns of dots in a cell: the same in both inks, so that a change of ink changes no column."""
_NOWHERE = -1
_BETWEEN = 0.1  # dots: what lies between two dots, as zero does, belongs to the lower one; noise would else draw it as a thick line


@dataclass(frozen=True, slots=True)
class Ink:
    """A set of characters to draw dots with: each cell is two dots wide and `down` dots high.

    `code` holds the character for every pattern of dots; bit `2 * row + column` of a pattern is the dot there, row 0 on top.
    """

    name: str
    down: int
    code: Codes

    @property
    def blank(self) -> int:
        """The character without a dot."""
        return int(self.code[0])


def _braille() -> Codes:
    # Unicode numbers the eight dots down the left column, down the right one, and then the lowest pair (U+2800 to U+28FF).
    bits = (0, 3, 1, 4, 2, 5, 6, 7)
    patterns = np.arange(256, dtype=np.uint32)
    code = np.full(256, 0x2800, dtype=np.uint32)
    for ours, theirs in enumerate(bits):
        code |= ((patterns >> np.uint32(ours)) & np.uint32(1)) << np.uint32(theirs)
    return code


BRAILLE = Ink("braille", 4, _braille())
# In order of the pattern: top left is 1, top right 2, bottom left 4, bottom right 8.
BLOCKS = Ink("blocks", 2, np.array([ord(c) for c in " ▘▝▀▖▌▞▛▗▚▐▜▄▙▟█"], dtype=np.uint32))
FULL = Ink("full blocks", 1, np.array([ord(c) for c in " ███"], dtype=np.uint32))
"""For fonts without halves and quarters of blocks: those of a Linux console."""
INKS = {ink.name: ink for ink in (BRAILLE, BLOCKS, FULL)}


def levels(values: Array, bottom: float, top: float, dots: int) -> Levels:
    """The row of dots of each value, 0 the lowest; what lies outside the scale is put on its edge, NaN is -1.

    `bottom` and `top` in the unit of the values.
    """
    if dots == 1:
        return np.where(np.isnan(values), _NOWHERE, 0).astype(np.int32)
    with np.errstate(invalid="ignore"):
        placed = np.rint((values - bottom) * ((dots - 1) / (top - bottom)) - _BETWEEN)
    return np.where(np.isnan(placed), _NOWHERE, np.clip(placed, 0, dots - 1)).astype(np.int32)


def joined(low: Levels, high: Levels) -> tuple[Levels, Levels]:
    """Each column reaches to its neighbour on the left, so that the line has no holes; a column's look hangs on no later column."""
    low, high = low.copy(), high.copy()
    if len(low) > 1:
        both = (low[1:] >= 0) & (low[:-1] >= 0)
        before_low, before_high = low[:-1].copy(), high[:-1].copy()
        low[1:] = np.where(both, np.minimum(low[1:], before_high + 1), low[1:])
        high[1:] = np.where(both, np.maximum(high[1:], before_low - 1), high[1:])
    return low, high


def filled(low: Levels, high: Levels, dots: int) -> Dots:
    """The dots from low to high of each column."""
    row = np.arange(dots - 1, -1, -1, dtype=np.int32)[:, None]
    return (row >= low) & (row <= high) & (low >= 0)


def characters(dots: Dots, ink: Ink) -> Codes:
    """The cells that hold these dots. Both counts of dots must be whole cells."""
    height, width = dots.shape
    cells = dots.reshape(height // ink.down, ink.down, width // ACROSS, ACROSS)
    pattern = np.zeros((height // ink.down, width // ACROSS), dtype=np.uint8)
    for row in range(ink.down):
        for column in range(ACROSS):
            pattern |= cells[:, row, :, column].astype(np.uint8) << np.uint8(ACROSS * row + column)
    return ink.code[pattern]


def text(codes: Codes) -> str:
    """One row of code points as text."""
    return codes.astype("<u4").tobytes().decode("utf-32-le")
