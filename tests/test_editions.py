"""A capture judged again says by which edition of the limits, the rule and the rest the test was first judged, and what moved since."""

from __future__ import annotations

import contextlib
import io
from dataclasses import replace
from math import inf, nextafter
from pathlib import Path

import pytest
from bench_port import setup
from kept_captures import rewritten

from bench import files
from bench.cli import run
from bench.editions import Moved, edition_of, moved_between
from bench.judging.capture_setup import read_session
from bench.judging.judged_by import judged_by, kept_in_note
from bench.limits import Limit
from bench.record import Compared, TestRecord
from bench.record_json import from_json

DATA = Path(files.__file__).parent / "data"
BENCH = "sim://bench-el-plain"


def own(kind: str, name: str, folder: Path) -> Path:
    """A copy of a shipped file under a name of the shop's own."""
    path = folder / f"shop-{kind}.toml"
    text = (DATA / kind / f"{name}.toml").read_text(encoding="utf-8")
    path.write_text(text.replace(f'name = "{name}"', f'name = "our-{name}"', 1), encoding="utf-8")
    return path


def judged(capture: Path, *options: str) -> tuple[TestRecord, str, str]:
    """The record, and the report in brief and in full."""
    kept = capture.with_name("again.json")
    texts = []
    for how in ((), ("--full",)):
        out = io.StringIO()
        with contextlib.redirect_stdout(out):
            run(["judge", str(capture), *options, "--json", str(kept), *how])
        texts.append(out.getvalue())
    return from_json(kept.read_text()), texts[0], " ".join(texts[1].split())


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a test by a shop's own limits and rule, of a part of which something is kept."""
    folder = tmp_path_factory.mktemp("kept")
    limits, rule = own("limits", "un-r48", folder), own("grades", "default", folder)
    run(["part", "0815", "--rated", "2x21", "--pilot", "none", "--parts", str(folder / "parts")])
    run(["test", BENCH, "--procedure", "quick", "--part", "0815", "--parts", str(folder / "parts"), "--limits", str(limits),
         "--grade-rule", str(rule), "--capture", str(folder / "x.capture"), "--json", str(folder / "live.json")])  # fmt: skip
    return folder


def by_its_own(kept: Path) -> tuple[str, ...]:
    return "--limits", str(kept / "shop-limits.toml"), "--grade-rule", str(kept / "shop-grades.toml"), "--parts", str(kept / "parts")


def held(record: TestRecord) -> dict[tuple[str, str], Compared]:
    assert record.judged_again is not None and record.judged_again.compared is not None
    return {(one.kind, one.name): one for one in record.judged_again.compared}


def test_what_was_not_changed_is_said_to_be_the_same(kept: Path) -> None:
    record, brief, full = judged(kept / "x.capture", *by_its_own(kept))
    live = from_json((kept / "live.json").read_text())
    found = held(record)
    assert list(found) == [("limit set", "our-un-r48"), ("grade rule", "our-default")]
    one = found["limit set", "our-un-r48"]
    assert one.sha256 == one.sha256_now == live.limit_sets[0].sha256 == record.limit_sets[0].sha256 and len(one.sha256) == 64
    assert not any(one.moved for one in found.values())
    assert f"First judged by limit set our-un-r48 ({one.edition}) {one.sha256[:8]}: the same now" in full
    assert "First judged by" not in brief


