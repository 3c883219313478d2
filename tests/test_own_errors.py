"""Errors of the program itself, and outputs that take nothing: one line, a code of its own, a log file; never 1, which is a unit's."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path
from typing import TextIO

import pytest

from bench.cli import failures, run
from bench.cli.exit_codes import CANCELLED, EXIT_CODES, GOOD, PROGRAM, USAGE
from bench.cli.failures import LARGEST_LOG, LOG_NAME, log_path

ROOT = Path(__file__).parent.parent
posix = pytest.mark.xfail(os.name == "nt", reason="no such files here", run=False)


@pytest.fixture(autouse=True)
def logs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The folder of this test's logs."""
    path = tmp_path / "log" / LOG_NAME
    monkeypatch.setattr(failures, "log_path", lambda: path)
    return path


def started(state: Path, *arguments: str, stdout: int | TextIO = subprocess.PIPE) -> subprocess.CompletedProcess[str]:
    # With a buffer, as programs usually run: what is left in it is written as the interpreter ends.
    usual = {key: value for key, value in os.environ.items() if key != "PYTHONUNBUFFERED"}
    environment = usual | {"XDG_STATE_HOME": str(state), "PYTHONPATH": str(ROOT)}
    command = [sys.executable, *arguments]
    return subprocess.run(command, cwd=ROOT, env=environment, text=True, stdout=stdout, stderr=subprocess.PIPE, check=False)


@posix
@pytest.mark.parametrize(
    ("kind", "says"),
    [
        ("exception", r"ValueError: bad \x1b[31m\x9b2J name of two lines xxx"),
        ("library leaves with 1", "SystemExit: 1; details in"),
        ("memory", "MemoryError; details in"),
        ("recursion", "RecursionError: maximum recursion depth exceeded"),
        ("base exception", "BaseException: odd; details in"),
        ("thread", "makebreak banks, in a thread: an error in this program: ZeroDivisionError"),
        ("finalizer", "ValueError: in a finalizer; details in"),
        ("at exit", "ZeroDivisionError: division by zero; details in"),
        ("import", "ModuleNotFoundError: import of bench.bank halted"),
    ],
)
def test_whatever_nobody_caught_leaves_with_70_and_one_line(kind: str, says: str, tmp_path: Path) -> None:
    done = started(tmp_path, "tests/planted.py", kind, "banks")
    assert done.returncode == PROGRAM
    (line,) = done.stderr.splitlines()
    assert line.startswith("makebreak banks") and "an error in this program: " in line and says in line
    assert len(line) <= 2000 and line.isprintable()
    log = (tmp_path / "makebreak" / "log" / LOG_NAME).read_text()
    assert str(tmp_path) in line or kind == "exception"
    assert says.split(": ")[-1].split(";")[0].split(" name")[0] in log
    assert kind == "memory" or "Traceback (most recent call last)" in log
    assert all(text.isprintable() for text in log.split("\n")), "nothing that a terminal would obey, in the log either"
    assert len(log) < 300_000


@pytest.mark.parametrize(
    ("planted", "code", "says"),
    [
        ("sys.modules['bench.cli.streams'] = None", PROGRAM, "ModuleNotFoundError: import of bench.cli.streams halted"),
        ("sys.modules['bench.cli.exit_codes'] = Odd()", PROGRAM, r"MemoryError: no room\x1b[31m\nat all;"),
        ("sys.modules['bench.stopping'] = Odd()", PROGRAM, "MemoryError: no room"),
        ("sys.stderr = None; sys.modules['bench.stopping'] = None", PROGRAM, ""),
        ("sys.modules['bench.cli.exit_codes'] = Odd(KeyboardInterrupt)", CANCELLED, "cancelled"),
    ],
)
def test_what_fails_while_the_command_itself_is_imported(planted: str, code: int, says: str, tmp_path: Path) -> None:
    program = (
        "import runpy, sys\n"
        "class Odd:\n"
        "    def __init__(self, kind=MemoryError): self.kind = kind\n"
        "    def __getattr__(self, name): raise self.kind('no room\\x1b[31m\\nat all')\n"
        f"sys.argv = ['makebreak', '--version']\n{planted}\nrunpy.run_module('bench', run_name='__main__')\n"
    )
    done = started(tmp_path, "-c", program)
    assert done.returncode == code and done.stdout == ""
    assert done.stderr.count("\n") == bool(says) and says in done.stderr
    assert done.stderr.startswith("makebreak: ") or not says


@posix
def test_an_error_in_the_middle_of_a_test_is_no_fault_of_a_board(tmp_path: Path) -> None:
    """All loads open, a record that says so, one line with the log file, and the code of an error; `show` leaves with the same."""
    kept = tmp_path / "unit.json"
    program = (
        "import sys\nfrom bench.cli import main\nfrom bench.session.chain import Chain\n"
        "def broken(*_): raise NameError('planted')\n"
        f"Chain._plan = broken\nsys.argv = ['makebreak', 'test', '--json', {str(kept)!r}]\nmain()\n"
    )
    done = started(tmp_path, "-c", program)
    log = tmp_path / "makebreak" / "log" / LOG_NAME
    assert done.stderr == f"makebreak test: an error in this program: NameError: planted; details in {log}\n"
    assert done.stdout.startswith("BENCH FAULT") and "an error in the program: NameError:" in done.stdout
    assert done.returncode == PROGRAM == run(["show", str(kept)])
    assert log.read_text().count("Traceback") == 1


def test_the_code_is_no_other() -> None:
    assert PROGRAM == 70 and f"\n  {PROGRAM}   " in EXIT_CODES


