"""A capture judged by itself: what it says of its test, what may be asked otherwise, and captures of the format before."""

from __future__ import annotations

import contextlib
import gzip
import io
import json
import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from bench_port import bench_port, run_on, setup
from kept_captures import SHORT, rewritten

from bench import api, files
from bench.claims import Claims
from bench.cli import run
from bench.cli.exit_codes import BENCH_FAULT, GOOD, NOT_GOOD, USAGE
from bench.errors import CaptureError
from bench.judging import judge_capture
from bench.judging.capture_setup import Otherwise, read_session, setup_again
from bench.ports.replay import MAGIC, NOTE, CaptureWriter, read_capture
from bench.record import JudgedAgain, SimulationRecord, TestRecord
from bench.record_json import from_json
from bench.uncertainty import Estimate, NotMeasured

KEPT = Path(__file__).parent.parent / "fixtures" / "captures"
ADDRESS = "sim://bench-nc-2x21?seed=3&bank=2x27&fault=film"
OF_SHOP = """
format = 1
name = "shop"
title = "The shop's own"
[[steps]]
kind = "run"
name = "on its lamps"
title = "Lamps of the unit"
cycles = 9
judge = ["all"]
"""


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> tuple[TestRecord, Path]:
    """A test by a shop's own procedure, which is then gone, on other lamps than the usual, with all that a person can say; its capture."""
    folder = tmp_path_factory.mktemp("kept")
    plan = folder / "shop.toml"
    plan.write_text(OF_SHOP)
    told = ["--rated", "2x27", "--unit", "4711", "--fact", "insulation=good", "--claim", "terminals=2", "--limits", "us-turn",
            "--grade-rule", "none", "--procedure", str(plan), "--rested", "30", "--zero", "--precise"]  # fmt: skip
    run(["test", ADDRESS, *told, "--capture", str(folder / "unit.capture"), "--json", str(folder / "live.json")])
    plan.unlink()
    return from_json((folder / "live.json").read_text()), folder / "unit.capture"


def judged(path: Path, *options: str) -> tuple[int, str, str]:
    """Exit code, and the two outputs."""
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        code = run(["judge", str(path), *options])
    return code, out.getvalue(), err.getvalue()


def test_it_needs_no_option(kept: tuple[TestRecord, Path]) -> None:
    live, path = kept
    again = from_json(judged(path, "--json", "-")[1])
    assert again.setup == live.setup
    assert (again.setup.unit, again.setup.rated_w, again.setup.rating_known) == ("4711", (27.0, 27.0), True)
    assert (again.setup.entered, again.setup.claims) == ({"insulation": "good"}, Claims(terminals=2))
    assert (again.setup.limits, again.setup.grade_rule, again.setup.sample_mode) == (("us-turn",), None, "precise")
    assert (again.setup.zero, again.setup.rested_s) == (True, 30.0)
    assert again.procedure == live.procedure and again.procedure.steps[0].name == "on its lamps"
    assert again.board == live.board and again.board is not None
    assert again.board.simulation == SimulationRecord("bench-nc-2x21", ("film",))
    assert again.conclusion == live.conclusion


def test_it_is_the_test_s_record_but_for_the_judging(kept: tuple[TestRecord, Path]) -> None:
    live, path = kept
    again = from_json(judged(path, "--json", "-")[1])
    names = ("when", "software", "notes", "link", "limit_sets", "conditions", "load", "rated_load", "supply_v", "bench_faults")
    for name in names:
        assert getattr(again, name) == getattr(live, name), name
    assert live.notes, "something that only the session's end can tell"
    assert [v.conformity for v in again.verdicts] == [v.conformity for v in live.verdicts]
    values = {name: getattr(found, "value", found) for name, found in live.measured.values.items()}
    assert {name: getattr(found, "value", found) for name, found in again.measured.values.items()} == values, "to the last bit"
    assert [step.flashes for step in again.steps] == [step.flashes for step in live.steps]
    assert live.judged_again is None and again.judged_again is not None
    assert again.judged_again.capture == "unit.capture" and again.judged_again.when >= live.when
    assert again.judged_again.software.startswith("makebreak ")


