"""What a test was set up with and made on, in the words of the reports."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from sample_records import record

from bench import files
from bench.board_identity import addressed_board, identified_board
from bench.cli import run
from bench.cli.exit_codes import PROGRAM, USAGE
from bench.record import BoardRecord, JudgedAgain, RecordingSource, SetupRecord, SimulationRecord
from bench.render.made_on import board_text, made_on, recording_text, setup_text
from bench.simboard.rig import rig_description

RECORDS = Path(__file__).parent.parent / "fixtures" / "records"
REAL = BoardRecord("/dev/ttyUSB0", "a maker", "rig-328", "0017", "1.2", "by meter", "2026-11-25")


def test_a_board_says_all_that_is_known_of_it() -> None:
    said = "address /dev/ttyUSB0, maker a maker, model rig-328, serial number 0017, firmware 1.2"
    assert board_text(REAL) == f"{said}, calibrated 2026-11-25"
    assert board_text(replace(REAL, calibration="built-in", calibrated=None)) == f"{said}, never calibrated (built-in scales)"
    assert board_text(BoardRecord("COM5")) == "address COM5", "it failed before it said what it is"


def test_a_simulated_board_names_its_unit_and_its_faults() -> None:
    board = BoardRecord("sim://x", simulation=SimulationRecord("bench-nc-2x21", ("film", "lamp-dead")))
    assert board_text(board) == "address sim://x, simulated unit bench-nc-2x21 with film, lamp-dead"


def test_a_recording_names_its_instrument_if_it_is_known() -> None:
    assert recording_text(RecordingSource("a.csv", ("v_in", "i_load"))) == "a.csv, columns v_in, i_load"
    assert recording_text(RecordingSource("a.csv", ("v_in",), "a scope")) == "a.csv, columns v_in, instrument a scope"


def test_a_set_up_says_what_was_chosen() -> None:
    setup = SetupRecord(
        "x", 12.0, 13.5, lamps=(1, 6), filament=False, bank=files.bank("led"), sample_mode="precise", skip=5, average=3, stop_early=True,
        rested_s=90.0, entered={"insulation": "good"},
    )  # fmt: skip
    assert setup_text(setup).split("; ") == [
        "supply 13.5 V", f"bank led: {files.bank('led').title}", "loads 1, 6", "not filament lamps", "precise sampling",
        "skip 5 cycles, average at least 3", "stop as soon as all limits are decided", "off for 90 s before",
        "entered by hand: insulation good",
    ]  # fmt: skip
    assert setup_text(SetupRecord("x", 12.0)) == "", "an older record may say nothing"


def test_a_record_judged_again_says_from_what() -> None:
    again = replace(record(), board=REAL, judged_again=JudgedAgain("unit.capture", "2027-01-02", "makebreak 9"))
    titles = dict(made_on(again))
    assert list(titles) == ["Judged again", "First judged by", "Set-up", "Board"]
    assert titles["Judged again"] == "from the capture unit.capture, 2027-01-02, by makebreak 9"
    assert "Judged again" not in dict(made_on(record()))


# --- where it comes from


def test_an_address_alone_tells_whether_it_is_simulated() -> None:
    assert addressed_board("sim://bench%20x?seed=1&fault=film,%20stall").simulation == SimulationRecord("bench x", ("film", "stall"))
    assert addressed_board("firmware://LINK").simulation == SimulationRecord("LINK")
    for address in ("/dev/ttyUSB0", "COM5", "socket://localhost:5025", "replay://x.capture"):
        assert addressed_board(address).simulation is None


def test_a_board_that_answered_is_what_it_says() -> None:
    description = replace(rig_description(1), calibrated=20261125)
    found = identified_board("/dev/ttyUSB0", "a maker,rig-328,0017,1.2", description, None)
    assert found == REAL
    plain = identified_board("socket://h:1", "a maker,rig-328,0017,1.2", replace(description, calibrated=0), "bench-el-two")
    assert (plain.calibration, plain.calibrated) == ("built-in", None)
    assert plain.simulation == SimulationRecord("bench-el-two"), "a simulated board behind a socket says so itself"
    assert identified_board("sim://y?fault=film", "a,b,c,d", description, "x").simulation == SimulationRecord("x", ("film",))


@pytest.mark.parametrize("path", sorted(RECORDS.glob("*.json")), ids=lambda path: path.stem)
def test_records_of_every_format_are_shown(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["show", str(path), "--full"]) not in (USAGE, PROGRAM)
    shown = " ".join(capsys.readouterr().out.split())
    assert "Set-up supply 12.8 V; " in shown and "fast sampling; skip 5 cycles, average at least 3" in shown
    assert ("Recording thermal-plain.csv" in shown) == (path.stem == "recording")
    assert ("Simulated board: no real unit was tested." in shown) == (path.stem != "recording")


def test_the_schema_printed_is_that_of_format_3(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["schema"]) == 0
    assert '"const": "makebreak-record-4"' in capsys.readouterr().out