@posix
def test_ctrl_c_is_no_error(tmp_path: Path) -> None:
    done = started(tmp_path, "tests/planted.py", "cancelled", "banks")
    assert (done.returncode, done.stderr) == (CANCELLED, "makebreak: cancelled\n")
    assert not (tmp_path / "makebreak").exists()


def boom() -> None:
    raise RuntimeError("planted")


@pytest.fixture
def broken(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("bench.files.banks", boom)


def test_the_log_holds_what_was_asked_and_where_it_broke(broken: None, logs: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["banks"]) == PROGRAM
    assert run(["banks"]) == PROGRAM
    assert f"RuntimeError: planted; details in {logs}" in capsys.readouterr().err
    text = logs.read_text()
    assert text.count("makebreak banks: ") == 2, "one after another"
    assert 'in boom\n    raise RuntimeError("planted")' in text


def test_the_log_is_bounded(broken: None, logs: Path) -> None:
    logs.parent.mkdir()
    older = logs.with_name(f"{LOG_NAME}.1")
    older.write_text("oldest")
    logs.write_text("o" * (LARGEST_LOG + 1))
    assert run(["banks"]) == PROGRAM
    assert older.read_text() == "o" * (LARGEST_LOG + 1)
    assert logs.read_text().count("Traceback") == 1
    assert sorted(path.name for path in logs.parent.iterdir()) == [LOG_NAME, f"{LOG_NAME}.1"]


@posix
@pytest.mark.parametrize("kind", ["file instead of the folder", "pipe"])
def test_a_log_that_cant_be_written_is_said_in_the_same_line(
    kind: str, broken: None, logs: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    if kind == "pipe":
        logs.parent.mkdir()
        os.mkfifo(logs)
    else:
        logs.parent.write_text("")
    assert run(["banks"]) == PROGRAM
    (line,) = capsys.readouterr().err.splitlines()
    assert "RuntimeError: planted; no log file could be written (" in line


def test_the_log_is_in_the_users_own_folder(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.undo()
    assert log_path().name == LOG_NAME
    assert "makebreak" in log_path().parent.parts


def test_what_tells_errors_apart_may_be_broken_itself(
    broken: None, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setitem(sys.modules, "bench.recording", None)
    assert run(["banks"]) == PROGRAM
    assert "RuntimeError: planted" in capsys.readouterr().err


@posix
@pytest.mark.parametrize("arguments", [["--help"], ["limits"], ["limits", "--help"], ["units"], ["schema"]])
def test_a_full_disk_behind_the_standard_output_is_one_line(arguments: list[str], tmp_path: Path) -> None:
    with open("/dev/full", "w") as full:
        done = started(tmp_path, "-m", "bench", *arguments, stdout=full)
    assert done.returncode == USAGE
    (line,) = done.stderr.splitlines()
    assert "writing to the standard output: No space left on device" in line


@posix
@pytest.mark.parametrize("arguments", [["--help"], ["limits"], ["limits", "--help"], ["units"], ["schema"]])
def test_who_reads_no_further_gets_no_error(arguments: list[str], tmp_path: Path) -> None:
    reader, writer = os.pipe()
    os.close(reader)
    try:
        done = started(tmp_path, "-m", "bench", *arguments, stdout=writer)
    finally:
        os.close(writer)
    assert (done.returncode, done.stderr) == (CANCELLED, "")


@posix
def test_streams_that_are_closed_or_full_do_no_harm(tmp_path: Path) -> None:
    for redirected in (">&-", "2>&-", "<&-", "2>/dev/full", ">&- 2>&- <&-"):
        done = subprocess.run(f"exec {sys.executable} -m bench banks {redirected}", shell=True, cwd=ROOT, capture_output=True, check=False)
        assert (done.returncode, done.stderr) == (GOOD, b""), redirected


@posix
def test_a_record_for_a_standard_output_that_is_closed_is_refused_before_the_test() -> None:
    """It would be kept nowhere."""
    command = f"exec {sys.executable} -m bench test --json - >&-"
    done = subprocess.run(command, shell=True, cwd=ROOT, capture_output=True, text=True, check=False)
    said = "makebreak test: writing the record to the standard output: it is closed; name a file\n"
    assert (done.returncode, done.stderr) == (USAGE, said)


@posix
def test_too_little_memory_charges_no_unit(tmp_path: Path) -> None:
    """The library of linear algebra leaves with 1 by itself where it gets none, at the import of numpy or in the middle of a test."""
    for megabytes in (80, 130, 150):
        limited = f"import resource; resource.setrlimit(resource.RLIMIT_AS, ({megabytes} << 20, -1)); "
        done = started(tmp_path, "-c", f"{limited} import sys; sys.argv = ['makebreak', 'test']; from bench.cli import main; main()")
        assert (done.returncode, done.stdout) == (PROGRAM, ""), megabytes
        (line,) = done.stderr.splitlines()
        assert line.startswith("makebreak test: there is too little memory: 192 MB are needed")


@posix
def test_numpy_starts_no_threads(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where it may not, it would interrupt the program as Ctrl-C does."""
    monkeypatch.delenv("OPENBLAS_NUM_THREADS", raising=False)
    seen = "from bench.cli import run; run(['limits', 'un-r48']); import os, sys; assert 'numpy' in sys.modules; "
    done = started(tmp_path, "-c", f"{seen} print('threads', len(os.listdir('/proc/self/task')))")
    assert done.stdout.splitlines()[-1:] == ["threads 1"], done