def test_the_report_says_that_it_was_simulated_and_judged_again(kept: tuple[TestRecord, Path]) -> None:
    live, path = kept
    brief, full = judged(path)[1], judged(path, "--full")[1]
    for text in (brief, full):
        assert "Simulated board: no real unit was tested." in text
        assert text.startswith(f"{live.outcome.value.upper()}   4711")
    said = " ".join(full.split())
    assert "Judged again from the capture unit.capture, 20" in said
    assert f"(rated load 2 x 27 W), {live.when}" in said
    assert "Judged again          from the capture unit.capture, 20" in brief


def test_what_is_said_of_the_unit_and_asked_of_it_can_be_said_otherwise(kept: tuple[TestRecord, Path]) -> None:
    live, path = kept
    other = ["--unit", "4712", "--limits", "un-r48", "--grade-rule", "default", "--fact", "insulation=bad", "--claim", "outage=yes"]
    again = from_json(judged(path, *other, "--json", "-")[1])
    assert (again.unit, again.setup.limits, again.setup.grade_rule) == ("4712", ("un-r48",), "default")
    assert again.setup.entered == {"insulation": "bad"}
    assert again.setup.claims == Claims(terminals=2, outage=True), "beside what was said then"
    assert again.grade is not None and "insulation" in again.grade.charged
    assert (again.procedure, again.when) == (live.procedure, live.when)


def test_what_was_done_can_be_named(kept: tuple[TestRecord, Path]) -> None:
    live, path = kept
    same = ["--rated", "27+27", "--system", "12", "--supply", "12.8", "--bank", "2x27", "--json", "-"]
    assert from_json(judged(path, *same)[1]).setup == live.setup


@pytest.mark.parametrize(
    ("option", "says"),
    [
        (("--rated", "2x21"), "it was made on 2 x 27 W, not on 2 x 21 W"),
        (("--claim", "rated=2x21"), "it was made on 2 x 27 W, not on 2 x 21 W"),
        (("--lamps", "1,2"), "it was made on loads chosen by watts, not on loads 1, 2"),
        (("--bank", "led"), "it was made on the bank 2x27, not on led"),
        (("--led",), "its loads counted as filament lamps"),
        (("--system", "24"), "it was made of a 12 V unit, not of one for 24 V"),
        (("--supply", "25.6"), "it was made at 12.8 V, not at 25.6 V"),
        (("--procedure", "quick"), "it was made by the procedure shop, not by quick"),
    ],
)
def test_what_was_done_can_not_be_asked_otherwise(option: tuple[str, ...], says: str, kept: tuple[TestRecord, Path]) -> None:
    code, out, err = judged(kept[1], *option)
    assert (code, out) == (USAGE, "")
    assert err == f"makebreak judge: capture unit.capture: {says}; leave that option out\n"


def test_a_procedure_that_has_changed_since_is_told(kept: tuple[TestRecord, Path], tmp_path: Path) -> None:
    (tmp_path / "shop.toml").write_text(OF_SHOP.replace("cycles = 9", "cycles = 10"))
    assert "not by shop, which has changed since; leave" in judged(kept[1], "--procedure", str(tmp_path / "shop.toml"))[2]


def test_loads_by_number_are_what_was_done_and_a_rating_may_still_be_read_off(tmp_path: Path) -> None:
    path = tmp_path / "led.capture"
    quick = ["--lamps", "1,2", "--procedure", "quick", "--json", "-"]
    assert run(["test", "sim://bench-el-plain?bank=led", *quick, "--led", "--stop-early", "--capture", str(path)]) == GOOD
    again = from_json(judged(path, "--rated", "2x23", "--led", "--json", "-")[1])
    assert (again.load, again.rated_load, again.setup.rating_known) == ("2 x LED 0.15 A", "2 x 23 W", True)
    assert (again.setup.filament, again.setup.stop_early) == (False, True)
    assert "it was made on loads 1, 2, not on loads 3" in judged(path, "--lamps", "3")[2]


def test_limits_of_a_file_that_is_not_named_are_asked_for(kept: tuple[TestRecord, Path]) -> None:
    note = read_session(kept[1])
    assert note is not None
    shop = replace(note, setup=replace(note.setup, limits=("my-shop",)))
    with pytest.raises(CaptureError, match=r"^capture x: what it is to be judged by is not here: limit set my-shop: no such set"):
        setup_again(shop, "x", Otherwise())
    assert setup_again(shop, "x", Otherwise(limits=("un-r48",))).limits == (files.named_limits("un-r48"),)


