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

from bench.bank import Bank, Socket
from bench.claims import Claims
from bench.conditions import Circumstances, ConditionVerdict, judge_conditions
from bench.errors import RecordError
from bench.files import limit_sets
from bench.grade import Grade
from bench.limits import AllOf, AnyOf, Condition, FactLimit, Limit, Source
from bench.measure import BenchFault, BenchProof, Measured
from bench.measure.flash_table import FlashTable
from bench.outcome import Conclusion, Outcome
from bench.procedure import CoolStep, Procedure, PromptStep, RunStep, ZeroStep
from bench.record import BoardRecord, JudgedAgain, RecordingSource, SetupRecord, SimulationRecord, StepRecord, TestRecord
from bench.record_json import from_json, to_json
from bench.record_sum import KEY, sum_of
from bench.typed_json import DERIVED, decode, dumps, encode, loads
from bench.uncertainty import Component, Estimate, NotMeasured
from bench.verdict import Verdict

SCHEMA: dict[str, Any] = json.loads((files("bench") / "data" / "schema" / "record-4.json").read_text(encoding="utf-8"))
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
        ("socket", Socket, ()), ("bank", Bank, ()), ("setup", SetupRecord, ()), ("zero_step", ZeroStep, ("kind",)),
        ("run_step", RunStep, ("kind",)), ("cool_step", CoolStep, ("kind",)), ("prompt_step", PromptStep, ("kind",)),
        ("procedure", Procedure, ()), ("simulation", SimulationRecord, ()), ("board", BoardRecord, ()),
        ("recording", RecordingSource, ()), ("judged_again", JudgedAgain, ()), ("flashes", FlashTable, ()),
    ],
)  # fmt: skip
def test_the_schema_has_every_field(name: str, kind: Any, more: tuple[str, ...]) -> None:
    named = {f.name for f in fields(kind)} | set(more)
    assert set(SCHEMA["$defs"][name]["properties"]) == named == set(SCHEMA["$defs"][name]["required"])


def test_the_schema_has_every_field_of_the_record() -> None:
    assert set(SCHEMA["properties"]) == {"schema", KEY, *(f.name for f in fields(TestRecord))}


def test_conditions_claims_and_proofs_are_kept() -> None:
    """With everything that they can hold, and judged by a set that has conditions."""
    conditioned = next(s for s in limit_sets() if s.conditions)
    before = replace(
        GOOD,
        measured=replace(GOOD.measured, proofs=(BenchProof("lamps", True, "101 % of the expected current"),)),
        conditions=judge_conditions(conditioned, Circumstances(12.0, supply_v=12.83, starts=1)),
        setup=replace(GOOD.setup, claims=Claims("77-1", 12.0, (21.0, 21.0, 5.0), "fixed", 3, "in step", "dead", True, False, True)),
    )
    assert before.conditions
    text = to_json(before)
    VALIDATOR.validate(json.loads(text))
    assert from_json(text) == before


_NUMBERS = st.floats(allow_nan=False, allow_infinity=False, width=64)


@given(value=_NUMBERS, u=st.floats(0.0, 1e100), dof=st.floats(0.5, 1e6) | st.just(math.inf), note=st.text(), unit=st.text())
def test_any_estimate_survives(value: float, u: float, dof: float, note: str, unit: str) -> None:
    found = Estimate(value, unit, (Component(note, u, dof, "A"),), 3, note)
    before = Measured({"rate_per_min": found}, {note: note})
    assert decode(Measured, loads(dumps(encode(before)))) == before


def changed(path: tuple[str | int, ...], value: Any) -> str:
    """The good record's JSON with one place changed, and a sum that fits as far as there is one."""
    content = json.loads(to_json(GOOD))
    place = content
    for key in path[:-1]:
        place = place[key]
    place[path[-1]] = value
    return json.dumps({**content, KEY: sum_of(json.dumps(content))})


def resealed(text: str) -> str:
    """The text of a changed record with the sum that fits."""
    return text.replace(json.loads(text)[KEY], sum_of(text))


