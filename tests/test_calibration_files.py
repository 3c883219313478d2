"""Kept calibrations: what is read back is what was written; what was damaged, edited, or is another version's is refused in one line."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from full_disks import longest_file

from bench.calibration import MeterAccuracy
from bench.cli import run
from bench.cli.exit_codes import GOOD, USAGE
from bench.errors import TableError
from bench.record_sum import sum_of
from bench.upkeep import Calibration, Wanted
from bench.upkeep.calibration_files import keep_calibration, mark_stored, read_calibration

LINES = (
    "CAL:CLE", "CAL:RANG v_in,1,0.35,0.0184123,0.000123,0.0045,0.0012", "CAL:RANG i_load_low,0,-1.2E-5,4.7E-3,0,0,0",
    "CAL:CLOC 16012345,0.00113", "CAL:DATE 20261125",
)  # fmt: skip
FOUND = Calibration("makebreak,rig-328,SIM00007,1.0-sim", 20261125, Wanted({"V": MeterAccuracy(5e-4, 2e-3)}), {}, (), None, (), LINES)


def kept(folder: Path) -> Path:
    return keep_calibration(folder, FOUND, "2026-11-25T10:15:00+01:00", "test")


def test_what_was_kept_is_read_back(tmp_path: Path) -> None:
    path = kept(tmp_path)
    assert path.name == "SIM00007-20261125T101500.json"
    for stored in (False, None, True, False):
        mark_stored(path, stored)
        read = read_calibration(path)
        assert (read.board, read.date, read.lines, read.stored) == (FOUND.board, FOUND.date, LINES, stored)
        assert json.loads(path.read_text())["stored_in_board"] is stored
    with pytest.raises(TableError, match="there is one already"):
        kept(tmp_path)


def test_no_disk_is_too_full_for_the_mark(tmp_path: Path) -> None:
    path = kept(tmp_path)
    with longest_file(path.stat().st_size):
        mark_stored(path, True)
    assert read_calibration(path).stored is True
    path.unlink()
    for stored, has in ((True, "the board has stored it all the same"), (None, "nothing was stored in the board")):
        with pytest.raises(TableError, match=f"noting in .*No such file or directory; {has}"):
            mark_stored(path, stored)


def edited(change: Callable[[dict[str, Any]], object], mended: bool = False) -> Callable[[str], str]:
    """An edit by hand, with a new check sum if `mended`."""

    def edit(text: str) -> str:
        content = json.loads(text)
        change(content)
        if mended:
            summed = {key: value for key, value in content.items() if key != "stored_in_board"}
            content["sha256"] = sum_of(json.dumps(summed))
        return json.dumps(content)

    return edit


def with_lines(*lines: str, date: int = FOUND.date) -> Callable[[str], str]:
    return edited(lambda content: content.update(lines=lines, date=date), mended=True)


def with_line(line: str) -> Callable[[str], str]:
    return with_lines("CAL:CLE", line, "CAL:DATE 20261125")


RANGE, DAY = LINES[1], LINES[-1]


@pytest.mark.parametrize(
    ("edit", "says"),
    [
        (lambda text: text[: len(text) // 2], "reading the calibration"),
        (lambda text: "", "reading the calibration"),
        (lambda text: "[" * 100_000, "reading the calibration"),
        (lambda text: "[1, 2]", "it is no calibration of this program"),
        (lambda text: '{"schema": "makebreak-record-4", "format": 4}', "it is no calibration of this program"),
        (edited(lambda content: content.update(format=3)), "it has format 3, this version reads 2; calibrate the board again"),
        (edited(lambda content: content.update(date=20261126)), "its check sum does not fit: it was damaged or edited"),
        (edited(lambda content: content.pop("sha256")), "reading the calibration"),
        (edited(lambda content: content.pop("lines"), mended=True), "it has no 'lines'"),
        (edited(lambda content: content.update(board=7), mended=True), "it does not say what a board is to be told"),
        (with_line("ROUT:CLOS (@1,2)"), "it does not say what a board is to be told"),
        (with_line("CAL:STOR"), "it does not say what a board is to be told"),
        (with_line("CAL:DATE 20261125\nOUTP ON"), "it does not say what a board is to be told"),
        (with_lines("CAL:CLE"), "a board is told CAL:CLE first"),
        (with_lines("CAL:CLE", DAY), "a board is told CAL:CLE first"),
        (with_lines(RANGE, DAY), "a board is told CAL:CLE first"),
        (with_lines("CAL:CLE", RANGE), "a board is told CAL:CLE first"),
        (with_lines(RANGE, DAY, "CAL:CLE"), "a board is told CAL:CLE first"),
        (with_lines("CAL:CLE", RANGE, RANGE, DAY), "a board is told CAL:CLE first"),
        (with_lines("CAL:CLE", RANGE, LINES[3], LINES[3], DAY), "a board is told CAL:CLE first"),
        (with_lines("CAL:CLE", RANGE, "CAL:DATE 20250101"), "it is of the day 20261125, and would say CAL:DATE 20250101"),
        (with_lines("CAL:CLE", RANGE, "CAL:DATE 20260231", date=20260231), "reading the calibration"),
        (with_lines("CAL:CLE", RANGE, "CAL:DATE 00000000", date=0), "it is of the day 0, and would say CAL:DATE 00000000"),
        (edited(lambda content: content.update(date=True), mended=True), "it does not say what a board is to be told"),
        (with_line("CAL:RANG v_in,1,0,NAN,0,0,0"), "it does not say what a board is to be told"),
        (with_line("CAL:RANG v_in,1,0,0,0,0,0"), "a scale of 0"),
        (with_line("CAL:RANG v_in,1,0,-0.02,0,0,0"), "a scale of -0.02"),
        (with_line("CAL:RANG v_in,1,0,1E30,0,0,0"), r"a scale of 1E\+?30"),
        (with_line("CAL:RANG v_in,1,0,0.02,-1,0,0"), "an uncertainty of -1"),
    ],
)
def test_what_makes_no_sense_is_refused_in_one_line(tmp_path: Path, edit: Callable[[str], str], says: str) -> None:
    path = kept(tmp_path)
    path.write_text(edit(path.read_text()))
    with pytest.raises(TableError, match=f"(?i){says}") as caught:
        read_calibration(path)
    assert str(caught.value).startswith(f"reading the calibration {path}: ") and "\n" not in str(caught.value)


# --- the command

RIG = "sim://LINK?seed=7"


def test_a_kept_calibration_is_stored_later_and_in_its_own_board_only(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["calibrate", RIG, "--meter", "0.05%+2mA", "--minutes", "0", "--keep", str(tmp_path), "--no-store"]) == GOOD
    (path,) = tmp_path.iterdir()
    assert f"makebreak calibrate 'sim://LINK?seed=7' --from {path} stores it." in capsys.readouterr().out
    assert run(["calibrate", "sim://LINK?seed=8", "--from", str(path), "--store"]) == USAGE
    err = capsys.readouterr().err
    assert "is that of rig-328 SIM00007, and this board is rig-328 SIM00008; the board is as it was; there is none of it in " in err
    assert read_calibration(path).stored is False
    assert run(["calibrate", RIG, "--from", str(path), "--store"]) == GOOD
    assert "Stored in the board, and read back." in capsys.readouterr().out
    assert read_calibration(path).stored is True
    assert run(["calibrate", RIG, "--from", str(path), "--meter", "0.05%+2mA"]) == USAGE
    assert "--from stores what was measured before" in capsys.readouterr().err
    path.write_text(path.read_text().replace('"date": 2', '"date": 1'))
    assert run(["calibrate", RIG, "--from", str(path), "--store"]) == USAGE
    assert capsys.readouterr().err.count("\n") == 1


def test_of_another_boards_file_it_is_said_which_one_is_its_own(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The newest of this board; what can't be read, or is of a third board, is passed over."""
    for seed, day in ((7, 27), (8, 25), (8, 26), (9, 28)):
        board = f"makebreak,rig-328,SIM{seed:05d},1.0-sim"
        found = replace(FOUND, board=board, date=20261100 + day, lines=("CAL:CLE", RANGE, f"CAL:DATE {20261100 + day}"))
        keep_calibration(tmp_path, found, f"2026-11-{day}T10:15:00+01:00", "test")
    (tmp_path / "SIM00008-20261127T101500.json").write_text("{}")
    path = tmp_path / "SIM00007-20261127T101500.json"
    assert run(["calibrate", "sim://LINK?seed=8", "--from", str(path), "--store"]) == USAGE
    err = capsys.readouterr().err
    assert err.endswith(f"; its own is {tmp_path / 'SIM00008-20261126T101500.json'}\n") and err.count("\n") == 1


