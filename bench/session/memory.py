"""What a session remembers of its bench from one test to the next: zeros that were read, lamps that were proved."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from bench.description import BoardDescription

LASTS_S = 8.0 * 3600.0
"""How long it holds: a working day (common practice, no source)."""


@dataclass
class BenchMemory:
    """One for each session; a test fills it and takes from it. What was learnt on another board, or long ago, counts for nothing.

    `zeroed`: the board's description with the zeros, and the note for captures that they were made of; `lamps`: lamp places whose lamps
    were proved each by itself. Times on the port's clock.
    """

    board: str = ""
    zeroed: BoardDescription | None = None
    zero_note: Mapping[str, Any] = field(default_factory=dict)
    zeroed_s: float = 0.0
    lamps: frozenset[int] = frozenset()
    lamps_s: float = 0.0

    def meet(self, board: str, now_s: float) -> None:
        """A test begins on this board: forget what is not of it, or too old."""
        if board != self.board or not 0.0 <= now_s - self.zeroed_s <= LASTS_S:
            self.zeroed, self.zero_note = None, {}
        if board != self.board or not 0.0 <= now_s - self.lamps_s <= LASTS_S:
            self.lamps = frozenset()
        self.board = board