def test_a_set_up_that_can_not_be_read_is_said_in_one_line(tmp_path: Path) -> None:
    buffer = io.BytesIO()
    CaptureWriter(buffer).note({"note": "session", "setup": {"unit": 5}}, 0.0)
    path = tmp_path / "x.capture"
    path.write_bytes(buffer.getvalue())
    code, _, err = judged(path)
    assert code == USAGE
    assert err == "makebreak judge: capture x.capture: its note 'session' can't be understood: setup.unit: got 5; it must be text\n"


@pytest.mark.parametrize("note", [{"note": "board"}, {"note": "run", "step": "rated"}, {"note": "bench fault"}, {"note": "closed"}])
def test_a_note_that_can_not_be_read_is_said_in_one_line(note: dict[str, Any], tmp_path: Path) -> None:
    buffer = io.BytesIO()
    CaptureWriter(buffer).note(note, 0.0)
    path = tmp_path / "x.capture"
    path.write_bytes(buffer.getvalue())
    code, _, err = judged(path)
    assert code == USAGE and err.count("\n") == 1
    assert err.startswith("makebreak judge: capture x.capture: ")


def test_steps_left_out_are_told_as_in_the_test(tmp_path: Path) -> None:
    """Three lamps leave none for a trailer; the capture alone would only say that the step is not in it."""
    buffer = io.BytesIO()
    wanted = setup(rated=(21.0, 21.0, 21.0), claims=Claims(trailer=True))
    live = run_on(bench_port("EL"), "decide", setup=wanted, capture=buffer)
    path = tmp_path / "x.capture"
    path.write_bytes(buffer.getvalue())
    again = judge_capture(path, wanted, files.procedure("decide"), when="later", software="s")
    said = again.measured.values["trailer_rate_per_min"]
    assert isinstance(said, NotMeasured) and "no lamp of 21 W is left" in said.reason
    assert (again.conclusion, again.notes) == (live.conclusion, live.notes)
    assert again.link == live.link and "replies_unexpected" in again.link
    assert (again.when, again.judged_again) == (live.when, JudgedAgain("x.capture", "later", "s"))


def test_the_note_is_written_as_the_record_s_set_up_is(kept: tuple[TestRecord, Path]) -> None:
    live, path = kept
    note = next(entry.note for entry in read_capture(path) if entry.kind == NOTE)
    content = json.loads(path.with_name("live.json").read_text())
    assert (note["setup"], note["procedure"], note["when"]) == (content["setup"], content["procedure"], live.when)
    assert path.read_bytes().startswith(MAGIC)


def test_python_judges_it_the_same_way(kept: tuple[TestRecord, Path]) -> None:
    live, path = kept
    again = api.judge(path).record
    assert (again.setup, again.procedure, again.conclusion, again.when) == (live.setup, live.procedure, live.conclusion, live.when)
    said: dict[str, Any] = {"facts": {"insulation": "bad"}, "claims": {"outage": True}}
    other = api.judge(path, unit="4712", limits=["un-r48"], grade_rule="default", **said).record
    assert (other.unit, other.setup.limits, other.setup.grade_rule) == ("4712", ("un-r48",), "default")
    assert (other.setup.entered, other.setup.claims) == ({"insulation": "bad"}, Claims(terminals=2, outage=True))
    assert api.judge(path, grade_rule="default", limits=[]).record.setup.limits == ()
    with pytest.raises(CaptureError, match=r"it was made at 12\.8 V, not at 6\.4 V"):
        api.judge(path, supply_v=6.4)
    with pytest.raises(CaptureError, match="its loads counted as filament lamps"):
        api.judge(path, filament=False)


def test_the_grade_rule_of_a_capture_is_kept_or_taken_away(tmp_path: Path) -> None:
    path = tmp_path / "x.capture"
    run(["test", "sim://bench-el-plain", "--procedure", "quick", "--capture", str(path), "--json", "-"])
    assert api.judge(path).record.setup.grade_rule == "default"
    assert api.judge(path, grade_rule=None).record.setup.grade_rule is None


@pytest.mark.parametrize("option", [("--fitted", "2x27"), ("--rate", "1000"), ("--window", "1:2"), ("--instrument", "oscilloscope")])
def test_what_is_of_recordings_is_refused(option: tuple[str, ...], kept: tuple[TestRecord, Path]) -> None:
    code, _, err = judged(kept[1], *option)
    assert code == USAGE and "are for recordings made elsewhere; leave them out" in err