RATE = ("measured", "values", "rate_per_min")


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "file: it is no JSON"),
        ("[]", "file: not a record"),
        ("{}", "file: not a record"),
        ("[" * 100_000, "file: it is nested too deep"),
        (changed(("format",), 5), "file: format 5 is newer than this version reads (4): a newer makebreak is needed"),
        (changed(("format",), 1), "file: got format 1 and schema 'makebreak-record-4'; this version reads 4 and"),
        ('{"format": 2, "schema": "makebreak-record-2"}', "file: not a record of format 2: 'measured'"),
        (changed(("procedure", "steps", 0, "kind"), "wait"), "file: procedure.steps[0].kind: got 'wait'; it must be one of zero, run, "),
        (changed(("procedure", "steps", 0, "loads"), "two-out"), "file: procedure.steps[0]: load 'two-out'; it must be one of rated, one-"),
        (changed(("procedure", "steps", 0, "judge"), ["mood"]), "file: procedure.steps[0]: quantity 'mood' to judge, which this version"),
        (changed(("procedure", "steps", 0, "starts"), 0), "file: procedure.steps[0]: 0 starts of 8 cycles; at least one start"),
        (changed(("procedure", "steps", 0, "loads"), 5), "file: procedure.steps[0].loads: got 5; it must be a list"),
        (changed(("board", "calibration"), "good"), "file: board.calibration: got 'good'; it must be one of 'built-in', 'by meter'"),
        ('{"format": 1, "schema": "makebreak-record-1"}', "file: not a record of format 1: 'grade'"),
        ('{"format": 1, "schema": "makebreak-record-1", "grade": null, "verdicts": 5}', "file: not a record of format 1: 'int' object"),
        (changed(("format",), "1"), "file: got format '1'"),
        (changed(("schema",), "other"), "schema 'other'"),
        (changed(("setup", "unit"), 5), "file: setup.unit: got 5; it must be text"),
        (changed(("setup", "system_v"), True), "file: setup.system_v: got True; it must be a number"),
        (changed(("setup", "system_v"), math.nan), "NaN is not a number"),
        (resealed(to_json(GOOD).replace('"system_v": 12.0', '"system_v": 1e999')), "file: setup.system_v: got inf; it must be a number"),
        (resealed(to_json(GOOD).replace('"system_v": 12.0', f'"system_v": {"9" * 400}')), f"setup.system_v: got {'9' * 57}...; it must be"),
        (changed(("conclusion", "outcome"), "fine"), "file: conclusion.outcome: got 'fine'; it must be one of good, not good, "),
        (changed(("verdicts", 0, "conformity"), "fine"), "file: verdicts[0].conformity: got 'fine'; it must be one of fail, "),
        (changed(("setup", "claims", "pilot"), "lit"), "file: setup.claims.pilot: got 'lit'; it must be one of 'in step', "),
        (to_json(GOOD).replace('"outcome": "good"', '"outcome": "good", "outcome": "good"', 1), "file: outcome is there twice"),
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
        from_json(resealed(json.dumps(content)))


def test_no_infinity_is_written() -> None:
    with pytest.raises(ValueError, match="not JSON compliant"):
        to_json(replace(GOOD, supply_v=math.inf))


def test_hostile_text_is_escaped() -> None:
    text = to_json(record(unit=HOSTILE, values=good_values()))
    assert "\x1b" not in text
    assert "\u202e" not in text
    assert from_json(text).unit == HOSTILE


# --- records of older formats, as they were written

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
    assert (found.outcome, found.conclusion.letter, found.format) == (outcome, letter, 4)
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


def test_the_texts_of_format_1_are_typed() -> None:
    found = from_json((OLD / "passed-and-rejected.json").read_text(encoding="ascii"))
    assert found.setup == SetupRecord(
        "bench-nc-2x21", 12.0, 12.8, (21.0, 21.0), True, sample_mode="fast", limits=("un-r48",), grade_rule="default", skip=5, average=3
    )
    assert found.board == BoardRecord(
        "sim://bench-nc-2x21?seed=4&fault=sticking", "makebreak", "rig-328", "SIM00004", "1.0-sim", "built-in",
        simulation=SimulationRecord("bench-nc-2x21", ("sticking",)),
    )  # fmt: skip
    assert found.notes == ("step zero left out: not asked for; zeros are the board's and those at rest",)
    assert found.is_simulated


def test_the_texts_of_format_2_are_typed() -> None:
    found = from_json((OLD / "other-lamps.json").read_text(encoding="ascii"))
    title = "In the sockets: three 27 W lamps, 10 W, 5 W, and an LED lamp of 0.15 A"
    assert found.setup == SetupRecord(
        "4711", 12.0, 12.8, (27.0, 27.0), True, bank=Bank("2x27", title, (), 12.0), sample_mode="fast", limits=("un-r48",),
        grade_rule="default", skip=5, average=3, claims=Claims(terminals=2), entered={"insulation": "good"},
    )  # fmt: skip
    assert found.procedure == Procedure("quick", "", "", ())
    assert found.board is not None and found.board.simulation == SimulationRecord("bench-nc-2x21")
    assert (found.outcome, found.conclusion.letter) == (Outcome.NOT_GOOD, "R")
    assert from_json(to_json(found)) == found


def test_a_recording_of_format_2_is_no_board() -> None:
    found = from_json((OLD / "recording.json").read_text(encoding="ascii"))
    assert (found.board, found.recording) == (None, RecordingSource("thermal-plain.csv", ("i_load", "v_in", "v_out")))
    assert (found.setup.rated_w, found.setup.rating_known) == ((), False), "what it is for was not known, and it was tested on LED lamps"
    assert len(found.notes) == 5 and found.notes[-1] == "4000 rows, 500 a second"
    assert not found.is_simulated


@pytest.mark.parametrize(
    ("place", "key", "text"), [("settings", "supply", "about 12 V"), ("settings", "mood", "good"), ("board", "colour", "red")]
)
def test_a_text_of_format_2_that_is_not_known_becomes_a_note(place: str, key: str, text: str) -> None:
    content = json.loads((OLD / "other-lamps.json").read_text(encoding="ascii"))
    content[place][key] = text
    assert from_json(json.dumps(content)).notes[-1] == f"{key}: {text}"


def test_a_board_of_format_2_that_was_calibrated_says_when() -> None:
    content = json.loads((OLD / "other-lamps.json").read_text(encoding="ascii"))
    content["board"] = {"address": "/dev/ttyUSB0", "calibrated": "2026-11-25"}
    found = from_json(json.dumps(content)).board
    assert found == BoardRecord("/dev/ttyUSB0", calibration="by meter", calibrated="2026-11-25")


def test_a_list_of_numbers_stands_in_one_line() -> None:
    text = to_json(GOOD)
    assert '\n      "loads": [1, 2],\n' in text
    assert json.loads(text) == json.loads(json.dumps(json.loads(text)))
