"""Records that somebody edited and summed anew: refused where they contradict themselves, and never shown at any length."""

from __future__ import annotations

import json
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from sample_records import cases

from bench.claims import Claims
from bench.errors import RecordError
from bench.limits import FactLimit, Source
from bench.record_checks import claims_agree
from bench.record_json import from_json, to_json
from bench.record_sum import KEY, sum_of
from bench.render.report import MOST_ROWS, report_text
from bench.rounding import rounded, uncertainty_text
from bench.uncertainty import NotMeasured
from bench.verdict import Conformity, Verdict

TEXT = to_json(cases()["pass"])
OLD = Path(__file__).parent.parent / "fixtures" / "records"


def resealed(content: dict[str, Any]) -> str:
    return json.dumps({**content, KEY: sum_of(json.dumps(content))})


def with_claims(**claims: Any) -> str:
    content = json.loads(TEXT)
    content["setup"]["claims"] |= claims
    return resealed(content)


@pytest.mark.parametrize(
    ("claims", "says"),
    [
        ({"terminals": 2, "pilot": "in step"}, "got 'in step' for two terminals"),
        ({"pilot": "none", "pilot_lamp_out": "dead"}, "no pilot terminal, and 'dead' with a lamp out"),
        ({"terminals": 7}, "terminals: got 7"),
        ({"rated": [21.0, -21.0]}, "rated: got [21.0, -21.0]"),
        ({"rated": []}, "rated: got []"),
        ({"system_v": 24.0}, "said to be for 24 V, and was tested as one for 12 V"),
    ],
)
def test_claims_that_contradict_each_other_are_refused(claims: dict[str, Any], says: str) -> None:
    with pytest.raises(RecordError, match="it can't be right, and is not shown: ") as refused:
        from_json(with_claims(**claims))
    assert says in str(refused.value) and "\n" not in str(refused.value)


def test_claims_that_agree_are_shown() -> None:
    assert from_json(with_claims(terminals=3, pilot="in step", rated=[21.0, 21.0], system_v=12.0)).claims.terminals == 3


def test_a_fact_that_was_asked_is_the_one_that_was_claimed() -> None:
    """A tell-tale held to be antiphase, of a unit that is said to have one in step."""
    record = cases()["pass"]
    source = Source("own", "what the unit is said to be")
    limit = FactLimit("pilot", ("antiphase",), "tell-tale antiphase with the lamps", source)
    verdict = Verdict("claims", limit, Conformity.NOT_MEASURED, NotMeasured("not seen"))
    setup = replace(record.setup, claims=Claims(pilot="in step"))
    wrong = replace(record, setup=setup, limit_sets=(*record.limit_sets, replace(record.limit_sets[0], name="claims")), verdicts=(verdict,))
    assert list(claims_agree(wrong)) == [
        "tell-tale antiphase with the lamps was asked, but by what the unit is said to be pilot should be 'in step'"
    ]
    right = replace(wrong, setup=replace(setup, claims=Claims(pilot="antiphase")))
    assert list(claims_agree(right)) == []


@pytest.mark.parametrize("value", [1e300, -1e308, 1e10])
def test_a_value_beyond_all_measure_is_refused(value: float) -> None:
    content = json.loads(TEXT)
    estimate = next(e for e in content["measured"]["values"].values() if e["kind"] == "estimate")
    estimate["value"] = value
    with pytest.raises(RecordError, match="it can't be right"):
        from_json(resealed(content))


def test_an_older_record_with_an_unknown_word_is_refused_before_anything_is_concluded_of_it() -> None:
    """Its verdicts are upheld anew, and that looks words up."""
    content = json.loads((OLD / "format-3.json").read_text())
    limits = [verdict["limit"] for verdict in content["verdicts"] if verdict["limit"]["kind"] == "limit"]
    limits[0]["unit"] = "mV per fortnight"
    limits[0]["quantity"] = "mV"
    with pytest.raises(RecordError, match="which this version does not know"):
        from_json(json.dumps(content))


def test_numbers_of_any_size_have_a_text() -> None:
    assert rounded(1e30, 1e-3) == "1000000000000000000000000000000.0000"
    assert uncertainty_text(1e300, 0) == "1" + "0" * 300
    assert rounded(1.5, 5e-324).startswith("1.5")


@pytest.mark.parametrize("place", ["notes", "bench_faults", "kept_from", "steps", "verdicts"])
def test_a_report_names_how_many_rows_it_leaves_out(place: str) -> None:
    content = json.loads(TEXT)
    count = MOST_ROWS + 7
    match place:
        case "notes":
            content["notes"] = [f"note {n}" for n in range(count)]
        case "bench_faults":
            content["bench_faults"] = [{"code": "x", "text": f"fault {n}", "spoils": False} for n in range(count)]
        case "kept_from":
            content["conclusion"]["grade"]["kept_from"] = [f"reason {n}" for n in range(count)]
        case "steps":
            content["steps"] = [content["steps"][0] | {"began_s": 1000.0 * n} for n in range(count)]
        case "verdicts":
            content["verdicts"] *= count
    text = report_text(from_json(resealed(content)))
    assert "more, which the record has" in " ".join(text.split())


def test_a_record_that_is_all_notes_is_shown_in_bounded_time() -> None:
    content = json.loads(TEXT)
    content["notes"] = ["n"] * 1_000_000
    record = from_json(resealed(content))
    before = time.process_time()
    text = report_text(record)
    # Ten seconds would be a tenth of what all the notes took.
    assert time.process_time() - before < 10.0
    assert "and 999700 more, which the record has" in " ".join(text.split())


def test_one_note_of_any_length_is_cut_in_the_report() -> None:
    content = json.loads(TEXT)
    content["notes"] = ["word " * 100_000]
    assert len(report_text(from_json(resealed(content)))) < 50_000