@pytest.mark.parametrize("place", ["v_sum,1", "v_in,9", "temperature,0"])
def test_a_calibration_of_ranges_that_the_board_has_not_is_a_wrong_file(
    place: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    found = replace(FOUND, lines=("CAL:CLE", f"CAL:RANG {place},0.35,0.0184123,0.000123,0.0045,0.0012", DAY))
    path = keep_calibration(tmp_path, found, "2026-11-25T10:15:00+01:00", "test")
    assert run(["calibrate", RIG, "--from", str(path), "--store"]) == USAGE
    err = capsys.readouterr().err
    assert f"is of {place.replace(',', ', range ')}, which this board has not; the board is as it was" in err and err.count("\n") == 1
    assert read_calibration(path).stored is False


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (["--drop"], "--drop needs a meter for volts"),
        (["--pilot", "--meter", "0.05%+2mA"], "--pilot needs a meter for volts"),
        (["--drop-meter", "0.05%+0.1mV"], "--drop-meter is the meter for --drop"),
        (["--drop", "--drop-meter", "0.05%+1mA"], "a drop is measured in volts"),
    ],
)
def test_what_needs_a_meter_says_so(options: list[str], says: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["calibrate", RIG, *options]) == USAGE
    assert says in capsys.readouterr().err


@pytest.mark.parametrize(("seed", "hidden"), [(7, "fast"), (1, "slow")])
def test_the_clock_is_said_in_words(seed: int, hidden: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    from bench.ports.address import parse_sim_address
    from bench.ports.simulated import open_line
    from bench.simboard.board import SimulatedBoard

    board = open_line(parse_sim_address(f"sim://LINK?seed={seed}")).board
    assert isinstance(board, SimulatedBoard)
    error = board.rig.hidden.clock_error  # of the frequency: a fast clock's is positive
    assert (error > 0.0) == (hidden == "fast")
    assert run(["calibrate", f"sim://LINK?seed={seed}", "--minutes", "1", "--keep", str(tmp_path)]) == GOOD
    out = capsys.readouterr().out.split()
    said = out[out.index("runs") : out.index("runs") + 4]
    assert said[3] == hidden
    assert float(said[1]) == pytest.approx(100.0 * abs(error), abs=0.02)
