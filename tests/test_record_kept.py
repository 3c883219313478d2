"""A kept record that was damaged or edited is refused in one line; one that was only laid out otherwise is not."""

from __future__ import annotations

import hashlib
import json
import random
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from sample_records import cases, estimate, record, with_value

from bench.cli import run
from bench.cli.exit_codes import GOOD, USAGE
from bench.errors import RecordError
from bench.files import procedure
from bench.limits import FactLimit, Source, weakest_basis
from bench.measure.flash_table import COLUMNS
from bench.outcome import Conclusion, Outcome
from bench.record import RecordingSource
from bench.record_checks import contradiction_in, verdicts_follow_what_was_found
from bench.record_json import from_json, to_json
from bench.record_sum import KEY, sum_of
from bench.session import begun_record
from bench.session.conduct import BEGUN
from bench.setup import Setup
from bench.verdict import Conformity, Verdict

TEXTS = {name: to_json(one) for name, one in cases().items()}
TEXT = TEXTS["pass"]
OLD = Path(__file__).parent.parent / "fixtures" / "records"


def content_of(text: str = TEXT) -> dict[str, Any]:
    content: dict[str, Any] = json.loads(text)
    return content


def sealed(content: dict[str, Any]) -> str:
    """The content as text with the sum that it should have: what somebody writes who knows how."""
    return json.dumps({**content, KEY: sum_of(json.dumps(content))})


def test_anybody_can_check_the_sum_in_five_lines() -> None:
    content = json.loads(TEXT, parse_int=float)
    stated = content.pop("sha256")
    plain = json.dumps(content, sort_keys=True, separators=(",", ":"))
    assert hashlib.sha256(plain.encode()).hexdigest() == stated


def test_the_sum_is_of_a_form_that_is_written_down() -> None:
    """By hand: keys in order, numbers as doubles, text escaped, the sum itself left out."""
    plain = b'{"a":[1.0,0.1,1e+22,null,true],"b":"\\u00e9\\n"}'
    text = '{ "b": "\u00e9\\n", "sha256": "whatever", "a": [1, 0.1000, 1E22, null, true] }'
    assert sum_of(text) == hashlib.sha256(plain).hexdigest()


def reversed_keys(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: reversed_keys(item) for key, item in reversed(value.items())}
    return [reversed_keys(item) for item in value] if isinstance(value, list) else value


def other_numbers(value: Any) -> Any:
    """As programs with one kind of number write them: 5.0 as 5, and 5 as 5.0."""
    if isinstance(value, dict):
        return {key: other_numbers(item) for key, item in value.items()}
    if isinstance(value, list):
        return [other_numbers(item) for item in value]
    if isinstance(value, float) and value.is_integer():
        return int(value)
    return float(value) if isinstance(value, int) and not isinstance(value, bool) else value


def with_17_digits(text: str) -> str:
    return json.dumps(json.loads(text, parse_float=lambda digits: f"@{float(digits):.16e}@")).replace('"@', "").replace('@"', "")


@pytest.mark.parametrize("name", sorted(cases()))
def test_another_layout_is_the_same_record(name: str) -> None:
    before, text = cases()[name], TEXTS[name]
    content = content_of(text)
    for other in (
        json.dumps(content),
        json.dumps(content, indent="\t", ensure_ascii=False),
        json.dumps(content, sort_keys=True),
        json.dumps(reversed_keys(content)),
        json.dumps(other_numbers(content)),
        with_17_digits(text),
    ):
        assert from_json(other) == before


def test_no_negative_zero_is_written_for_others_to_lose() -> None:
    assert "-0.0" not in to_json(record(values={})).replace("-0.0 ", "")


def shown(capsys: pytest.CaptureFixture[str], tmp_path: Path, text: str) -> tuple[int, str, str]:
    path = tmp_path / "unit.json"
    path.write_text(text, encoding="utf-8")
    code = run(["show", str(path)])
    out, err = capsys.readouterr()
    return code, out, err


