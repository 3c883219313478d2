"""One line of a table of figures: what was asked, and what was got."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Figure:
    """One line of the table. `bound`: what was asked, at least or at most; None if nothing was."""

    name: str
    got: float
    unit: str
    bound: float | None = None
    least: bool = False

    @property
    def held(self) -> bool:
        return self.bound is None or (self.got >= self.bound if self.least else self.got <= self.bound)

    def __str__(self) -> str:
        asked = "" if self.bound is None else f"{'at least' if self.least else 'at most'} {self.bound:g} {self.unit}"
        return f"{self.name:<52} {asked:<22} {self.got:>9.4g} {self.unit:<6}{'' if self.held else '  MISSED'}"
