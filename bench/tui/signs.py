"""The sign of an outcome, and of one limit's verdict: a mark that differs in shape, a word, a colour that only repeats them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from bench.outcome import Outcome
from bench.record import TestRecord
from bench.render.names import OUTCOMES
from bench.verdict import Conformity


@dataclass(frozen=True, slots=True)
class Sign:
    """`mark`: one character; `word`: in capitals; `variable`, `ground`: colours of the theme by name."""

    mark: str
    word: str
    variable: str

    @property
    def ground(self) -> str:
        """The theme's colour of the ground."""
        return f"{self.variable}-ground"


SIGNS: Mapping[Outcome, Sign] = {
    Outcome.GOOD: Sign("✓", "GOOD", "good"),
    Outcome.NOT_GOOD: Sign("✗", "NOT GOOD", "bad"),
    Outcome.NOT_FOR_LOAD: Sign("≠", "GOOD, NOT FOR THIS LOAD", "doubt"),
    Outcome.NOT_DECIDED: Sign("?", "NOT DECIDED", "doubt"),
    Outcome.BENCH_FAULT: Sign("!", "BENCH FAULT", "fault"),
}
CONFORMITY_SIGNS: Mapping[Conformity, Sign] = {
    Conformity.PASS: Sign("✓", "PASS", "good"),
    Conformity.CONDITIONAL_PASS: Sign("○", "CONDITIONAL PASS", "doubt"),
    Conformity.CONDITIONAL_FAIL: Sign("△", "CONDITIONAL FAIL", "doubt"),
    Conformity.FAIL: Sign("✗", "FAIL", "bad"),
    Conformity.NOT_MEASURED: Sign("?", "NOT MEASURED", "doubt"),
}
"""Signs of single limits, in the words of the report."""


def sign_of(record: TestRecord) -> Sign:
    """Return the sign of a whole test."""
    return SIGNS[record.outcome]


def meaning_of(record: TestRecord) -> str:
    """Return what the word says, in one clause."""
    return OUTCOMES[record.outcome]
