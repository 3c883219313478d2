"""What is said of a unit: the outcome, the sentence of reason, what to do next."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from bench.grade import NO_GRADE, Grade


class Outcome(StrEnum):
    """What can be said of a unit after a test."""

    GOOD = "good"
    NOT_GOOD = "not good"
    NOT_FOR_LOAD = "good, but not for this load"
    NOT_DECIDED = "not decided"
    BENCH_FAULT = "bench fault"

    @property
    def is_of_unit(self) -> bool:
        """Whether it says something of the unit."""
        return self in (Outcome.GOOD, Outcome.NOT_GOOD, Outcome.NOT_FOR_LOAD)


OPENINGS: Mapping[Outcome, tuple[str, ...]] = {
    Outcome.GOOD: ("Good: ",),
    Outcome.NOT_GOOD: ("Rejected: ",),
    Outcome.NOT_FOR_LOAD: ("Not for ",),
    Outcome.NOT_DECIDED: ("Not decided: ", "Not finished: "),
    Outcome.BENCH_FAULT: ("The bench is at fault, not the unit: ",),
}
"""How the sentence of each outcome begins."""


@dataclass(frozen=True)
class Conclusion:
    """The outcome with all that is said beside it.

    `reason`: one sentence that names quantity, figure and limit once; `advice`: what to do next. `grade` is given only with `good` and
    `not good`, and then says the same. `basis`: the weakest basis of the numbers that decided (`read`, `own`, `summary`, `memory` with its
    confidence), empty if none did.
    """

    outcome: Outcome
    reason: str
    advice: str
    grade: Grade | None = None
    basis: str = ""

    @property
    def letter(self) -> str:
        """The grade's name; empty if none was given."""
        return self.grade.name if self.grade is not None and self.grade.name != NO_GRADE else ""
