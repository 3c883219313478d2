"""The sign of a test's result: a mark that differs in shape, a word, a colour that only repeats them; and what to do next."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from bench.record import TestRecord
from bench.render.plain import one_line
from bench.render.report import MEANING
from bench.render.standing import Standing, bench_trouble, standing
from bench.verdict import Conformity


@dataclass(frozen=True, slots=True)
class Sign:
    """`mark`: one character; `word`: in capitals; `variable`, `ground`: colours of the theme by name."""

    mark: str
    word: str
    variable: str
    is_bench: bool = False

    @property
    def ground(self) -> str:
        return f"{self.variable}-ground"


SIGNS: Mapping[Standing, Sign] = {
    Standing.PASS: Sign("✓", "PASS", "good"),
    Standing.CONDITIONAL_PASS: Sign("○", "CONDITIONAL PASS", "doubt"),
    Standing.CONDITIONAL_FAIL: Sign("△", "CONDITIONAL FAIL", "doubt"),
    Standing.FAIL: Sign("✗", "FAIL", "bad"),
    Standing.NOT_MEASURED: Sign("?", "NOT MEASURED", "doubt"),
    Standing.BENCH_FAULT: Sign("!", "BENCH FAULT", "fault", is_bench=True),
    Standing.NOT_FINISHED: Sign("■", "NOT FINISHED", "fault"),
}
MEANINGS: Mapping[Standing, str] = {
    **{Standing(outcome.value): text for outcome, text in MEANING.items()},
    Standing.BENCH_FAULT: "something is wrong with the bench, and the unit is not blamed",
    Standing.NOT_FINISHED: "the test ended before anything was decided",
}
_OUTCOME_SIGNS: Mapping[Conformity, Sign] = {outcome: SIGNS[Standing(outcome.value)] for outcome in Conformity}


def sign_of(record: TestRecord) -> Sign:
    """The sign of a whole test."""
    return SIGNS[standing(record)]


def sign_of_outcome(outcome: Conformity) -> Sign:
    """The sign of one limit's verdict."""
    return _OUTCOME_SIGNS[outcome]


def meaning_of(record: TestRecord) -> str:
    """What the word says, in one clause."""
    return MEANINGS[standing(record)]


def grade_letter(record: TestRecord) -> str:
    """The grade that was given; empty if none was."""
    return "" if record.grade is None or record.grade.name == "none" else one_line(record.grade.name)


def next_step(record: TestRecord) -> str:
    """What to do next, in one sentence."""
    stands = standing(record)
    if stands is Standing.NOT_FINISHED:
        return "Nothing was decided: Enter tests it again."
    if stands is Standing.BENCH_FAULT:
        trouble = one_line(bench_trouble(record)).rstrip(".")
        if not trouble or trouble in one_line(record.reason):
            return "Put the bench right, then test the same unit again."
        then = "Test the same unit again." if trouble.endswith("test again") else "Put that right, then test the same unit again."
        return f"{trouble[:1].upper()}{trouble[1:]}. {then}"
    # A rule that gives no grade says so in words that are meant for a test without an outcome.
    if record.grade is not None and record.grade.wording and grade_letter(record):
        return one_line(record.grade.wording)
    return _UNGRADED[stands]


_UNGRADED: Mapping[Standing, str] = {
    Standing.PASS: "It keeps every limit; no grade was given.",
    Standing.CONDITIONAL_PASS: "Zero the bench, let everything cool, and do the full test.",
    Standing.CONDITIONAL_FAIL: "Zero the bench, let everything cool, and do the full test.",
    Standing.FAIL: "Set it aside, with its reason.",
    Standing.NOT_MEASURED: "See in the report what could not be measured and why, then test again.",
}
