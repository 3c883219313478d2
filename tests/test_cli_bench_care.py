"""The commands that look after the bench: calibrate, standard, check."""

from __future__ import annotations

import errno
import io
import json
import os
import re
import subprocess
import sys
import threading
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TextIO

import pytest
from full_disks import longest_file

from bench.calibration import MeterAccuracy
from bench.cli import calibrate, run
from bench.cli.exit_codes import BENCH_FAULT, CANCELLED, GOOD, NOT_DECIDED, USAGE
from bench.cli.person import Person
from bench.errors import Cancelled, SetupError, TableError
from bench.manual_actions import FitLink, MeasuringPoint
from bench.ports import Port
from bench.terminal import forget_typed
from bench.upkeep import store_calibration
from bench.upkeep.standard_files import KeptReading, append_standard, comparable, read_standard, standard_path

RIG = "sim://LINK?seed=7"
AMPERES = ["--meter", "0.05%+2mA", "--minutes", "0"]


def said(capsys: pytest.CaptureFixture[str]) -> str:
    """What the command printed, however it was folded."""
    return " ".join(capsys.readouterr().out.split())


def test_calibrate_shows_before_and_after_and_keeps_a_dated_file(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = tmp_path / "kept"
    assert run(["calibrate", RIG, *AMPERES, "--keep", str(folder), "--store"]) == GOOD
    out = " ".join(capsys.readouterr().out.split())
    assert "i_load_low, range 0" in out and "better; scale" in out
    assert "refused: at" in out, "the wide range takes a larger load than the bank's lamps"
    assert "Stored in the board, and read back." in out
    (path,) = folder.iterdir()
    assert path.name.startswith("SIM00007-20")
    content = json.loads(path.read_text())
    assert (content["schema"], content["format"], content["stored_in_board"]) == ("makebreak-calibration-2", 2, True)
    low = next(c for c in content["channels"] if c["channel"] == "i_load_low")
    assert low["u_after"] < 0.3 * low["u_before"]
    assert len(content["points"]["i_load_low 0"]) == 6
    assert any(line.startswith("CAL:RANG i_load_low,0,") for line in content["lines"])


def test_calibrate_asks_before_it_stores(tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sys.stdin", io.StringIO(""))  # nobody is there
    assert run(["calibrate", RIG, "--minutes", "0.2", "--keep", str(tmp_path)]) == GOOD
    assert "Not stored: the board stays as it is; makebreak calibrate 'sim://LINK?seed=7' --from " in capsys.readouterr().out
    assert json.loads(next(tmp_path.iterdir()).read_text())["stored_in_board"] is False


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["--meter", "good"], "it looks like 0.05%+2mV"),
        (["--meter", "0.05%"], "does not say whether it is of volts or amperes"),
        (["--meter", "1%+1V", "--meter", "2%+1V"], "two accuracies for volts"),
        (["--minutes", "0"], "nothing to compare with"),
    ],
)
def test_what_calibrate_cant_use_is_one_line(arguments: list[str], says: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["calibrate", RIG, *arguments]) == USAGE
    assert says in capsys.readouterr().err


def test_a_folder_that_cant_be_written_is_said(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "file").write_text("")
    for command in (["calibrate", RIG, "--minutes", "9"], ["standard", RIG]):
        assert run([*command, "--keep", str(tmp_path / "file" / "kept")]) == USAGE
        assert "name a folder that can be written" in capsys.readouterr().err


