"""Records of format 1 read as records of format 2.

Format 1 kept the worst verdict of a test as its outcome, and beside it a grade and a sentence that could say something else. So only
what was measured and judged is taken over; what is said of the unit is concluded anew, by the rule that all records follow now.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from bench.outcome import Case, Outcome, conclude, upheld
from bench.record import TestRecord

SCHEMA = "makebreak-record-1"
_OF_LETTER = {"A": "good", "B": "good", "C": "good", "R": "not good", "none": "not decided"}
_OF_WORST = {"pass": "good", "fail": "not good"}


def in_format_2(content: Mapping[str, Any]) -> dict[str, Any]:
    """Return the content of a record of format 1 under the keys of format 2, with a conclusion that says nothing but the grade."""
    kept = {key: value for key, value in content.items() if key not in ("outcome", "grade", "reason")}
    said = {"outcome": Outcome.NOT_DECIDED.value, "reason": "", "advice": "", "grade": _grade(content), "basis": ""}
    return {**kept, "verdicts": _verdicts(content["verdicts"]), "conclusion": said, "load": content["rated_load"]}


def concluded(record: TestRecord) -> TestRecord:
    """Return the record with its conclusion. Format 1 tested on the rated load alone, and proved nothing of the bench."""
    known = record.measured.facts.get("rating") == "known" or None
    by_bench = any(fault.text == record.interrupted for fault in record.bench_faults)
    case = Case(record.measured, record.verdicts, record.grade, record.bench_faults, record.interrupted, by_bench, record.load, known)
    conclusion = conclude(case)
    return replace(record, conclusion=conclusion, verdicts=upheld(record.verdicts, conclusion.outcome))


def _verdicts(verdicts: Any) -> list[dict[str, Any]]:
    """Verdicts, and those inside alternatives, under the new key."""
    renamed = ({"conformity" if key == "outcome" else key: value for key, value in verdict.items()} for verdict in verdicts)
    return [{**verdict, "parts": _verdicts(verdict["parts"])} for verdict in renamed]


def _grade(content: Mapping[str, Any]) -> dict[str, Any] | None:
    """The grade with what it says of the unit: by its letter, and where a shop had its own, by the worst verdict that it was given on."""
    grade = content["grade"]
    if grade is None:
        return None
    says = _OF_LETTER.get(grade["name"]) or _OF_WORST.get(content["outcome"], "not decided")
    # Where a limit is not kept the verdict says so itself; else the grade is the only one to speak.
    charges = grade["because"] if says == "not good" and content["outcome"] != "fail" else []
    return {**grade, "outcome": says, "charges": charges}
