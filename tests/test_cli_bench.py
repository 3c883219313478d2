"""The command line with a simulated board: the main job, cancelled jobs, captures, a board served to another process."""

from __future__ import annotations

import contextlib
import json
import re
import signal
import subprocess
import sys
from collections.abc import Iterator
from io import StringIO
from pathlib import Path

import pytest
from full_disks import disk_of
from pytest_mock import MockerFixture

from bench.cli import run
from bench.cli.exit_codes import BENCH_FAULT, CANCELLED, GOOD, NOT_DECIDED, NOT_GOOD, USAGE
from bench.cli.person import Person
from bench.errors import Cancelled, SetupError
from bench.manual_actions import Cool, Do, FitLink, FitUnit, SetSupply
from bench.record import TestRecord
from bench.record_json import from_json
from bench.render.actions import action_text
from bench.session.kept_test import KeptTest

ROOT = Path(__file__).parent.parent
UNIT = "sim://bench-el-plain?seed=3"


def test_the_main_job(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    kept = tmp_path / "unit.json"
    assert run(["test", UNIT, "--unit", "4711", "--json", str(kept)]) == GOOD
    out = capsys.readouterr().out
    assert out.startswith("GOOD   GRADE B (good)   4711\nGood: ")
    assert "Simulated board: no real unit was tested." in out
    record = from_json(kept.read_text())
    assert (record.unit, [used.name for used in record.limit_sets]) == ("4711", ["un-r48"])
    assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d[+-]\d\d:\d\d", record.when)


def test_what_a_person_knows_counts(capsys: pytest.CaptureFixture[str]) -> None:
    known = ["--rated", "2x21", "--fact", "pilot=absent", "--fact", "insulation=good", "--rested", "60"]
    assert run(["test", UNIT, *known, "--full"]) == GOOD
    out = " ".join(capsys.readouterr().out.split())
    assert "no pilot terminal" in out and "rating known; insulation good" in out
    assert out.startswith("GOOD GRADE A")
    assert run(["test", UNIT, "--fact", "insulation"]) == USAGE
    assert "write it like insulation=good" in capsys.readouterr().err
    assert run(["test", UNIT, "--fact", "rest=open"]) == USAGE
    assert "what can be entered by hand is" in capsys.readouterr().err


def test_several_records_are_a_line_each(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    files = [str(tmp_path / name) for name in ("a.json", "b.json")]
    assert run(["test", UNIT, "--unit", "R-1", "--json", files[0]]) == GOOD
    assert run(["test", "sim://bench-nc-welded", "--rated", "2x21", "--unit", "R-2", "--json", files[1]]) == NOT_GOOD
    capsys.readouterr()
    assert run(["show", *files]) == GOOD
    title, *lines = capsys.readouterr().out.splitlines()
    assert title.split() == ["tested", "unit", "outcome", "grade", "why"]
    assert [re.split(r" {2,}", line)[1:4] for line in lines if "  R-" in line] == [
        ["R-1", "good", "B"], ["R-2", "not good", "R"],
    ]  # fmt: skip
    assert lines[-1] == "2 records: good 1, not good 1. Grades: B (good) 1, R (reject) 1."
    assert all(re.match(r"\d{4}-\d\d-\d\d \d\d:\d\d  ", line) for line in lines if "  R-" in line)
    for path in (str(tmp_path), files[1]):
        files.append(path)
    assert run(["show", *files]) == GOOD
    assert capsys.readouterr().out.splitlines() == [title, *lines], "what is named twice is shown once"
    (tmp_path / "empty").mkdir()
    assert run(["show", str(tmp_path / "empty")]) == USAGE
    assert "no record in this folder" in capsys.readouterr().err


def test_json_alone_on_the_standard_output(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["test", UNIT, "--json", "-", "--grade-rule", "none"]) == GOOD
    content = json.loads(capsys.readouterr().out)
    assert (content["conclusion"]["outcome"], content["conclusion"]["grade"]) == ("good", None)


def test_the_same_seed_gives_the_same_values(capsys: pytest.CaptureFixture[str]) -> None:
    def values() -> object:
        run(["test", UNIT, "--json", "-"])
        return json.loads(capsys.readouterr().out)["measured"]

    assert values() == values()


def test_a_bad_unit_fails(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["test", "sim://bench-nc-welded", "--rated", "2x21"]) == NOT_GOOD
    assert "Rejected: it does not flash: the lamps stay lit." in capsys.readouterr().out
    assert run(["test", "sim://bench-nc-welded"]) == NOT_DECIDED
    assert "its rating is not known" in " ".join(capsys.readouterr().out.split())


def test_no_limit_leaves_it_undecided(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["test", UNIT, "--procedure", "quick", "--limits", "outage-qct501"]) == NOT_DECIDED
    assert capsys.readouterr().out.startswith("NOT DECIDED   bench-el-plain\nNot decided: outage indication not measured")


def test_a_pulled_cable_is_the_bench(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["test", "sim://bench-el-plain?fault=unplug&seed=2"]) == BENCH_FAULT
    out = capsys.readouterr().out
    assert out.startswith("BENCH FAULT   bench-el-plain\nThe bench is at fault, not the unit: reading from sim://")


def test_a_unit_or_fault_that_nobody_knows_is_one_line(capsys: pytest.CaptureFixture[str]) -> None:
    for address in ("sim://nobody", "sim://bench-el-plain?fault=nothing", "sim://bench-el-plain?seed=x"):
        assert run(["test", address]) == USAGE
        got = capsys.readouterr()
        assert got.err.startswith("makebreak test: opening sim://")
        assert got.err.count("\n") == 1


def test_other_lamps_are_tested_and_named(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    kept = tmp_path / "unit.json"
    assert run(["test", UNIT, "--lamps", "6", "--led", "--json", str(kept)]) == GOOD
    record = from_json(kept.read_text())
    assert (record.load, record.rated_load, record.bench_faults) == ("LED 0.15 A", "LED 0.15 A", ())
    assert run(["test", f"{UNIT}&bank=2x27", "--rated", "2x27"]) == GOOD
    assert "2 x 27 W at 12.8 V" in capsys.readouterr().out
    assert run(["test", UNIT, "--rated", "4x21"]) == USAGE
    assert "these banks have such lamps: 4x21 (fit them and say so: --bank 4x21, or " in capsys.readouterr().err
    assert run(["test", UNIT, "--bank", "2x99"]) == USAGE
    assert capsys.readouterr().err.startswith("makebreak test: lamp bank 2x99: no such name; there are 2x18, 2x23")


def test_a_capture_of_another_bank_is_judged_again_with_it(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    capture, load = tmp_path / "unit.capture", ["--lamps", "1,2"]
    assert run(["test", f"{UNIT}&bank=led-resistor", *load, "--capture", str(capture), "--json", "-"]) == GOOD
    live = json.loads(capsys.readouterr().out)
    assert run(["judge", str(capture), *load, "--bank", "led-resistor", "--json", "-"]) == GOOD
    again = json.loads(capsys.readouterr().out)
    assert (again["verdicts"], again["rated_load"]) == (live["verdicts"], "2 x LED 0.15 A with 6 ohm across")


def test_a_capture_is_judged_again_the_same(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    capture = tmp_path / "unit.capture"
    assert run(["test", UNIT, "--capture", str(capture), "--json", "-"]) == GOOD
    live = json.loads(capsys.readouterr().out)
    assert run(["judge", str(capture), "--json", "-"]) == GOOD
    again = json.loads(capsys.readouterr().out)
    assert again["verdicts"] == live["verdicts"]
    assert run(["test", UNIT, "--capture", str(capture)]) == USAGE
    assert "name a file that is not there yet" in capsys.readouterr().err


def test_a_record_that_cannot_be_written_is_said(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Before the test if it can be known then; else the report is not lost with the file."""
    (tmp_path / "folder").mkdir()
    assert run(["test", UNIT, "--json", str(tmp_path / "folder")]) == USAGE
    got = capsys.readouterr()
    assert f"writing the record to {tmp_path / 'folder'}: it is a folder, which is not replaced" in got.err and got.out == ""
    kept = tmp_path / "unit.json"
    finish = KeptTest.finish

    def on_full_disk(self: KeptTest, record: TestRecord) -> TestRecord:
        with disk_of(tmp_path, 0, monkeypatch):
            return finish(self, record)

    monkeypatch.setattr(KeptTest, "finish", on_full_disk)
    assert run(["test", UNIT, "--json", str(kept)]) == USAGE
    got = capsys.readouterr()
    assert f"keeping the record in {kept}: No space left on device" in got.err
    assert got.out.startswith("GOOD") and str(kept) not in got.out


def test_a_record_is_written_whole_or_not_at_all(tmp_path: Path, mocker: MockerFixture, capsys: pytest.CaptureFixture[str]) -> None:
    kept = tmp_path / "unit.json"
    kept.write_text("what stood there before")
    mocker.patch("os.fsync", side_effect=OSError(28, "No space left on device"))
    assert run(["test", UNIT, "--json", str(kept)]) == USAGE
    assert f"keeping the record in {kept}: No space left on device" in capsys.readouterr().err
    assert [path.name for path in tmp_path.iterdir()] == ["unit.json"]
    assert kept.read_text() == "what stood there before"


def square_wave(path: Path, header: str = "time_s,v_in_V,v_out_V,i_load_A", rate_hz: float = 1.5) -> None:
    """A recording of ten flashes after 0.2 s without voltage: 13.0 V, 3.5 A, 0.1 V lost; invented."""
    lines = [header]
    for n in range(8000):
        t_s = n * 1e-3
        powered = t_s >= 0.2
        lit = powered and (t_s - 0.2) * rate_hz % 1.0 < 0.5
        wobble = 0.002 * (n % 5 - 2)
        lines.append(f"{t_s:.4f},{13.0 * powered + wobble:.3f},{12.9 * lit + wobble:.3f},{3.5 * lit + wobble:.3f}")
    path.write_text("\n".join(lines) + "\n")


def test_a_recording_is_judged(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    recording = tmp_path / "scope.csv"
    square_wave(recording)
    assert run(["judge", str(recording), "--limits", "germany", "--led", "--json", "-"]) == GOOD
    rate = json.loads(capsys.readouterr().out)["measured"]["values"]["rate_per_min"]
    assert rate["value"] == pytest.approx(90.0, abs=0.02)
    square_wave(recording, rate_hz=2.5)
    # Nothing proves LED lamps, so that they may be what makes it fast.
    assert run(["judge", str(recording), "--limits", "germany", "--led"]) == NOT_DECIDED
    assert "too fast: 150.0" in " ".join(capsys.readouterr().out.split())


def test_columns_of_a_recording_can_be_renamed(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    recording = tmp_path / "scope.csv"
    square_wave(recording, "time_s,CH1,CH2,CH3")
    renamed = [word for pair in ("CH1=v_in_V", "CH2=v_out_V", "CH3=i_load_A") for word in ("--rename", pair)]
    stated = tmp_path / "mine.toml"
    stated.write_text('format = 1\ntitle = "Mine"\n[channels.i_load]\npercent_of_reading = 0.5\nzero = 0.01\n', encoding="utf-8")
    exact = ["--instrument", str(stated)]
    assert run(["judge", str(recording), "--limits", "germany", "--led", *renamed, *exact]) == GOOD
    assert run(["judge", str(recording), "--rename", "CH1"]) == USAGE
    assert "Instrument            Mine; not stated: clock" in capsys.readouterr().out
    assert run(["judge", str(recording), *renamed, "--instrument", "none-such"]) == USAGE
    assert "instrument none-such: no such name; there are logger-interleaved" in capsys.readouterr().err


def test_the_board_checks_itself(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["check", "--lamps"]) == GOOD
    out = capsys.readouterr().out
    assert "GOOD" in out and "BAD" not in out
    assert run(["check", "sim://LINK?fault=reference-off"]) == BENCH_FAULT
    assert "BAD" in capsys.readouterr().out


def test_the_ports_are_listed(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["boards", "--no-probe"]) == GOOD
    assert capsys.readouterr().out


@pytest.mark.parametrize("action", [FitLink(), FitUnit("4711"), SetSupply(12.8, 13.16), Cool(300.0), Do("Turn it\nover.")])
def test_what_hands_must_do_is_one_line(action: FitLink | FitUnit | SetSupply | Cool | Do, capsys: pytest.CaptureFixture[str]) -> None:
    assert len(action_text(action).splitlines()) == 1
    assert Person(assume_yes=True).do(action, dict) is None
    assert (action_text(action) in " ".join(capsys.readouterr().err.split())) == (not isinstance(action, Cool)), (
        "cooling is waited for, not asked for"
    )


class Terminal(StringIO):
    def isatty(self) -> bool:
        return True


def test_who_says_no_cancels(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sys.stdin", Terminal("y\nn\n"))
    person = Person(assume_yes=False)
    assert person.do(FitLink(), dict) is None
    with pytest.raises(Cancelled):
        person.do(FitLink(), dict)
    with pytest.raises(Cancelled):
        person.do(FitLink(), dict)
    monkeypatch.setattr("sys.stdin", StringIO("y\n"))
    with pytest.raises(SetupError, match=r"this cannot be confirmed as done: Put the shorting link in"):
        person.do(FitLink(), dict)


@contextlib.contextmanager
def served(*arguments: str) -> Iterator[str]:
    """The address of a simulated board in another process."""
    command = [sys.executable, "-m", "bench", "board", *arguments]
    with subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, text=True) as board:
        assert board.stdout is not None
        try:
            yield board.stdout.readline().strip()
        finally:
            board.terminate()
    assert board.returncode == 0, "a signal ends it in good order"


def test_a_test_through_a_real_serial_port_can_be_cancelled(tmp_path: Path) -> None:
    """Two processes and a pseudo-terminal between them: SIGTERM opens the loads, keeps the record and leaves 130."""
    kept, capture = tmp_path / "unit.json", tmp_path / "unit.capture"
    with served("sim://bench-el-plain") as device:
        command = [sys.executable, "-m", "bench", "test", device, "--yes", "--json", str(kept), "--capture", str(capture)]
        with subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as test:
            while not capture.exists() or capture.stat().st_size < 100_000:
                assert test.poll() is None, test.communicate()
            test.send_signal(signal.SIGTERM)
            out, err = test.communicate(timeout=120)  # against a hang, not a measurement
    assert test.returncode == CANCELLED, err
    assert "fuse within 15 cm" in err, "the cautions come before a port that could be a real board's"
    assert "Not finished: told to end (SIGTERM)." in out
    assert from_json(kept.read_text()).interrupted == "told to end (SIGTERM)"