def test_a_standard_is_kept_line_by_line_and_a_drift_is_said(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    keep = ["--keep", str(tmp_path)]
    assert run(["standard", *keep]) == USAGE
    assert "nothing is kept in" in capsys.readouterr().err
    assert run(["standard", RIG, *keep]) == GOOD
    assert "can't be told yet: 4 readings are needed to know their scatter, there are 1." in said(capsys)
    first = (tmp_path / "link.jsonl").read_text()
    assert run(["standard", RIG, *keep]) == GOOD
    assert "there are 2." in said(capsys)
    assert (tmp_path / "link.jsonl").read_text().startswith(first), "what was written stays"
    assert run(["standard", f"{RIG}&fault=reference-off", *keep]) == NOT_DECIDED
    out = said(capsys)
    assert re.search(r"built-in standard: 3\.7\d\d ± 0\.012 V, can't be told yet; it differs by -\d\d mV, more than", out)
    assert "Measure again before you rely on it: built-in standard." in out
    lines = (tmp_path / "link.jsonl").read_text().splitlines()[:-1]
    (tmp_path / "link.jsonl").write_text("\n".join(lines) + "\n")
    assert run(["standard", RIG, *keep]) == GOOD
    assert run(["standard", RIG, *keep]) == GOOD
    assert "The rig has not drifted" in said(capsys)
    assert run(["standard", f"{RIG}&fault=reference-off", *keep]) == BENCH_FAULT
    out = said(capsys)
    assert re.search(r"built-in standard: 3\.7\d\d ± 0\.012 V, DRIFTED, beyond its scatter and its stated uncertainty, since 20", out)
    assert "THE RIG HAS DRIFTED: built-in standard" in out
    assert run(["standard", *keep, "--charts"]) == BENCH_FAULT
    assert capsys.readouterr().out.count("*") > 10


def test_a_kept_unit_is_charted(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["standard", "sim://bench-el-plain?seed=3", "--flashing", "--name", "el-1", "--keep", str(tmp_path)]) == GOOD
    assert "flash rate of the kept unit" in capsys.readouterr().out
    (entry,) = read_standard(standard_path(tmp_path, "el-1"))
    assert entry.values["rate_per_min"][2] == "1/min"


def test_files_of_standards(tmp_path: Path) -> None:
    path = standard_path(tmp_path, "a-1")
    entries = [
        KeptReading("2026-01-01", "A", 0, {"x": (1.0, 0.1, "V")}),
        KeptReading("2026-01-02", "B", 0, {}),
        KeptReading("2026-01-03", "A", 0, {}),
    ]
    for entry in entries:
        append_standard(path, entry)
    assert read_standard(path) == tuple(entries)
    assert comparable(tuple(entries)) == (entries[2],), "another board in between"
    calibrated = KeptReading("2026-01-04", "A", 20260104, {})
    assert comparable((*entries, calibrated)) == (calibrated,), "a calibration begins a new chart"
    with path.open("a") as file:
        file.write('{"format": 1, "when"\n')
    with pytest.raises(TableError, match=r"a-1\.jsonl, line 4: not a line of this file"):
        read_standard(path)
    with pytest.raises(TableError, match="a name is made of 1 to 60 letters"):
        standard_path(tmp_path, "../x")


def test_the_check_with_link_and_lamps(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["check", "--link", "--lamps"]) == GOOD
    out = capsys.readouterr().out
    assert "after zeroing" in out and "BAD" not in out


class Pipe(io.TextIOWrapper):
    def isatty(self) -> bool:
        return True


def test_a_person_reads_the_meter_while_the_board_is_kept_awake(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Two lines that are no number, then one with comma and unit; the board is attended to all the while. Then the end of the input."""
    read_end, write_end = os.pipe()
    place = MeasuringPoint("v_in", "V", "the unit's input", MeterAccuracy(5e-4, 2e-3))
    attended = threading.Event()
    with Pipe(os.fdopen(read_end, "rb")) as typed, os.fdopen(write_end, "w") as keyboard:
        monkeypatch.setattr(sys, "stdin", typed)

        def meanwhile() -> Mapping[str, float]:
            if not attended.is_set():
                attended.set()
                keyboard.write("twelve\nnan\n12,803 V\n")
                keyboard.flush()
            return {}

        assert Person(assume_yes=True).read_meter(place, meanwhile) == 12.803
        assert attended.is_set()
        err = capsys.readouterr().err
        assert err.count("what does it show, in V?") == 3
        assert "'twelve' is no number of V" in err
        keyboard.close()
        with pytest.raises(Cancelled):
            Person(assume_yes=False).read_meter(place, dict)
    monkeypatch.setattr("sys.stdin", io.StringIO("12.8\n"))
    with pytest.raises(SetupError, match="the meter's reading cannot be entered"):
        Person(assume_yes=True).read_meter(place, dict)


def test_what_was_typed_before_a_question_is_no_answer(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    """At a terminal: an Enter too many must not confirm what nobody has read yet."""
    master, slave = os.openpty()
    with os.fdopen(slave, "r") as terminal:
        monkeypatch.setattr(sys, "stdin", terminal)
        os.write(master, b"\n\n12.5\n")
        asked = 0

        def meanwhile() -> Mapping[str, float]:
            nonlocal asked
            asked += 1
            if asked == 1:
                os.write(master, b"n\n")
            return {}

        with pytest.raises(Cancelled, match="cancelled by the operator"):
            Person(assume_yes=False).do(FitLink(), meanwhile)
        assert asked
    os.close(master)


@pytest.mark.parametrize(("answer", "stored"), [(b"\n", False), (b"n\n", False), (b"y\n", True)])
def test_only_a_y_after_the_question_stores_a_calibration(monkeypatch: pytest.MonkeyPatch, answer: bytes, stored: bool) -> None:
    master, slave = os.openpty()
    with os.fdopen(slave, "r") as terminal:
        monkeypatch.setattr(sys, "stdin", terminal)
        os.write(master, b"y\n\ny\n")

        def forget(stream: TextIO) -> None:
            forget_typed(stream)
            os.write(master, answer)

        monkeypatch.setattr(calibrate, "forget_typed", forget)
        assert calibrate._confirmed(None) is stored
    os.close(master)


def test_a_terminal_that_is_gone_ends_the_waiting_for_an_answer(monkeypatch: pytest.MonkeyPatch) -> None:
    """To a process in the background reading from it is an error, not the end of the input."""

    class Gone(io.StringIO):
        def isatty(self) -> bool:
            return True

        def fileno(self) -> int:
            raise OSError(errno.EIO, os.strerror(errno.EIO))

        def readline(self, *_: object) -> str:  # type: ignore[override]
            raise OSError(errno.EIO, os.strerror(errno.EIO))

    monkeypatch.setattr(sys, "stdin", Gone())
    asked = 0

    def meanwhile() -> Mapping[str, float]:
        nonlocal asked
        asked += 1
        assert asked < 100, "it waits for ever"
        return {}

    with pytest.raises(Cancelled, match="the input has ended"):
        Person(assume_yes=False).do(FitLink(), meanwhile)


def test_who_is_asked_nothing_keeps_what_was_typed(monkeypatch: pytest.MonkeyPatch) -> None:
    """Started with & and --yes, the terminal is the shell's: what is typed there is meant for others."""
    master, slave = os.openpty()
    with os.fdopen(slave, "r") as terminal:
        monkeypatch.setattr(sys, "stdin", terminal)
        os.write(master, b"ls\n")
        assert Person(assume_yes=True).do(FitLink(), dict) is None
        assert terminal.readline() == "ls\n"
    os.close(master)


def test_a_second_interrupt_while_an_error_is_told_apart_is_no_error_of_the_program() -> None:
    script = (
        "import sys, bench.cli\ndef again(error): raise KeyboardInterrupt\nbench.cli.code_of = again\n"
        "sys.argv = ['makebreak', 'limits', 'nowhere']\nbench.cli.main()"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (CANCELLED, "makebreak: cancelled\n")


def test_a_check_that_is_broken_off_shows_what_was_found(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    def stop(*given: object) -> object:
        raise Cancelled("stopped from the keyboard")

    monkeypatch.setattr("bench.upkeep.selfcheck._lamps", stop)
    assert run(["check", RIG, "--lamps"]) == CANCELLED
    told = capsys.readouterr()
    assert "identity" in told.out and "supply" in told.out
    assert told.err == "makebreak check: stopped from the keyboard\n"


def test_the_system_of_a_simulated_bench_is_known(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["check", "sim://LINK?system=24", "--lamps"]) == GOOD
    assert "in a 24 V system" in said(capsys)
    assert run(["check", "sim://LINK?system=24", "--lamps", "--system", "12"]) == BENCH_FAULT
    assert "no lamp was lit: 25.80 V at the unit's input" in said(capsys)


@pytest.mark.parametrize("value", ["-0.001", "1e300", "NaN"])
def test_a_standard_with_a_value_that_no_reading_has_is_refused(value: str, tmp_path: Path) -> None:
    path = standard_path(tmp_path, "a")
    path.write_text(f'{{"format": 1, "when": "2026-01-01", "board": "A", "calibrated": 0, "values": {{"x": [1.0, {value}, "V"]}}}}\n')
    with pytest.raises(TableError, match="line 1: not a line of this file"):
        read_standard(path)


CALIBRATE = ["calibrate", RIG, *AMPERES, "--store"]


def test_a_calibration_that_can_t_be_kept_changes_no_board(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    told: list[object] = []
    monkeypatch.setattr("bench.upkeep.store_calibration", lambda *given: told.append(given))
    with longest_file(100):
        assert run([*CALIBRATE, "--keep", str(tmp_path)]) == USAGE
    assert "keeping the calibration in" in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == [] and told == []


def test_a_calibration_is_kept_before_it_is_stored_and_marked_afterwards(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    seen: list[object] = []

    def look(port: Port, board: str, lines: Sequence[str], storing: Callable[[], None]) -> object:
        (path,) = tmp_path.iterdir()

        def now() -> None:
            storing()
            seen.append(json.loads(path.read_text())["stored_in_board"])

        seen.append(json.loads(path.read_text())["stored_in_board"])
        return store_calibration(port, board, lines, now)

    monkeypatch.setattr("bench.upkeep.store_calibration", look)
    assert run([*CALIBRATE, "--keep", str(tmp_path)]) == GOOD
    (path,) = tmp_path.iterdir()
    assert seen == [False, None] and json.loads(path.read_text())["stored_in_board"] is True
    assert "Stored in the board, and read back." in capsys.readouterr().out