def test_what_moved_in_limits_and_rule_is_said(kept: Path, tmp_path: Path) -> None:
    """The band is 60 to 120; a shop that narrowed it, and asks for fewer flashes."""
    limits, rule = tmp_path / "limits.toml", tmp_path / "grades.toml"
    text = (kept / "shop-limits.toml").read_text(encoding="utf-8")
    assert text.count("high = 120") == 1
    limits.write_text(text.replace("high = 120", "high = 110"), encoding="utf-8")
    text = (kept / "shop-grades.toml").read_text(encoding="utf-8")
    assert "flashes = 60" in text
    rule.write_text(text.replace("flashes = 60", "flashes = 50"), encoding="utf-8")
    record, brief, full = judged(kept / "x.capture", "--limits", str(limits), "--grade-rule", str(rule), "--parts", str(tmp_path))
    one = held(record)["limit set", "our-un-r48"]
    (moved,) = one.moved
    assert (moved.place.split()[0], moved.place.split()[-1], moved.then, moved.now) == ("requirements", "high", "120", "110")
    assert one.sha256 != one.sha256_now == record.limit_sets[0].sha256
    changed = held(record)["grade rule", "our-default"].moved
    assert changed and all((moved.then, moved.now) == ("60", "50") for moved in changed)
    assert f"{one.sha256[:8]}: changed since, now {(one.sha256_now or '')[:8]}: {moved.place} 120 -> 110" in full
    assert "First judged by       limit set our-un-r48: rate_per_min high 120 -> 110 since\n" in brief
    assert "First judged by       grade rule our-default: " in brief and "60 -> 50 since" in brief


def test_judged_by_others_the_first_are_named_all_the_same(kept: Path) -> None:
    record, brief, full = judged(kept / "x.capture", "--limits", "us-turn", "--grade-rule", "none")
    first = held(record)["limit set", "our-un-r48"]
    assert (first.edition_now, first.sha256_now, first.moved) == (None, None, ())
    assert "limit set our-un-r48: nothing of that name is here now" in brief
    assert f"{first.sha256[:8]}: nothing of that name is here now" in full


def test_a_procedure_or_part_that_changed_is_said_and_does_not_count(kept: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    quick = files.procedure("quick")
    monkeypatch.setattr(files, "procedure", lambda name: replace(quick, title="Another"))
    run(["part", "0815", "--pilot", "in-step", "--parts", str(kept / "parts")])
    try:
        record, _, full = judged(kept / "x.capture", *by_its_own(kept))
    finally:
        run(["part", "0815", "--pilot", "none", "--parts", str(kept / "parts")])
    assert held(record)["procedure", "quick"].moved == (Moved("title", quick.title, "Another"),)
    assert held(record)["claims", "0815"].moved == (Moved("pilot", "none", "in step"),)
    assert record.procedure == quick and record.claims.pilot == "none"
    assert full.count("this judgement is by what it was then") == 2


def test_a_capture_from_before_says_that_it_does_not_keep_it(kept: Path, tmp_path: Path) -> None:
    path = rewritten(kept / "x.capture", tmp_path / "older.capture", lambda note: note.pop("judged_by", None))
    note = read_session(path)
    assert note is not None and note.judged_by is None
    record, _, full = judged(path, *by_its_own(kept))
    assert record.judged_again is not None and record.judged_again.compared is None
    assert "whether limits or grade rule were changed since the test does not show" in full


def test_every_shipped_set_and_rule_has_a_sum_of_its_own_and_no_change_is_lost() -> None:
    sums = {edition_of("limit set", one.name, one).sha256 for one in files.limit_sets()}
    assert len(sums) == len(files.limit_sets())
    for one in files.limit_sets():
        then = edition_of("limit set", one.name, one)
        for number, requirement in enumerate(one.requirements):
            if isinstance(requirement, Limit) and requirement.high is not None:
                other = replace(requirement, high=nextafter(requirement.high, inf))
                others = (*one.requirements[:number], other, *one.requirements[number + 1 :])
                (moved,) = moved_between(then, edition_of("limit set", one.name, replace(one, requirements=others)))
                assert (float(moved.then), float(moved.now)) == (requirement.high, other.high)
        gone = edition_of("limit set", one.name, replace(one, requirements=one.requirements[1:]))
        assert any(moved.now == "-" for moved in moved_between(then, gone)) and gone.sha256 != then.sha256


def test_what_no_note_can_hold_is_not_kept() -> None:
    """A file of 0.25 MB that is nothing but limits: a capture is read all the same, and says that it does not keep them."""
    (one,) = files.named_limits("un-r48")[1]
    huge = replace(one, notes=tuple(f"{number} {'x' * 1000}" for number in range(600)))
    assert kept_in_note(setup(limits=(("un-r48", (one,)),))) == judged_by(setup(limits=(("un-r48", (one,)),)))
    assert kept_in_note(setup(limits=(("un-r48", (huge,)),))) is None
