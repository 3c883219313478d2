"""Settings files that are well formed and cannot be meant: numbers beyond all measure, a shipped name for something else."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

import bench
from bench import files
from bench.claims import parse_claims
from bench.cli import run
from bench.cli.exit_codes import USAGE
from bench.errors import TableError

DATA = Path(files.__file__).parent / "data"
RECORDING = Path(__file__).parent.parent / "fixtures" / "recordings" / "thermal-plain.csv"
READERS: dict[str, Callable[[str], object]] = {
    "limits": files.named_limits, "grades": files.grade_rule, "banks": files.bank, "procedures": files.procedure,
    "instruments": files.instrument,
}  # fmt: skip


def changed(folder: Path, kind: str, name: str, old: str, new: str) -> str:
    text = (DATA / kind / f"{name}.toml").read_text(encoding="utf-8")
    assert old in text
    path = folder / "my.toml"
    path.write_text(text.replace(old, new, 1), encoding="utf-8")
    return str(path)


@pytest.mark.parametrize(
    ("kind", "name", "old", "new", "says"),
    [
        ("limits", "un-r48", "high = 120", "high = 1e308", "high: got 1e+308; it must be a finite number, at most 1e+12"),
        ("limits", "un-r48", "low = 60", "low = -1e13", "low: got -10000000000000.0; it must be a finite number"),
        ("banks", "2x27", "watts = 27", "watts = 1e9", "watts: got 1e+09; it must be a number above 0, at most 1000"),
        ("banks", "led-resistor", "ohms = ", "ohms = 1e6 # ", "ohms: got 1e+06; it must be a number above 0, at most 100000"),
        ("instruments", "oscilloscope", "clock_ppm = ", "clock_ppm = 1e300 # ", "clock_ppm: got 1e+300; it must be a finite number"),
        ("procedures", "full", "starts = ", "starts = 1000000000 # ", "starts: got 1000000000; it must be a whole number from 1 to 100"),
    ],
)
def test_numbers_beyond_all_measure_are_refused(kind: str, name: str, old: str, new: str, says: str, tmp_path: Path) -> None:
    with pytest.raises(TableError) as refused:
        READERS[kind](changed(tmp_path, kind, name, old, new))
    assert says in str(refused.value)


def test_what_an_instrument_states_never_overflows(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Counts times their size."""
    path = tmp_path / "my.toml"
    path.write_text('format = 1\ntitle = "x"\n[channels.v_in]\ncounts = 1e300\nresolution = 1e300\n')
    assert run(["judge", str(RECORDING), "--instrument", str(path)]) == USAGE
    assert "channels.v_in.counts: got 1e+300; it must be a finite number" in capsys.readouterr().err


@pytest.mark.parametrize(("highest", "is_said"), [(1.0, True), (12.0, True), (12.6, False), (20.0, False)])
def test_a_range_that_the_readings_leave_is_said(highest: float, is_said: bool, tmp_path: Path) -> None:
    """12.9 V, recorded in a range of so many volts."""
    path = tmp_path / "my.toml"
    path.write_text(f'format = 1\ntitle = "x"\n[channels.v_in]\npercent_of_reading = 1\nlowest = 0\nhighest = {highest}\n')
    notes = [note for note in bench.judge(RECORDING, instrument=str(path)).record.notes if "beyond the stated range of 0 to" in note]
    assert [note.partition(":")[0] for note in notes] == ["v_in"] * is_said


@pytest.mark.parametrize(
    ("kind", "name", "old", "new"), [("limits", "un-r48", "high = 120", "high = 150"), ("grades", "default", "\nby_U = 1", "\nby_U = 9")]
)
def test_a_file_with_a_shipped_name_that_says_something_else_is_refused(kind: str, name: str, old: str, new: str, tmp_path: Path) -> None:
    """A capture of its test would be judged again by the shipped one, without a word."""
    with pytest.raises(TableError, match=f"name: '{name}' is that of a shipped .*, which differs; give yours a name of its own"):
        READERS[kind](changed(tmp_path, kind, name, old, new))
    READERS[kind](changed(tmp_path, kind, name, old, old))


def test_a_claim_that_is_not_known_is_named_with_all_that_are() -> None:
    with pytest.raises(TableError, match=r"pilots: unknown key; known here: format, led, load, .*, trailer$"):
        parse_claims({"format": 1, "part": "A", "pilots": "none"}, "part file A")