def test_an_edited_outcome_is_not_shown(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    content = content_of(TEXTS["fail"])
    content["conclusion"]["outcome"] = "good"
    code, out, err = shown(capsys, tmp_path, json.dumps(content))
    assert (code, out) == (USAGE, "")
    assert "unit.json: changed after it was kept (its check sum is '" in err
    assert err.count("\n") == 1 and "good" not in err


def test_a_record_without_its_sum_is_refused() -> None:
    content = content_of()
    del content[KEY]
    with pytest.raises(RecordError, match="changed after it was kept: format 4 has its check sum under 'sha256', and here it is"):
        from_json(json.dumps(content))


def test_an_older_record_carries_none_and_is_said_to(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    text = (OLD / "format-3.json").read_text(encoding="ascii")
    code, out, err = shown(capsys, tmp_path, text)
    assert (code, err) == (GOOD, "")
    assert "Kept in format 3, which carries no check sum: whether it was changed does not show." in " ".join(out.split())
    again = from_json(to_json(from_json(text)))
    assert again.older_format == 3, "a sum made later does not vouch for what came before it"
    assert shown(capsys, tmp_path, TEXT)[1].find("check sum") == -1


WORDS = ("good", "not good", "fail", "pass", "flashing", "R", "A", "none", "unknown", "", "rate_per_min", "estimate", "rated", "\x1b[2J")
NUMBERS = (0, -1, 1.5, 1e308, -1e308, 2**70, 1e-320)


def places_of(value: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    below = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    return [path, *(place for key, item in below for place in places_of(item, (*path, key)))]


def mutated(rng: random.Random, content: dict[str, Any]) -> dict[str, Any]:
    """The content with one value, key or type changed."""
    content = json.loads(json.dumps(content))
    *path, last = rng.choice(places_of(content)[1:])
    inside = content
    for key in path:
        inside = inside[key]
    old, how = inside[last], rng.randrange(6)
    if how == 0:
        del inside[last]
    elif how == 1 and isinstance(inside, dict):
        inside[rng.choice(WORDS)] = inside.pop(last)
    elif how == 2 and isinstance(old, int | float):
        inside[last] = rng.choice((-old, old * 2, old + 1, 0, rng.choice(NUMBERS)))
    elif how == 3 and isinstance(inside, list):
        inside.append(old)
    else:
        inside[last] = rng.choice((*WORDS, *NUMBERS, None, True, [], {}, [old], {"kind": old}))
    return content


def said_of_a_mutant(seed: int, capsys: pytest.CaptureFixture[str], tmp_path: Path, *options: str) -> tuple[int, str, str]:
    """A genuine record with a few things changed by somebody who knows how to make the sum right."""
    rng = random.Random(seed)
    content = content_of(TEXTS[rng.choice(sorted(TEXTS))])
    for _ in range(rng.choice((1, 1, 1, 2, 3))):
        content = mutated(rng, content)
    path = tmp_path / "unit.json"
    path.write_text(sealed(content), encoding="ascii")
    code = run(["show", str(path), *options])
    out, err = capsys.readouterr()
    return code, out, err


@pytest.mark.parametrize("options", [(), ("--full", "--budget")])
def test_whatever_is_changed_in_it_a_record_is_shown_or_refused_in_one_line(
    options: tuple[str, ...], capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """Also when the sum was made to fit: types, words, numbers and contradictions are looked at."""
    refused = 0
    for seed in range(60):
        code, out, err = said_of_a_mutant(seed, capsys, tmp_path, *options)
        if code == USAGE:
            refused += 1
            assert out == "" and err.count("\n") == 1 and "unit.json: " in err, f"seed {seed}: {err}"
        else:
            assert code in (0, 1, 3, 4, 5, 130) and err == "", f"seed {seed}: {err}"
    assert refused > 30


def edited(name: str, *changes: tuple[tuple[str | int, ...], Any]) -> str:
    """A genuine record with these places changed, and a sum to fit."""
    content = content_of(TEXTS[name])
    for path, value in changes:
        inside: Any = content
        for key in path[:-1]:
            inside = inside[key]
        inside[path[-1]] = value
    return sealed(content)


OUTCOME, REASON, GRADE = ("conclusion", "outcome"), ("conclusion", "reason"), ("conclusion", "grade")
RATE = ("measured", "values", "rate_per_min")
STEP, FIRST = ("steps", 0), ("verdicts", 0)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        # the outcome against bench, verdicts, grade, sentence
        (edited("fail", (OUTCOME, "good")), "outcome 'good', but a limit of us-turn-closed-2 ("),
        (edited("pass", (OUTCOME, "not good")), "outcome 'not good', but no limit failed and no rule rejects the unit"),
        (edited("pass", (OUTCOME, "not decided")), "outcome 'not decided' and grade 'B'; only a unit that is good or not good has a grade"),
        (edited("pass", (OUTCOME, "not decided"), (GRADE, None)), "outcome 'not decided', but the reason says 'Good: "),
        (edited("pass", (OUTCOME, "bench fault")), "outcome 'bench fault', but no bench fault ended or spoilt the test"),
        (edited("pass", (OUTCOME, "good, but not for this load"), (("steps",), [])), "but it flashed on no load of the test"),
        (edited("pass", (("interrupted",), "cancelled by the operator")), "outcome 'good', but the test was broken off: cancelled"),
        (edited("pass", (("bench_faults",), [{"code": "lamp", "text": "one is out", "spoils": True}])),
         "outcome 'good', but the bench was at fault: one is out"),
        (edited("bench-fault", (OUTCOME, "not decided")), "outcome 'not decided', but the bench was at fault: "),
        (edited("fail", (OUTCOME, "not decided"), (GRADE, None)), "outcome 'not decided', but a limit of us-turn-closed-2 ("),
        (edited("pass", (("verdicts",), [])), "outcome 'good', but no limit was judged"),
        (edited("pass", ((*GRADE, "name"), "R")), "grade 'R' that says 'good'; by the rule default it says 'not good'"),
        (edited("fail", ((*GRADE, "name"), "A")), "grade 'A' that says 'not good'; by the rule default it says 'good'"),
        (edited("pass", ((*GRADE, "outcome"), "not good")), "outcome 'good', but grade 'B' says 'not good'"),
        (edited("pass", ((*GRADE, "rule"), "other")), "grade 'B' by the rule 'other', but the rule asked for was 'default'"),
        (edited("pass", (REASON, "Rejected: it sticks.")), "outcome 'good', but the reason says 'Rejected: it sticks.'"),
        (edited("pass", (("conclusion", "basis"), "read")), "the weakest basis is 'read', but the limits rest on 'memory"),
        # a verdict against its own value, limit and guard band
        (edited("fail", ((*FIRST, "found", "n"), 9)), "flash rate (mean of cycle rates) is judged by another value than the record holds"),
        (edited("fail", ((*FIRST, "conformity"), "pass")), "is 'pass', but 136.8 1/min with u = 0.07 against at least 60 and at most 120"),
        (edited("pass", ((*FIRST, "conformity"), "fail")), "is 'fail', but 107.931 1/min with u = 0.05 against"),
        (edited("pass", ((*FIRST, "limit", "high"), 100.0)), "is 'pass', but 107.931 1/min"),
        (edited("pass", ((*FIRST, "conformity"), "conditional pass")), "is 'conditional pass', but 107.931 1/min"),
        (edited("pass", ((*FIRST, "conformity"), "not measured")), "is 'not measured', but it was measured and nothing says why"),
        (edited("pass", ((*FIRST, "guard"), 0.1)), "the guard band of flash rate (mean of cycle rates) is 0.1, but its value gives"),
        (edited("pass", ((*FIRST, "p_wrong"), 0.3)), "the probability of being wrong of flash rate"),
        (edited("pass", ((*FIRST, "limit_set"), "mine")), "a verdict by 'mine', a limit set that was not used"),
        (edited("pass", ((*FIRST, "by_fact"), "it is fine")), "is 'pass' by the fact 'it is fine'"),
        (edited("two-sets", (("verdicts", 3, "conformity"), "fail")), "but its parts make it"),
        (edited("fail", ((*FIRST, "limit", "doubtful"), True)), "is 'fail', but the limit is in doubt and fails no unit"),
        (edited("fail", (("conclusion", "basis"), "own")), "the basis 'own' is that of no limit"),
        (edited("pass", (("measured", "bench_faults"), [{"code": "lamp", "text": "one is out", "spoils": True}])),
         "is 'pass', but the bench was at fault"),
        (edited("two-sets", (("verdicts", 3, "parts"), [])), "are not those that the limit set asks for"),
        # counts, times, loads, runs
        (edited("pass", (("steps",), content_of()["steps"] * 2)), "run rated began after 0.5 s, before the run before it had ended"),
        (edited("pass", *(((*STEP, "flashes", name), [1.0, 0.5]) for name in COLUMNS)), "the flashes of run rated are not in the order of"),
        (edited("pass", (("link", "bad_crc"), -1)), "-1 bad_crc on the data line"),
        (edited("pass", ((*STEP, "cycles"), -1)), "run rated with -1 cycles"),
        (edited("pass", ((*STEP, "lasted_s"), -1.0)), "run rated lasted -1 s"),
        (edited("pass", ((*STEP, "began_s"), -1.0)), "run rated began after -1 s, before the run before it had ended"),
        (edited("pass", ((*STEP, "loads"), [1, 1])), "run rated on the loads [1, 1]"),
        (edited("pass", ((*STEP, "loads"), [0])), "run rated on the loads [0]"),
        (edited("pass", ((*STEP, "name"), "warm")), "a run 'warm', which the procedure 'quick' has not"),
        (edited("pass", ((*RATE, "n"), -3)), "rate_per_min from -3 cycles"),
        (edited("pass", (("measured", "values", "missed", "value"), -1.0)), "missed flashes of -1 1"),
        (edited("pass", (("supply_v",), -12.8)), "a supply of -12.8 V"),
        (edited("pass", (("recording",), {"file": "a.csv", "columns": [], "instrument": "", "not_stated": ""})), "both made on the board"),
        # words
        (edited("pass", ((*FIRST, "limit", "low"), 130.0)), "limits on rate_per_min from 130 to 120, the lower above the upper"),
        (edited("fail", ((*GRADE, "charged"), ["mood"])), "quantity or fact 'mood', which this version does not know"),
        (edited("pass", (("setup", "bank"), {"name": "", "title": "", "sockets": [{"kind": "neon"}], "system_v": 12.0})),
         "kind of lamp 'neon', which this version does not know"),
        (edited("pass", (("measured", "values"), {"loudness": {"kind": "not measured", "reason": "", "fault": "none"}})),
         "quantity 'loudness', which this version does not know"),
        (edited("pass", (("measured", "facts", "behaviour"), "humming")), "word of the fact behaviour 'humming', which this version"),
        (edited("pass", (("measured", "facts", "mood"), "good")), "fact 'mood', which this version does not know"),
        (edited("pass", ((*RATE, "unit"), "Hz")), "rate_per_min in 'Hz'; its unit is '1/min'"),
        (edited("pass", ((*FIRST, "limit", "quantity"), "loudness")), "quantity 'loudness', which this version does not know"),
        (edited("pass", ((*FIRST, "limit", "unit"), "V")), "unit of rate_per_min 'V', which this version does not know"),
        (edited("pass", ((*FIRST, "limit", "source", "basis"), "rumour")), "basis of a number 'rumour', which this version does not know"),
        (edited("pass", (("limit_sets", 0, "averaging", "rule"), "median")), "averaging rule 'median', which this version does not know"),
        (edited("pass", (("setup", "system_v"), 48.0)), "a system of 48 V; there are 6 V, 12 V, 24 V"),
    ],
)  # fmt: skip
def test_what_contradicts_itself_is_refused(text: str, says: str) -> None:
    with pytest.raises(RecordError) as caught:
        from_json(text, "unit.json")
    assert says in str(caught.value)
    assert str(caught.value).startswith("unit.json: it can't be right, and is not shown: ")
    assert "\n" not in str(caught.value)


def test_a_limit_kept_too_narrowly_makes_no_unit_good_without_a_grade() -> None:
    near = record(with_value("rate_per_min", estimate(119.95, "1/min", 0.05)))
    assert near.verdicts[0].conformity is Conformity.CONDITIONAL_PASS
    basis = weakest_basis(verdict.limit for verdict in near.verdicts)
    assert contradiction_in(replace(near, conclusion=Conclusion(Outcome.GOOD, "Good: so it is.", "", None, basis))) == (
        "outcome 'good', but a limit is kept too narrowly to be sure, and no grade allows that"
    )


def test_sound_alone_rejects_no_unit() -> None:
    heard = replace(cases()["fail"], board=None, recording=RecordingSource("a.wav", ("sound",)))
    assert contradiction_in(heard) == "outcome 'not good', but only the unit's sound was recorded"


@pytest.mark.parametrize(
    ("seen", "conformity", "by_fact", "wrong"),
    [
        ("in step", Conformity.PASS, "in step", False),
        ("in step", Conformity.FAIL, "in step", True),
        ("dead", Conformity.FAIL, "dead", False),
        ("dead", Conformity.PASS, "dead", True),
        ("dead", Conformity.FAIL, "antiphase", True),
        ("unknown", Conformity.NOT_MEASURED, "", False),
        ("unknown", Conformity.FAIL, "unknown", True),
    ],
)
def test_a_verdict_on_a_fact_follows_what_was_seen(seen: str, conformity: Conformity, by_fact: str, wrong: bool) -> None:
    good = cases()["pass"]
    asked = FactLimit("pilot", ("in step",), "tell-tale", Source("own", ""))
    verdict = Verdict(good.verdicts[0].limit_set, asked, conformity, by_fact=by_fact)
    measured = replace(good.measured, facts={**good.measured.facts, "pilot": seen})
    said = list(verdicts_follow_what_was_found(replace(good, measured=measured, verdicts=(verdict,))))
    allowed = f"tell-tale is {conformity.value!r}, but seen was {seen!r} and allowed is 'in step'"
    assert said == ([allowed] if wrong else [])


def test_older_records_are_looked_at_too() -> None:
    content = content_of((OLD / "format-3.json").read_text(encoding="ascii"))
    content["conclusion"]["outcome"] = "not good"
    with pytest.raises(RecordError, match="outcome 'not good', but no limit failed"):
        from_json(json.dumps(content))


def test_of_several_the_others_are_shown(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    for name, text in (
        ("a", TEXT),
        ("b", TEXT.replace('"DEMO-1"', '"DEMO-2"')),
        ("c", (OLD / "format-3.json").read_text(encoding="ascii")),
    ):
        (tmp_path / f"{name}.json").write_text(text, encoding="ascii")
    assert run(["show", *(str(tmp_path / f"{name}.json") for name in "abc")]) == USAGE
    out, err = capsys.readouterr()
    assert "DEMO-1" in out and "4711" in out and "DEMO-2" not in out
    assert "(format 3: no check sum)" in " ".join(out.split())
    assert err.count("\n") == 1 and "b.json: changed after it was kept" in err


def test_a_record_that_was_only_begun_is_one(tmp_path: Path) -> None:
    """What is on the disk while a test runs, and after a power cut."""
    begun = begun_record(procedure("decide"), Setup("4711"), "sim://bench-el-plain", BEGUN, when="2026-11-30T14:00:00+00:00", software="")
    assert from_json(to_json(begun)) == begun
