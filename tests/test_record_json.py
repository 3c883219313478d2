"""The record as JSON: nothing is lost on the way and back, the published schema says what is written, and old records stay readable."""

from __future__ import annotations

import json
import math
from dataclasses import fields, replace
from importlib.resources import files
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from hypothesis import given
from hypothesis import strategies as st
from sample_records import HOSTILE, cases, good_values, record

from bench.claims import Claims
from bench.conditions import Circumstances, ConditionVerdict, judge_conditions
from bench.files import limit_sets
from bench.grade import Grade
from bench.limits import AllOf, AnyOf, Condition, FactLimit, Limit, Source
from bench.measure import BenchFault, BenchProof, Measured
from bench.outcome import Conclusion, Outcome
from bench.record import StepRecord, TestRecord
from bench.record_json import DERIVED, RecordError, from_json, to_json
from bench.uncertainty import Component, Estimate, NotMeasured
from bench.verdict import Verdict

SCHEMA: dict[str, Any] = json.loads((files("bench") / "data" / "schema" / "record-2.json").read_text(encoding="utf-8"))
VALIDATOR = jsonschema.Draft202012Validator(SCHEMA)
GOOD = record()


@pytest.mark.parametrize("name", sorted(cases()))
def test_there_and_back(name: str) -> None:
    before = cases()[name]
    text = to_json(before)
    VALIDATOR.validate(json.loads(text))
    assert from_json(text) == before
    assert text.isascii()


def test_the_schema_is_one() -> None:
    jsonschema.Draft202012Validator.check_schema(SCHEMA)


@pytest.mark.parametrize(
    ("name", "kind", "more"),
    [
        ("component", Component, ()), ("estimate", Estimate, ("kind", *DERIVED)), ("not_measured", NotMeasured, ("kind",)),
        ("measured", Measured, ()), ("bench_fault", BenchFault, ()), ("step", StepRecord, ()), ("source", Source, ()),
        ("limit", Limit, ("kind",)), ("fact_limit", FactLimit, ("kind",)), ("all_of", AllOf, ("kind",)),
        ("any_of", AnyOf, ("kind",)), ("verdict", Verdict, ()), ("grade", Grade, ()), ("bench_proof", BenchProof, ()),
        ("conclusion", Conclusion, ()), ("condition", Condition, ()), ("condition_verdict", ConditionVerdict, ()), ("claims", Claims, ()),
    ],
)  # fmt: skip
def test_the_schema_has_every_field(name: str, kind: Any, more: tuple[str, ...]) -> None:
    named = {f.name for f in fields(kind)} | set(more)
    assert set(SCHEMA["$defs"][name]["properties"]) == named == set(SCHEMA["$defs"][name]["required"])


def test_the_schema_has_every_field_of_the_record() -> None:
    assert set(SCHEMA["properties"]) == {"schema", *(f.name for f in fields(TestRecord))}


def test_conditions_claims_and_proofs_are_kept() -> None:
    """With everything that they can hold, and judged by a set that has conditions."""
    conditioned = next(s for s in limit_sets() if s.conditions)
    before = replace(
        GOOD,
        measured=replace(GOOD.measured, proofs=(BenchProof("lamps", True, "101 % of the expected current"),)),
        conditions=judge_conditions(conditioned, Circumstances(12.0, supply_v=12.83, starts=1)),
        claims=Claims("77-1", 12.0, (21.0, 21.0, 5.0), "fixed", 3, "in step", "dead", True, False, True),
    )
    assert before.conditions
    text = to_json(before)
    VALIDATOR.validate(json.loads(text))
    assert from_json(text) == before


_NUMBERS = st.floats(allow_nan=False, allow_infinity=False, width=64)


@given(value=_NUMBERS, u=st.floats(0.0, 1e100), dof=st.floats(0.5, 1e6) | st.just(math.inf), note=st.text(), unit=st.text())
def test_any_estimate_survives(value: float, u: float, dof: float, note: str, unit: str) -> None:
    found = Estimate(value, unit, (Component(note, u, dof, "A"),), 3, note)
    before = replace(GOOD, unit=note, measured=Measured({"rate_per_min": found}))
    assert from_json(to_json(before)) == before


def changed(path: tuple[str | int, ...], value: Any) -> str:
    """The good record's JSON with one place changed."""
    content = json.loads(to_json(GOOD))
    place = content
    for key in path[:-1]:
        place = place[key]
    place[path[-1]] = value
    return json.dumps(content)


