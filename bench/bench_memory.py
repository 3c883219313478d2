"""What a session remembers of its bench from one test to the next: zeros that were read, lamps that were proved."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from bench.description import BoardDescription

LASTS_S = 8.0 * 3600.0
"""How long it holds: a working day (common practice, no source)."""


class Lamp(NamedTuple):
    """A lamp by its place on the board, its rated watts, and the voltage of its system: another one in the same place is not known."""

    place: int
    watts: float
    system_v: float


@dataclass
class BenchMemory:
    """One for each session; a test fills it and takes from it. What was learnt on another board, or long ago, counts for nothing.

    `board`: all that it says of itself. `zeroed`: its description with the zeros, and the note for captures that they were made of.
    `lamps`: those proved each by itself, and when. Times on the port's clock.
    """

    board: str = ""
    zeroed: BoardDescription | None = None
    zero_note: Mapping[str, Any] = field(default_factory=dict)
    zeroed_s: float = 0.0
    lamps: dict[Lamp, float] = field(default_factory=dict)

    def meet(self, board: str, now_s: float) -> None:
        """Forget what is not of the board that says this of itself, or too old; a test begins on it."""
        if board != self.board or not 0.0 <= now_s - self.zeroed_s <= LASTS_S:
            self.zeroed, self.zero_note = None, {}
        self.lamps = {lamp: t_s for lamp, t_s in self.lamps.items() if board == self.board and 0.0 <= now_s - t_s <= LASTS_S}
        self.board = board

    def learn_lamps(self, lamps: Iterable[Lamp], now_s: float) -> None:
        """These lamps were found right."""
        self.lamps |= dict.fromkeys(lamps, now_s)

    def forget_lamps(self) -> None:
        """Forget all lamps: one was found wrong, or may be."""
        self.lamps.clear()
