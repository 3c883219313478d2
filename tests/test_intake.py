"""What is read from files that people name: regular ones, of each kind only so much, and never waited for."""

from __future__ import annotations

import os
import socket
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from bench import files
from bench.cli import run
from bench.cli.exit_codes import GOOD, USAGE
from bench.errors import AddressError, CaptureError, IntakeError, RecordingError, TableError
from bench.intake import RECORD_MB, SETTINGS_MB, open_file, read_bytes, read_json_text, read_text
from bench.parts import all_parts
from bench.ports.opening import open_port
from bench.ports.replay import is_capture, read_capture
from bench.recording import is_sound, read_recording
from bench.upkeep.standard_files import read_standard

posix = pytest.mark.xfail(os.name == "nt", reason="no such files here", run=False)


def pipe(folder: Path) -> Path:
    os.mkfifo(folder / "a.toml")
    return folder / "a.toml"


def sparse(folder: Path) -> Path:
    """3 GB of zeros that take no room."""
    path = folder / "a.toml"
    with path.open("wb") as file:
        file.truncate(3_000_000_000)
    return path


def served(folder: Path) -> Path:
    with socket.socket(socket.AF_UNIX) as one:
        one.bind(str(folder / "a.toml"))
    return folder / "a.toml"


def made_folder(folder: Path) -> Path:
    (folder / "a.toml").mkdir()
    return folder / "a.toml"


def linked(folder: Path) -> Path:
    (folder / "a.toml").symlink_to("/dev/zero")
    return folder / "a.toml"


BAD: dict[str, tuple[Callable[[Path], Path], str]] = {
    "pipe": (pipe, "it is a pipe"),
    "device": (lambda folder: Path("/dev/zero"), "it is a device"),
    "link to a device": (linked, "it is a device"),
    "socket": (served, "it is a socket"),
    "folder": (made_folder, "it is a folder"),
    "3 GB": (sparse, "it is larger than"),
    "missing": (lambda folder: folder / "none.toml", "No such file"),
    "name too long": (lambda folder: folder / ("n" * 300 + ".toml"), "File name too long"),
    "zero byte": (lambda folder: folder / "a\0.toml", "no file can have this name"),
    "half a pair": (lambda folder: folder / "a\ud800.toml", "no file can have this name"),
}
bad = pytest.mark.parametrize("name", BAD)


def said(call: Callable[[Path], object], path: Path, error: type[Exception]) -> str:
    began = time.process_time()
    with pytest.raises(error) as caught:
        call(path)
    assert time.process_time() - began < 1.0, "refused, not read"
    return str(caught.value)


@posix
@bad
def test_every_reader_refuses_what_is_no_file(name: str, tmp_path: Path) -> None:
    make, why = BAD[name]
    path = make(tmp_path)
    assert why in said(lambda p: read_text(p, RECORD_MB), path, IntakeError)
    assert why in said(lambda p: files.toml(p, "the file"), path, TableError)
    assert why in said(lambda p: list(read_capture(p)), path, CaptureError)
    assert why in said(read_recording, path, RecordingError)
    if why != "no file can have this name":  # nor is that an address
        assert why in said(lambda p: open_port(f"replay://{p}"), path, AddressError)
    assert not is_capture(path) and not is_sound(path)