RATE = ("measured", "values", "rate_per_min")


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "file: no record: it is no JSON"),
        ("[]", "file: not a record"),
        ("{}", "file: not a record"),
        ("[" * 100_000, "file: nested too deep"),
        (changed(("format",), 3), "file: format 3 is newer than this version reads (2): a newer makebreak is needed"),
        (changed(("format",), 1), "file: got format 1 and schema 'makebreak-record-2'; this version reads 2 and"),
        ('{"format": 1, "schema": "makebreak-record-1"}', "file: not a record of format 1: 'grade'"),
        ('{"format": 1, "schema": "makebreak-record-1", "grade": null, "verdicts": 5}', "file: not a record of format 1: 'int' object"),
        (changed(("format",), "1"), "file: got format '1'"),
        (changed(("schema",), "other"), "schema 'other'"),
        (changed(("unit",), 5), "file: unit: got 5; it must be text"),
        (changed(("system_v",), True), "file: system_v: got True; it must be a number"),
        (changed(("system_v",), math.nan), "NaN is not a number"),
        (to_json(GOOD).replace('"system_v": 12.0', '"system_v": 1e999'), "file: system_v: got inf; it must be a number"),
        (to_json(GOOD).replace('"system_v": 12.0', f'"system_v": {"9" * 400}'), "file: int too large to convert to float"),
        (changed(("conclusion", "outcome"), "fine"), "file: conclusion.outcome: got 'fine'; it must be one of good, not good, "),
        (changed(("verdicts", 0, "conformity"), "fine"), "file: verdicts[0].conformity: got 'fine'; it must be one of fail, "),
        (changed(("claims", "pilot"), "lit"), "file: claims.pilot: got 'lit'; it must be one of 'in step', "),
        (changed(("extra",), 1), "file: extra is not part of this format"),
        (changed((*RATE, "kind"), "guess"), "measured.values.rate_per_min.kind: got 'guess'; it must be one of estimate, not"),
        (changed((*RATE, "u"), 0.01), "measured.values.rate_per_min: u is 0.01, but its budget gives"),
        (changed((*RATE, "budget", 0, "u"), -1.0), "u must be finite and not negative"),
        (changed((*RATE, "budget", 0, "kind"), "C"), "budget[0].kind: got 'C'; it must be one of 'A', 'B'"),
        (changed(("steps", 0, "loads"), 3), "steps[0].loads: got 3; it must be a list"),
        (changed(("verdicts", 0, "limit"), []), "verdicts[0].limit.kind: got 'list'"),
    ],
)  # fmt: skip
def test_anything_else_is_refused_in_one_line(text: str, says: str) -> None:
    with pytest.raises(RecordError) as caught:
        from_json(text, "file")
    assert says in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_missing_field_is_named() -> None:
    content = json.loads(to_json(GOOD))
    del content["steps"][0]["lasted_s"]
    with pytest.raises(RecordError, match=r"^record: steps\[0\]\.lasted_s is missing$"):
        from_json(json.dumps(content))


def test_no_infinity_is_written() -> None:
    with pytest.raises(ValueError, match="not JSON compliant"):
        to_json(replace(GOOD, system_v=math.inf))


def test_hostile_text_is_escaped() -> None:
    text = to_json(record(unit=HOSTILE, values=good_values()))
    assert "\x1b" not in text
    assert "\u202e" not in text
    assert from_json(text).unit == HOSTILE


# --- records of format 1, as they were written

OLD = Path(__file__).parent.parent / "fixtures" / "records"


@pytest.mark.parametrize(
    ("name", "outcome", "letter", "says"),
    [
        ("good", Outcome.GOOD, "B", "Good: 87.7 ± 2.2 flashes a minute"),
        ("passed-and-rejected", Outcome.NOT_GOOD, "R", "Rejected: "),
        ("dark", Outcome.NOT_GOOD, "R", "Rejected: it does not flash: the lamps stay dark."),
        ("lamp-dead", Outcome.BENCH_FAULT, "", "The bench is at fault, not the unit: the lamps take 50 %"),
        ("cancelled", Outcome.NOT_DECIDED, "", "Not finished: cancelled by the operator."),
    ],
)
def test_a_record_of_format_1_is_read_and_concluded_anew(name: str, outcome: Outcome, letter: str, says: str) -> None:
    text = (OLD / f"{name}.json").read_text(encoding="ascii")
    old, found = json.loads(text), from_json(text, name)
    assert (found.outcome, found.conclusion.letter, found.format) == (outcome, letter, 2)
    assert found.reason.startswith(says)
    assert [v.conformity.value for v in found.verdicts] == [v["outcome"] for v in old["verdicts"]]
    assert set(found.measured.values) == set(old["measured"]["values"])
    assert (found.unit, found.when, found.load) == (old["unit"], old["when"], old["rated_load"])
    VALIDATOR.validate(json.loads(to_json(found)))
    assert from_json(to_json(found)) == found


def test_one_fact_of_an_old_record_is_counted_once() -> None:
    """The old grade R names the failed limit again: the verdict says it already."""
    found = from_json((OLD / "dark.json").read_text(encoding="ascii"))
    assert found.reason.count("dark") == 1
    assert found.grade is not None and found.grade.charges == ()


@pytest.mark.parametrize(("worst", "outcome"), [("pass", Outcome.GOOD), ("not measured", Outcome.NOT_DECIDED)])
def test_an_old_grade_of_a_shops_own_means_what_the_limits_said(worst: str, outcome: Outcome) -> None:
    content = json.loads((OLD / "good.json").read_text(encoding="ascii"))
    content["grade"]["name"] = "1st"
    content["outcome"] = worst
    assert from_json(json.dumps(content)).outcome is outcome
