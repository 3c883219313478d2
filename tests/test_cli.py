"""The command line without a board: help, lists, records, errors in one line, exit codes."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from dataclasses import replace
from io import StringIO
from pathlib import Path

import jsonschema
import pytest
from sample_records import cases, estimate, record, with_value

from bench import __version__
from bench.cli import COMMANDS, run
from bench.cli.exit_codes import BENCH_FAULT, CANCELLED, EXIT_CODES, GOOD, NOT_DECIDED, NOT_FOR_LOAD, NOT_GOOD, USAGE, code_for, code_of
from bench.errors import (
    AddressError,
    BoardSilent,
    Cancelled,
    CaptureError,
    NoLimitSet,
    PortError,
    RecordError,
    RecordingError,
    SetupError,
    TableError,
)
from bench.measure import BenchFault
from bench.outcome import Conclusion, Outcome
from bench.record_json import to_json
from bench.uncertainty import NotMeasured

ROOT = Path(__file__).parent.parent


@pytest.fixture
def kept(tmp_path: Path) -> Path:
    path = tmp_path / "unit.json"
    path.write_text(to_json(record()), encoding="ascii")
    return path


def test_the_page_of_commands(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["--help"]) == GOOD
    page = capsys.readouterr().out
    assert all(f"  {name} " in page for name in COMMANDS)
    assert all(f"  {code} " in page for code in (0, 1, 2, 3, 4, 5, 130))
    assert max(map(len, page.splitlines())) <= 80
    assert run([]) == GOOD
    assert capsys.readouterr().out == page


def test_the_version(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["--version"]) == GOOD
    assert capsys.readouterr().out == f"makebreak {__version__}\n"


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_teaches_with_an_example(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert run([name, "--help"]) == GOOD
    page = capsys.readouterr().out
    assert page.startswith(f"Usage: makebreak {name} ")
    assert f"\n  makebreak {'test' if name in ('units', 'faults') else name} " in page or f"\n  makebreak {name}\n" in page


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_has_a_module(name: str) -> None:
    assert (ROOT / "bench" / "cli" / f"{name}.py").exists()


def test_starting_imports_neither_click_nor_numpy() -> None:
    """The first page must come at once: what it must not import, rather than a time that a busy machine would spoil."""
    code = (
        "import sys, bench.cli; bench.cli.run(['--help']); "
        "slow = {'click', 'rich', 'numpy', 'pandas', 'pint', 'scipy', 'serial', 'inspect'} & set(sys.modules); "
        "sys.exit(','.join(sorted(slow)) or 0)"
    )
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (0, "")


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["nothing"], "there is no command 'nothing' (makebreak --help shows how)"),
        (["test", "--rated", "2x"], "'2x' is no list of lamps"),
        (["test", "--rated", "0x21"], "'0x21' is no list of lamps"),
        (["test", "--lamps", "9"], "'9' is no list of loads"),
        (["test", "--limits", "nowhere"], "limit set nowhere: no such set or family; there are"),
        (["test", "--procedure", "nowhere"], "procedure nowhere: no such name"),
        (["test", "--grade-rule", "nowhere"], "grade rule nowhere: no such name"),
        (["test", "--system", "48"], "'48' is not one of"),
        (["test", "--supply", "20"], "20 V in a 12 V system"),
        (["test", "--supply", "60"], "got '60'; it must be a number from 2.4 to 33.6 V"),
        (["limits", "nowhere"], "nowhere"),
        (["limits", "nowhere.toml"], "cannot be read"),
        (["procedures", "nowhere"], "procedure nowhere: no such name"),
        (["judge", "nowhere.csv"], "'nowhere.csv' does not exist"),
        (["show", "nowhere.json"], "'nowhere.json' does not exist"),
    ],
)
def test_a_wrong_word_is_one_line_and_code_2(arguments: list[str], says: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(arguments) == USAGE
    got = capsys.readouterr()
    assert got.out == ""
    assert says in got.err
    assert "Traceback" not in got.err
    assert len([line for line in got.err.splitlines() if not line.startswith(("Usage:", "Try ")) and line]) == 1


@pytest.mark.parametrize(
    ("arguments", "line"),
    [
        (["tset"], "makebreak: there is no command 'tset'; did you mean test? (makebreak --help shows how)"),
        (["--vresion"], "makebreak: there is no option --vresion; did you mean --version? (makebreak --help shows how)"),
        (["test", "--unti", "3"], "makebreak test: there is no option --unti; did you mean --unit? (makebreak test --help shows how)"),
        (["part"], "makebreak part: NUMBER is missing (makebreak part --help shows how)"),
        (["test", "--system", "48"], "makebreak test: --system: '48' is not one of '6', '12', '24' (makebreak test --help shows how)"),
        (["test", "--unit"], "makebreak test: option '--unit' requires an argument (makebreak test --help shows how)"),
        (["units", "x"], "makebreak units: got unexpected extra argument (x) (makebreak units --help shows how)"),
        (["judge", "scope.csv"], "makebreak judge: RECORDING...: file 'scope.csv' does not exist (makebreak judge --help shows how)"),
    ],
)
def test_refusals_are_worded_alike_and_say_what_may_have_been_meant(
    arguments: list[str], line: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(arguments) == USAGE
    assert capsys.readouterr().err == f"{line}\n"


def test_an_address_that_nothing_answers_at_is_the_bench(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["test", "socket://127.0.0.1:1", "--yes"]) == BENCH_FAULT
    assert "makebreak test: opening socket://127.0.0.1:1" in capsys.readouterr().err
    assert run(["test", "nothing://here", "--yes"]) == USAGE
    assert "nothing:// is not known; an address is one of" in capsys.readouterr().err


def test_cautions_come_once_the_board_is_found_and_need_an_answer(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("sys.stdin", StringIO("y\n"))
    assert run(["test", "socket://127.0.0.1:1"]) == BENCH_FAULT
    assert "fuse within 15 cm" not in capsys.readouterr().err, "there is no board to be cautious with"
    command = [sys.executable, "-m", "bench", "board", "sim://bench-el-plain", "--tcp", "0"]
    with subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, text=True) as board:
        assert board.stdout is not None
        address = board.stdout.readline().strip()
        try:
            assert run(["test", address]) == USAGE
        finally:
            board.terminate()
    found, cautions, refused = capsys.readouterr().err.partition("Caution:")
    assert found.startswith(f"Board at {address}: makebreak, rig-328, "), "what answered is said first"
    assert cautions and "fuse within 15 cm" in refused and "Give --yes if that is so" in refused


@pytest.mark.parametrize(
    "arguments",
    [
        ["limits"],
        ["limits", "us-turn"],
        ["limits", "outage-qct501"],
        ["procedures"],
        ["procedures", "full"],
        ["units"],
        ["faults"],
    ],
)
def test_lists_fit_into_80_columns(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert run(arguments) == GOOD
    lines = capsys.readouterr().out.splitlines()
    assert len(lines) > 3
    assert max(map(len, lines)) <= 80


def test_a_shops_own_file_is_shown(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    own = tmp_path / "own.toml"
    own.write_text((ROOT / "bench/data/limits/shop-example.toml").read_text(encoding="utf-8"), encoding="utf-8")
    assert run(["limits", str(own)]) == GOOD
    assert "max 500 mV" in capsys.readouterr().out


def test_the_schema_fits_what_is_written(kept: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["schema"]) == GOOD
    jsonschema.validate(json.loads(kept.read_text()), json.loads(capsys.readouterr().out))


def test_a_record_of_an_earlier_format_is_shown(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["show", str(ROOT / "fixtures/records/passed-and-rejected.json")]) == NOT_GOOD
    assert capsys.readouterr().out.startswith("NOT GOOD   GRADE R (reject)   bench-nc-2x21\nRejected: ")


def test_a_kept_record_is_shown(kept: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["show", str(kept), "--budget"]) == GOOD
    out = capsys.readouterr().out
    assert out.startswith("GOOD   GRADE B (good)   DEMO-1")
    assert "Uncertainty budget" in out
    assert "\x1b" not in out


def test_a_damaged_record_is_refused(kept: Path, capsys: pytest.CaptureFixture[str]) -> None:
    kept.write_text(kept.read_text().replace('"format": 4', '"format": 5'))
    assert run(["show", str(kept)]) == USAGE
    assert "format 5 is newer than this version reads (4)" in capsys.readouterr().err
    kept.write_bytes(b"\xff\xfe")
    assert run(["show", str(kept)]) == USAGE
    assert "reading" in capsys.readouterr().err


def test_a_hostile_record_is_printed_and_not_obeyed(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "hostile.json"
    path.write_text(to_json(cases()["hostile"]))
    assert run(["show", str(path)]) == BENCH_FAULT
    out = capsys.readouterr().out
    assert "\x1b" not in out
    assert "[/b]\\x1b[2J" in out


def test_exit_codes_of_results() -> None:
    codes = {name: code_for(one) for name, one in cases().items()}
    assert codes == {
        "pass": GOOD,
        "near-the-limit": NOT_DECIDED,
        "fail": NOT_GOOD,
        "dark": NOT_GOOD,
        "bench-fault": BENCH_FAULT,
        "interrupted": CANCELLED,
        "two-sets": NOT_DECIDED,
        "hostile": BENCH_FAULT,
    }


def test_a_test_that_the_board_broke_off_is_a_bench_fault() -> None:
    broken = record(bench_faults=(BenchFault("port-lost", "the cable is out", spoils=False),), interrupted="the cable is out")
    assert code_for(broken) == BENCH_FAULT


def test_a_unit_for_another_load_has_a_code_of_its_own() -> None:
    other = Conclusion(Outcome.NOT_FOR_LOAD, "Not for 2 x 21 W.", "Sell it for other lamps.")
    assert code_for(replace(record(), conclusion=other)) == NOT_FOR_LOAD


def test_a_cancelled_test_that_rejects_says_so() -> None:
    """What was found against the unit before counts more than that somebody did not wait for the rest."""
    fast = with_value("rate_per_min", estimate(300.0, "1/min", 0.05))
    assert code_for(record(fast, interrupted="cancelled by the operator")) == NOT_GOOD


def test_what_the_link_swallowed_is_the_benchs() -> None:
    lost = NotMeasured("samples were lost during the start", "bench")
    assert code_for(record(with_value("start_s", lost))) == BENCH_FAULT
    assert code_for(record(with_value("start_s", NotMeasured("not seen")))) == NOT_DECIDED


def test_exit_codes_of_errors() -> None:
    assert code_of(TableError("x")) == USAGE
    assert code_of(PortError("x")) == BENCH_FAULT
    assert code_of(AddressError("x")) == USAGE
    assert code_of(Cancelled()) == CANCELLED
    assert code_of(BoardSilent("x")) == BENCH_FAULT
    assert [code_of(kind("x")) for kind in (RecordingError, CaptureError, RecordError, SetupError, NoLimitSet)] == [USAGE] * 5
    assert code_of(RuntimeError("x")) is None


def test_no_color_is_obeyed(kept: Path) -> None:
    import os
    import pty
    import select

    def through_terminal(**more: str) -> bytes:
        master, slave = pty.openpty()
        environment = {**os.environ, "TERM": "xterm-256color", "COLUMNS": "80", **more}
        command = [sys.executable, "-m", "bench", "show", str(kept)]
        got = b""
        # Our own end stays open until all is read: when the last one closes, what is still on its way may be lost.
        with subprocess.Popen(command, cwd=ROOT, env=environment, stdout=slave) as process:
            while True:
                if select.select([master], [], [], 0.2)[0]:
                    got += os.read(master, 1 << 16)
                elif process.poll() is not None:
                    break
        assert process.returncode == 0
        os.close(slave)
        os.close(master)
        return got

    coloured = through_terminal()
    assert b"\x1b[1;32m" in coloured
    assert coloured.startswith(b"\x1b[1;32mGOOD   GRADE B (good)   DEMO-1\x1b[0m"), "the outcome stands first"
    assert b"\x1b[1;32m" not in through_terminal(NO_COLOR="1")


def test_the_readme_names_commands_and_codes_that_exist() -> None:
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    named = set(re.findall(r"^(?:`)?(?:\.venv.Scripts.)?makebreak ([a-z]+)", readme, re.MULTILINE))
    assert named == set(COMMANDS) - {"procedures", "boards", "schema", "parts"}, "those four are only spoken of"
    codes = {name: int(code) for name, code in re.findall(r"^\| ([a-z, ]+) \| .* \| (\d+) \|$", readme, re.MULTILINE)}
    assert codes == {outcome.value: code_for(replace(record(), conclusion=Conclusion(outcome, "", ""))) for outcome in Outcome}
    assert all(f"\n  {code} " in f"\n{EXIT_CODES}" for code in codes.values())


def test_the_screen_wants_a_terminal_and_an_address_that_can_be(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    assert run(["screen"]) == USAGE
    assert "needs a terminal of its own" in capsys.readouterr().err
    for stream in ("stdin", "stderr"):
        monkeypatch.setattr(f"sys.{stream}.isatty", lambda: True)
    assert run(["screen", "sim://nowhere"]) == USAGE
    assert "no simulated unit is called 'nowhere'" in capsys.readouterr().err
    assert run(["screen", "sim://bench-el-plain?fault=nothing"]) == USAGE
    assert "no fault is called 'nothing'" in capsys.readouterr().err
