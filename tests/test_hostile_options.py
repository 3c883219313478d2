"""Options and addresses that nobody can mean: one line, exit code 2, and nothing is begun. Targets that are refused before the test."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import pytest
from sample_records import record

from bench.cli import COMMANDS, run
from bench.cli.exit_codes import BENCH_FAULT, GOOD, USAGE
from bench.errors import AddressError
from bench.ports.opening import check_address
from bench.record_json import to_json

posix = pytest.mark.xfail(os.name == "nt", reason="no such files here", run=False)
UNIT = "sim://bench-el-plain"
CSV = "fixtures/recordings/thermal-plain.csv"
LONG = "n" * 10_000
NO_NAMES = ["", "..", LONG, "nan", "-1"]
NO_NUMBERS = ["nan", "inf", "-inf", "1e999", "-1", "9" * 5000, "", " ", "0x10", "1,5", "1e", "٣x"]


def refused(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> str:
    assert run(arguments) == USAGE
    got = capsys.readouterr()
    (line,) = got.err.splitlines()
    assert got.out == "" and line.isprintable() and len(line) <= 2000
    assert line.startswith("makebreak")
    return line


@pytest.mark.parametrize("value", NO_NUMBERS)
@pytest.mark.parametrize(
    ("arguments", "unit"),
    [
        (["test", UNIT, "--supply"], "2.4 to 33.6 V"),
        (["test", UNIT, "--rested"], "0 to 2592000 s"),
        (["judge", CSV, "--supply"], "2.4 to 33.6 V"),
        (["judge", CSV, "--rate"], "0.1 to 100000000 Hz"),
        (["calibrate", "sim://LINK", "--highest"], "5 to 32 V"),
        (["calibrate", "sim://LINK", "--minutes"], "0 to 60 min"),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, list) else "",
)
def test_what_is_no_number(arguments: list[str], unit: str, value: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert f"it must be a number from {unit}" in refused([*arguments, value], capsys)


@pytest.mark.parametrize("value", ["2.39", "33.61"])
def test_volts_that_no_unit_is_tested_at(value: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert f"got '{value}'; it must be a number from 2.4 to 33.6 V" in refused(["test", UNIT, "--supply", value], capsys)


@pytest.mark.parametrize(
    "arguments",
    [
        *(["judge", CSV, "--window", window] for window in ("nan:nan", "nan:", ":nan", "inf:", ":-inf", "5:2", "5:5", "1e11:")),
        *(["judge", CSV, "--window", window] for window in (":", "", "1:2:3", "a:b", "9")),
        *(["test", UNIT, "--rated", watts] for watts in ("nan", "inf", "-5", "0", "1e3", "00x21", "", "+", "٣x21")),
        *(["test", UNIT, "--rated", watts] for watts in ("21+" * 16 + "21", "17x21", "99x21")),
        *(["test", UNIT, "--lamps", lamps] for lamps in ("", "0", "9", "1,,2", "-1", "1e0", "１")),
        *(["test", UNIT, "--unit", unit] for unit in (LONG, "", "  ", "a\x1b[31m", "a\x9b", "a\u202eb", "a\0b", "\udcff")),
        *(["test", UNIT, "--fact", fact] for fact in ("", "=", "a=", "=b", LONG, "nan=nan")),
        *(["test", UNIT, "--claim", claim] for claim in ("", "=", "pilot=nan", "terminals=1e0", "rated=nan", LONG)),
        *(["test", UNIT, "--limits", name] for name in NO_NAMES),
        *(["test", UNIT, "--procedure", name] for name in NO_NAMES),
        *(["test", UNIT, "--bank", name] for name in NO_NAMES),
        *(["test", UNIT, "--grade-rule", name] for name in NO_NAMES),
        *(["calibrate", "sim://LINK", "--meter", meter] for meter in ("nan%", "1e9%+1V", "-1%+1V", "0%+0V", "11%+1V", "1%+11V")),
        ["calibrate", "sim://LINK", "--meter", "9" * 400 + "%+1V"],
        *(["board", UNIT, "--tcp", port] for port in ("-1", "65536", "nan", "", "9" * 5000)),
        ["board", UNIT, "--tcp", "0", "--host", "a..b"],
        ["standard", "--name", LONG],
        ["standard", "--name", "../x"],
        ["standard", "--keep", ""],
        ["parts", "--parts", ""],
        ["parts", "--parts", "n" * 300],
        ["part", "4711", "--parts", "n/" * 2000],
        ["standard", "--keep", "n" * 300],
        ["part", LONG],
        ["part", ""],
        ["part", "1", "--rated", "nan"],
        ["limits", LONG],
        ["limits", ""],
        ["banks", "a" * 300 + ".toml"],
        ["show", "n" * 300],
        ["show", ""],
        ["test", "--procedure"],
        ["test", "--nothing"],
        ["test", "sim://LINK", "more"],
        ["show"],
        ["calibrate"],
        ["test", "--system", "nan"],
        ["nothing\x1b[31m"],
        [""],
    ],
    ids=lambda arguments: " ".join(arguments)[:50],
)  # fmt: skip
def test_what_nobody_can_mean(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    refused(arguments, capsys)


ADDRESSES = [
    "", " ", "sim://", "sim://[", "sim://[::1", "sim://]", "sim://%00", "sim://%1b[31m", "sim://a?seed=nan", "sim://a?supply=nan",
    "sim://a?supply=inf", "sim://a?supply=1e999", "sim://a?ambient=nan", "sim://LINK?seed=-1", "sim://LINK?seed=" + "9" * 900,
    "sim://LINK?age=1e3", "sim://LINK?fault=", "sim://LINK?nothing=1", "sim://" + "n" * 300, "sim://" + LONG, "SIM://LINK", "sim://LINK?seed=٣",
    "sim:// \u2100", "socket://", "socket://host", "socket://host:0", "socket://host:65536", "socket://host:99999", "socket://host:nan",
    "socket://a..b:1", "socket://:1", "socket://[::1:1", "socket://" + "h" * 64 + ".x:1", "socket://[", "nothing://a", "://", "a://b://c",
    LONG, "n" * 300, "/etc/passwd", "/", ".", "a\nb", "a\x1b[31m", "\udcff",
]  # fmt: skip


@pytest.mark.parametrize("address", ADDRESSES, ids=lambda address: ascii(address)[:40])
def test_what_can_be_no_address(address: str, capsys: pytest.CaptureFixture[str]) -> None:
    for command in ("test", "check", "calibrate"):
        refused([command, address, "--yes"], capsys)
    refused(["standard", address, "--yes"], capsys)


@pytest.mark.parametrize("address", ["/dev/nowhere", "COM5", "auto", "socket://127.0.0.1:1", "socket://[::1]:1", "replay:///nowhere", UNIT])
def test_what_may_be_one_is_not_looked_for(address: str) -> None:
    check_address(address)


@posix
def test_a_folder_is_no_capture(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert "it is a folder" in refused(["test", f"replay://{tmp_path}"], capsys)
    with pytest.raises(AddressError, match="no serial port"):
        check_address(str(tmp_path))


def test_a_device_that_is_not_there_is_still_the_bench(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["test", "/dev/nowhere", "--yes"]) == BENCH_FAULT


# --- where a record is written


def ordinary(folder: Path) -> str:
    (folder / "ordinary").write_text("")
    return "ordinary"


def symlink(folder: Path) -> str:
    (folder / "link").symlink_to(folder / "nowhere")
    return "link"


def fifo(folder: Path) -> str:
    os.mkfifo(folder / "pipe")
    return "pipe"


def subfolder(folder: Path) -> str:
    (folder / "sub").mkdir()
    return "sub"


REFUSED: dict[str, tuple[Callable[[Path], str], str]] = {
    "no folder": (lambda folder: "none/a.json", "there is no folder none; make it first"),
    "file for a folder": (lambda folder: f"{ordinary(folder)}/a.json", "there is no folder"),
    "folder": (subfolder, "it is a folder, which is not replaced"),
    "device": (lambda folder: "/dev/null", "it is a device, which is not replaced"),
    "pipe": (fifo, "it is a pipe, which is not replaced"),
    "link": (symlink, "it is a symbolic link, which is not replaced"),
    "long name": (lambda folder: "n" * 201, "a file's name has 1 to 200 bytes"),
    "no name": (lambda folder: "", "a file's name has 1 to 200 bytes"),
    "parent": (lambda folder: "..", "it is a folder"),
    "no room for files": (lambda folder: "/proc/self/a.json", "writing the "),
}


@posix
@pytest.mark.parametrize("name", REFUSED)
@pytest.mark.parametrize("command", ["test", "judge", "show"])
def test_a_target_is_looked_at_before_any_work(
    command: str, name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    recording = str(Path(CSV).resolve())
    monkeypatch.chdir(tmp_path)
    (tmp_path / "unit.json").write_text(to_json(record()))
    make, why = REFUSED[name]
    target = make(tmp_path)
    before = sorted(path.name for path in tmp_path.iterdir())
    monkeypatch.setattr("bench.session.run_test", None)  # whoever works is found out
    monkeypatch.setattr("bench.judging.judge_files", None)
    arguments = {"test": [UNIT, "--json"], "judge": [recording, "--json"], "show": ["unit.json", "--flashes"]}[command]
    assert why in refused([command, *arguments, target], capsys)
    assert sorted(path.name for path in tmp_path.iterdir()) == before, "nothing is left of the looking"


@posix
def test_what_is_read_or_written_besides_is_no_target(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    recording = tmp_path / "scope.csv"
    recording.write_bytes(Path(CSV).read_bytes())
    (tmp_path / "unit.json").write_text(to_json(record()))
    (tmp_path / "hard.csv").hardlink_to(recording)
    (tmp_path / "same").symlink_to(tmp_path)
    monkeypatch.chdir(tmp_path)
    own = "this command reads or writes that file itself"
    for target, capture in (("a", "a"), ("a", "./a"), ("a", f"{tmp_path}/a"), ("same/a", "a"), ("A", "a"), ("e\u0301", "\u00e9")):
        assert own in refused(["test", UNIT, "--json", target, "--capture", capture], capsys)
        assert not (tmp_path / "a").exists()
    for target in ("scope.csv", "hard.csv", "same/scope.csv"):
        assert own in refused(["judge", "scope.csv", "--json", target], capsys)
    assert own in refused(["show", "unit.json", "--flashes", "./unit.json"], capsys)
    assert own in refused(["test", UNIT, "--limits", "own.toml", "--json", "own.toml"], capsys) or not (tmp_path / "own.toml").exists()
    assert recording.read_bytes().startswith(b"#") or recording.stat().st_size > 1000


def test_a_record_there_is_written_over(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "unit.json").write_text(to_json(record()))
    (tmp_path / "flashes.csv").write_text("older")
    assert run(["show", "unit.json", "--flashes", "flashes.csv"]) == GOOD
    assert (tmp_path / "flashes.csv").read_text() != "older"


@posix
def test_the_file_of_a_part_is_a_file_of_its_own(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    assert run(["part", "4711", "--rated", "2x21"]) == GOOD
    capsys.readouterr()
    kept = tmp_path / "parts" / "4711.toml"
    kept.rename(tmp_path / "elsewhere.toml")
    kept.symlink_to(tmp_path / "elsewhere.toml")
    assert "it is a symbolic link, which is not replaced" in refused(["part", "4711", "--outage", "yes"], capsys)
    assert kept.is_symlink()


@posix
@pytest.mark.parametrize("command", [["calibrate", "sim://LINK", "--minutes", "1"], ["standard", "sim://LINK"]], ids=lambda one: one[0])
def test_a_folder_that_takes_no_file_is_known_before_any_work(command: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert "/proc/self" in refused([*command, "--keep", "/proc/self"], capsys)


@pytest.mark.parametrize("name", COMMANDS)
def test_a_wrong_option_of_any_command_says_where_help_is(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    line = refused([name, "--no-such-option"], capsys)
    assert line.startswith(f"makebreak {name}: ") and line.endswith(f"(makebreak {name} --help shows how)")