@pytest.mark.parametrize(
    ("word", "change", "says"),
    [
        ("session", lambda note: note["setup"]["bank"].update(system_v=0.0), "a bank of a 0 V system; there are 6 V, 12 V, 24 V"),
        ("session", lambda note: note["setup"]["bank"]["sockets"][0].update(watts=0.0), "0 W in socket 1 of a bank"),
        ("session", lambda note: note["setup"]["bank"]["sockets"][0].update(watts=1e308), r"1e\+308 W in socket 1 of a bank"),
        ("session", lambda note: note["setup"]["bank"]["sockets"].extend(note["setup"]["bank"]["sockets"]), "a bank of 12 sockets, of 6"),
        ("session", lambda note: note["setup"].update(supply_v=9.0), "run on its lamps at 12.8 V, which was to be made at 9 V"),
        ("session", lambda note: note["setup"].update(rested_s=1e13), r"contradicts itself: 1e\+13 in the set-up"),
        ("closed", lambda note: note["link"].update(bad_crc=-1), "contradicts itself: -1 bad_crc on the data line"),
    ],
)
def test_what_would_make_a_record_that_is_not_shown_is_refused(
    word: str, change: Callable[[dict[str, Any]], object], says: str, kept: tuple[TestRecord, Path], tmp_path: Path
) -> None:
    path = rewritten(kept[1], tmp_path / "x.capture", lambda note: change(note) if note["note"] == word else None)
    code, out, err = judged(path)
    assert (code, out) == (USAGE, "") and re.search(says, err) and err.count("\n") == 1


# --- captures of format 1


@pytest.fixture
def older(tmp_path: Path) -> Path:
    path = tmp_path / "older.capture"
    path.write_bytes(gzip.decompress((KEPT / "other-lamps.capture.gz").read_bytes()))
    return path


def test_a_capture_of_format_1_is_judged_as_it_is_told(older: Path) -> None:
    """The record of the same test is kept too: values within their uncertainties (how they are measured may have been bettered since)."""
    code, out, err = judged(older)
    assert (code, out) == (USAGE, "") and "choosing lamps for 2 x 21 W" in err
    told = ["--rated", "2x27", "--bank", "2x27", "--procedure", "quick", "--fact", "insulation=good", "--claim", "terminals=2"]
    code, out, _ = judged(older, *told, "--json", "-")
    assert code == NOT_GOOD
    again = from_json(out)
    then = from_json((KEPT.parent / "records" / "other-lamps.json").read_text(encoding="ascii"))
    assert again.unit == "unnamed"
    assert again.board == then.board and again.is_simulated
    assert [v.conformity for v in again.verdicts] == [v.conformity for v in then.verdicts]
    for name in ("rate_per_min", "on_s", "off_s", "drop_v", "steady_a", "inrush_first_a", "supply_v", "first_extinction_s"):
        found, before = again.measured.values[name], then.measured.values[name]
        assert isinstance(found, Estimate) and isinstance(before, Estimate)
        assert found.value == pytest.approx(before.value, abs=0.5 * before.expanded()), name
    assert again.notes == ("set-up, procedure and time of the test are not in the capture: they are as given when it was judged",)
    assert again.judged_again is not None and again.judged_again.when == again.when
    assert len(again.steps[0].flashes) == again.steps[0].cycles


def test_a_capture_of_format_1_holds_its_system(older: Path) -> None:
    assert "it was made of a 12 V unit, not of one for 24 V; say --system 12" in judged(older, "--system", "24")[2]
    assert read_session(older) is None


def test_another_procedure_than_the_capture_s_is_refused(older: Path) -> None:
    with pytest.raises(CaptureError, match=r"it holds a run 'rated', which procedure 'other' has not"):
        judge_capture(older, setup(), replace(SHORT, name="other", steps=()), when="", software="")


def test_a_bench_at_fault_stays_at_fault(tmp_path: Path) -> None:
    path = tmp_path / "x.capture"
    assert run(["test", "sim://bench-el-plain?fault=lamp-dead", "--capture", str(path), "--json", "-"]) == BENCH_FAULT
    assert judged(path)[0] == BENCH_FAULT