@posix
@bad
@pytest.mark.parametrize(
    "arguments",
    [["show"], ["judge"], ["limits"], ["procedures"], ["banks"], ["test", "--bank"], ["test", "--grade-rule"], ["test", "--procedure"],
     ["judge", "fixtures/recordings/thermal-plain.csv", "--instrument"]],
    ids=" ".join,
)  # fmt: skip
def test_every_command_refuses_it_in_one_line(name: str, arguments: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    if name in ("zero byte", "half a pair"):
        return  # no argument of a program can be so
    path = BAD[name][0](tmp_path)
    if name == "device":
        path = linked(tmp_path)
    assert run([*arguments, str(path)]) == USAGE
    got = capsys.readouterr()
    assert got.out == "" and len(got.err.splitlines()) == 1


def test_a_kept_standard_and_parts_too(tmp_path: Path) -> None:
    (tmp_path / "a.jsonl").mkdir()
    with pytest.raises(TableError, match="it is a folder"):
        read_standard(tmp_path / "a.jsonl")
    (tmp_path / "b.toml").write_bytes(b"#" * int(SETTINGS_MB * 1e6 + 1))
    with pytest.raises(TableError, match=r"larger than 0\.25 MB"):
        all_parts(tmp_path)


@pytest.mark.parametrize(
    "line", ['{"format": 1, "values": {"a": [NaN, 0, ""]}}', '{"format": 1, "values": {"a": [1e999, 0, ""]}}', "[" * 100_000, "9" * 5000]
)
def test_a_line_of_a_standard_that_is_no_reading(line: str, tmp_path: Path) -> None:
    path = tmp_path / "a.jsonl"
    path.write_text(line.replace('"values"', '"when": "", "board": "", "calibrated": 1, "values"') + "\n")
    with pytest.raises(TableError, match="line 1: not a line of this file"):
        read_standard(path)


@pytest.mark.xfail(not Path("/proc/self/maps").exists(), reason="no such file here", run=False)
def test_a_file_that_does_not_say_how_large_it_is_is_bounded_too() -> None:
    assert os.stat("/proc/self/maps").st_size == 0
    assert read_bytes("/proc/self/maps", 1.0)
    with pytest.raises(IntakeError, match="larger than"):
        read_bytes("/proc/self/maps", 1e-5)


def test_json_that_would_fill_the_memory_is_refused_unread(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "a.json"
    for brackets in ("[],", "{},", '{"a":['):
        path.write_text("[" + brackets * 200_001)
        assert "more than 200000 lists and objects" in said(lambda p: read_json_text(p, RECORD_MB), path, IntakeError)
        assert run(["show", str(path)]) == USAGE
        (line,) = capsys.readouterr().err.splitlines()
        assert "more than 200000 lists and objects" in line
    path.write_text(f'["{"[" * 199_999}"]')
    assert len(read_json_text(path, RECORD_MB)) == 200_003


@posix
def test_a_file_that_becomes_a_pipe_is_not_waited_for(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "file").write_text("")
    was = os.stat(tmp_path / "file")
    path = pipe(tmp_path)
    monkeypatch.setattr(os, "stat", lambda path: was)
    assert "it is a pipe" in said(lambda p: open_file(p, 1.0), path, IntakeError)


def test_the_limit_is_the_last_that_is_read(tmp_path: Path) -> None:
    path = tmp_path / "a"
    path.write_bytes(b"x" * 1000)
    assert read_bytes(path, 0.001) == b"x" * 1000
    with pytest.raises(IntakeError, match=r"larger than 0\.000999 MB"):
        open_file(path, 0.000999)


@pytest.mark.parametrize("begin", [b"", b"\xef\xbb\xbf"])
@pytest.mark.parametrize("end", [b"\n", b"\r\n", b"\r"])
def test_text_of_any_system(begin: bytes, end: bytes, tmp_path: Path) -> None:
    path = tmp_path / "a.toml"
    path.write_bytes(begin + b"# \xc2\xb5" + end + b'a = """b' + end + b'c"""' + end)
    assert read_text(path, 1.0) == '# µ\na = """b\nc"""\n'
    assert files.toml(path, "the file") == {"a": "b\nc"}
    path.write_bytes(b"\xff")
    with pytest.raises(IntakeError, match=r"not UTF-8 text \(byte 0\)"):
        read_text(path, 1.0)


def test_a_shipped_file_with_a_byte_order_mark_is_the_same(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "bank.toml"
    text = (Path(files.__file__).parent / "data" / "banks" / "2x27.toml").read_text(encoding="utf-8")
    path.write_bytes(text.replace("\n", "\r\n").encode("utf-8-sig"))
    assert run(["banks", str(path)]) == GOOD
    marked = capsys.readouterr().out
    assert run(["banks", "2x27"]) == GOOD
    assert marked == capsys.readouterr().out


@pytest.mark.parametrize(
    ("content", "why"),
    [
        ("a." * 50_000 + "a = 1", "more than 100 points in line 1"),
        ("a = 1\n[" + "a." * 50_000 + "a]", "more than 100 points in line 2"),
        ("a." * 30 + "a = 1", "nested too deep"),
        ("a = " + "[" * 25 + "]" * 25, "nested too deep"),
        ("a = " + "[" * 100_000, "nested too deep"),
        ("a = " + "{a = " * 40_000, "nested too deep"),
        ("a = " + "9" * 5000, "4300 digits"),
        ("format = " + "9" * 4000, "this version reads format"),
        ("a = 2031-02-31", "not TOML"),
        ("a = '\0'", "not TOML"),
        ("\ufeff\ufeffa = 1", "not TOML"),
    ],
    ids=["key", "header", "deep key", "deep list", "no end of lists", "no end of tables", "digits", "huge", "no date", "zero", "two marks"],
)
def test_hostile_toml_is_one_line_at_once(content: str, why: str, tmp_path: Path) -> None:
    path = tmp_path / "a.toml"
    path.write_text(content, encoding="utf-8")
    assert why in said(lambda p: files.bank(str(p)), path, TableError)


def test_a_number_beyond_any_float_is_refused_by_its_key(tmp_path: Path) -> None:
    path = tmp_path / "a.toml"
    text = (Path(files.__file__).parent / "data" / "limits" / "shop-example.toml").read_text(encoding="utf-8")
    assert "high = 110" in text
    path.write_text(text.replace("high = 110", "high = 110" + "0" * 400), encoding="utf-8")
    with pytest.raises(TableError, match=r"high: got 1100.*; it must be a finite number"):
        files.named_limits(str(path))
