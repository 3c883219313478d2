"""Files of tests on disks that fill up: what was there stays, what is written is whole, and the record has its room."""

from __future__ import annotations

import errno
import os
import signal
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest
from bench_port import bench_port, run_on, setup
from full_disks import disk_of, longest_file
from session_plans import SHORT

from bench.cli import run
from bench.cli.exit_codes import CANCELLED, GOOD, USAGE
from bench.errors import TableError
from bench.keeping import write_whole
from bench.ports.replay import NOT_WHOLE
from bench.record import TestRecord
from bench.record_json import from_json
from bench.session import BEGUN, Live, begun_record
from bench.session.kept_test import ROOM_BYTES, KeptTest
from bench.upkeep import standard_files
from bench.upkeep.standard_files import KeptReading, append_standard, read_standard, unfinished_line

UNIT = "sim://bench-el-plain?seed=3"


@pytest.fixture(scope="module")
def record() -> TestRecord:
    return run_on(bench_port("EL"), SHORT)


BEGUN_RECORD = begun_record(SHORT, setup(), "sim://test", BEGUN, when="2026-01-01", software="test")


# --- one file, whole


def test_what_was_there_stays_until_the_new_is_whole(tmp_path: Path) -> None:
    path = tmp_path / "a.json"
    path.write_text("before")
    with longest_file(100), pytest.raises(OSError, match="File too large"):
        write_whole(path, "x" * 1000)
    assert [one.name for one in tmp_path.iterdir()] == ["a.json"] and path.read_text() == "before"
    write_whole(path, "after")
    assert [one.name for one in tmp_path.iterdir()] == ["a.json"] and path.read_text() == "after"


def test_nothing_but_a_file_is_replaced(tmp_path: Path) -> None:
    target, link, fifo, folder = (tmp_path / name for name in ("target", "link", "fifo", "folder"))
    target.write_text("before")
    link.symlink_to(target)
    os.mkfifo(fifo)
    folder.mkdir()
    dangling = tmp_path / "dangling"
    dangling.symlink_to(tmp_path / "nowhere")
    for path, why in (
        (link, "is a symbolic link, which would be replaced"),
        (dangling, "is a symbolic link"),
        (fifo, "is no ordinary file"),
        (folder, "is no ordinary file"),
        (Path("/dev/null"), "is no ordinary file"),
    ):
        with pytest.raises(OSError, match=why):
            write_whole(path, "after")
    assert target.read_text() == "before" and link.is_symlink() and fifo.is_fifo() and folder.is_dir()
    assert len(list(tmp_path.iterdir())) == 5, "nothing is left lying"


def test_what_a_killed_program_left_is_cleared_by_a_later_write(tmp_path: Path) -> None:
    killed = (
        "import os, sys\nfrom pathlib import Path\nfrom bench.keeping import write_whole\n"
        "os.fsync = lambda number: os.kill(os.getpid(), 9)\nwrite_whole(Path(sys.argv[1]), 'half')\n"
    )
    done = subprocess.run([sys.executable, "-c", killed, str(tmp_path / "a.json")], check=False)
    (left,) = tmp_path.iterdir()
    assert done.returncode == -signal.SIGKILL and left.suffix == ".part"
    write_whole(tmp_path / "b.json", "b")
    assert left.exists(), "another program may be writing it"
    long_ago = left.stat().st_mtime - 4000.0
    foreign = [tmp_path / name for name in (".a.part", "0123456789abcdef.part", ".0123456789abcdef.parts", ".0123456789abcdeg.part")]
    folder, link = tmp_path / ".0123456789abcdef.part", tmp_path / ".fedcba9876543210.part"
    folder.mkdir()
    link.symlink_to(tmp_path / "b.json")
    for path in foreign:
        path.write_text("theirs")
    for path in (left, folder, *foreign):
        os.utime(path, (long_ago, long_ago))
    os.utime(link, (long_ago, long_ago), follow_symlinks=False)
    write_whole(tmp_path / "a.json", "a")
    assert set(tmp_path.iterdir()) == {tmp_path / "a.json", tmp_path / "b.json", folder, link, *foreign}


def test_a_foreign_part_file_is_not_touched(tmp_path: Path) -> None:
    (tmp_path / "a.json.part").write_text("mine")
    write_whole(tmp_path / "a.json", "new")
    assert (tmp_path / "a.json.part").read_text() == "mine"


# --- a test, from its first moment


def test_a_record_stands_there_from_the_first_moment_with_room_for_the_next(tmp_path: Path, record: TestRecord) -> None:
    path = tmp_path / "a.json"
    kept = KeptTest(path, tmp_path / "a.capture")
    kept.begin(BEGUN_RECORD)
    assert path.stat().st_size == ROOM_BYTES
    assert from_json(path.read_text()).interrupted == BEGUN
    assert kept.capture is not None
    kept.capture.write(b"what came")
    assert kept.finish(record) == record and kept.problem == ""
    assert from_json(path.read_text()) == record and path.stat().st_size < ROOM_BYTES
    assert (tmp_path / "a.capture").read_bytes() == b"what came"
    assert len(list(tmp_path.iterdir())) == 2


def test_a_disk_that_fills_up_during_the_test_takes_the_record(tmp_path: Path, record: TestRecord, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "a.json"
    kept = KeptTest(path)
    kept.begin(BEGUN_RECORD)
    with disk_of(tmp_path, ROOM_BYTES + 10, monkeypatch):
        kept.finish(record)
    assert kept.problem == "" and from_json(path.read_text()) == record
    assert [one.name for one in tmp_path.iterdir()] == ["a.json"]


def test_a_disk_without_any_room_leaves_the_begun_record_and_says_so(
    tmp_path: Path, record: TestRecord, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "a.json"
    kept = KeptTest(path)
    kept.begin(BEGUN_RECORD)
    with disk_of(tmp_path, 1000, monkeypatch):
        kept.finish(record)
    assert kept.problem == f"keeping the record in {path}: No space left on device" and kept.record_path is None
    assert from_json(path.read_text()).interrupted == BEGUN


def test_a_station_whose_disk_is_full_at_first_tries_again_at_the_end(
    tmp_path: Path, record: TestRecord, monkeypatch: pytest.MonkeyPatch
) -> None:
    kept = KeptTest(tmp_path / "a.json")
    with disk_of(tmp_path, 10, monkeypatch):
        kept.begin(BEGUN_RECORD)
    assert "No space left" in kept.problem
    kept.finish(record)
    assert kept.problem == "" and from_json((tmp_path / "a.json").read_text()) == record


def test_what_was_not_tested_leaves_what_was_there(tmp_path: Path) -> None:
    path = tmp_path / "a.json"
    for before in (b"\xff\x00 of another program", None):
        if before is None:
            path.unlink()
        else:
            path.write_bytes(before)
        kept = KeptTest(path, tmp_path / "a.capture")
        kept.begin(BEGUN_RECORD)
        kept.discard()
        assert [one.read_bytes() for one in tmp_path.iterdir()] == ([] if before is None else [before])


def test_what_can_t_be_begun_is_not_taken_away(tmp_path: Path) -> None:
    link, capture = tmp_path / "a.json", tmp_path / "a.capture"
    link.symlink_to(tmp_path / "b.json")
    capture.write_bytes(b"kept before")
    kept = KeptTest(link, capture)
    kept.begin(BEGUN_RECORD)
    assert "is a symbolic link" in kept.problem
    kept.discard()
    assert link.is_symlink() and capture.read_bytes() == b"kept before"


def test_a_capture_whose_end_may_be_lost_is_said(tmp_path: Path, record: TestRecord, monkeypatch: pytest.MonkeyPatch) -> None:
    kept = KeptTest(tmp_path / "a.json", tmp_path / "a.capture")
    kept.begin(BEGUN_RECORD)
    assert kept.capture is not None
    real, number = os.fsync, [kept.capture.fileno()]

    def fsync(fd: int) -> None:
        if fd in number:
            number.clear()
            raise OSError(errno.EIO, "Input/output error")
        real(fd)

    monkeypatch.setattr(os, "fsync", fsync)
    assert kept.finish(record).notes[-1] == f"{NOT_WHOLE} (Input/output error): its end may be missing"
    assert kept.problem == f"{NOT_WHOLE} (Input/output error): its end may be missing"
    assert from_json((tmp_path / "a.json").read_text()) == replace(record, notes=(*record.notes, kept.problem))


# --- the command


def test_the_command_keeps_a_record_before_anything_is_switched_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "a.json"
    seen: list[str | None] = []

    def look(self: object, event: object) -> None:
        if not seen:
            seen.append(from_json(path.read_text()).interrupted)

    monkeypatch.setattr("bench.cli.progress_line.ProgressLine.__call__", look)
    assert run(["test", UNIT, "--procedure", "quick", "--rated", "2x21", "--json", str(path), "--grade-rule", "none"]) == GOOD
    assert seen == [BEGUN]
    assert from_json(path.read_text()).interrupted is None


def test_the_command_told_to_end_a_hundred_times_keeps_its_record(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    path, write = tmp_path / "a.json", write_whole

    def hit(*_: object) -> None:
        for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP) * 10:
            signal.raise_signal(number)

    def write_hit(path: Path, content: str | bytes) -> None:
        hit()
        write(path, content)
        hit()

    monkeypatch.setattr("bench.cli.progress_line.ProgressLine.__call__", lambda self, event: hit() if isinstance(event, Live) else None)
    monkeypatch.setattr("bench.cli.progress_line.ProgressLine.__exit__", hit)
    assert run(["test", UNIT, "--json", str(tmp_path / "x.json"), "--capture", str(tmp_path / "x.capture")]) == CANCELLED
    assert capfd.readouterr().err.count("ending: opening all loads, keeping the record") == 1
    monkeypatch.setattr("bench.session.kept_test.write_whole", write_hit)
    assert run(["test", UNIT, "--json", str(path)]) == CANCELLED
    assert from_json(path.read_text()).interrupted == "stopped from the keyboard"
    assert from_json((tmp_path / "x.json").read_text()).interrupted == "stopped from the keyboard"
    assert len(list(tmp_path.iterdir())) == 3


def test_the_command_says_before_the_test_that_it_can_t_keep_it(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    link = tmp_path / "a.json"
    link.symlink_to(tmp_path / "b.json")
    with_capture = tmp_path / "a.capture"
    assert run(["test", UNIT, "--json", str(link), "--capture", str(with_capture)]) == USAGE
    assert "is a symbolic link" in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == [link]
    with longest_file(1000):
        assert run(["test", UNIT, "--json", str(tmp_path / "c.json")]) == USAGE
    got = capsys.readouterr()
    assert "keeping the record in" in got.err and "File too large" in got.err and got.out == ""
    assert list(tmp_path.iterdir()) == [link]


def test_a_capture_that_is_not_whole_is_said_and_costs_nothing_else(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path, capture = tmp_path / "a.json", tmp_path / "a.capture"
    with longest_file(ROOM_BYTES):
        assert run(["test", UNIT, "--json", str(path), "--capture", str(capture)]) == GOOD
    got = capsys.readouterr()
    assert got.out.startswith("GOOD") and f"{NOT_WHOLE} (File too large)" in got.err
    assert capture.stat().st_size == ROOM_BYTES
    assert from_json(path.read_text()).notes[-1].startswith(NOT_WHOLE)


def test_a_report_that_goes_to_a_full_disk_is_said_and_its_record_is_kept(tmp_path: Path) -> None:
    path = tmp_path / "a.json"
    command = [sys.executable, "-m", "bench", "test", UNIT, "--procedure", "quick", "--rated", "2x21", "--json", str(path)]
    with Path("/dev/full").open("w") as full:
        done = subprocess.run(command, stdout=full, stderr=subprocess.PIPE, text=True, timeout=120)
    assert done.returncode == USAGE and "No space left on device" in done.stderr and done.stderr.count("\n") == 1
    assert from_json(path.read_text()).interrupted is None


# --- readings of a standard


def entry(day: int) -> KeptReading:
    return KeptReading(f"2026-01-{day:02}", "A", 0, {"x": (1.0, 0.1, "V")})


def test_a_reading_is_written_whole_or_not_at_all(tmp_path: Path) -> None:
    path = tmp_path / "link.jsonl"
    append_standard(path, entry(1))
    before = path.read_bytes()
    for room in (0, 1, 10, len(before) - 1):
        with longest_file(len(before) + room), pytest.raises(TableError, match=r"keeping the standard in .*link\.jsonl"):
            append_standard(path, entry(2))
        assert path.read_bytes() == before
    append_standard(path, entry(2))
    assert read_standard(path) == (entry(1), entry(2))


def test_two_programs_that_keep_at_once_lose_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Two rigs of one shop, both with the standard `link`: the other's line comes after the file was read."""
    path = tmp_path / "link.jsonl"
    append_standard(path, entry(1))
    looked = standard_files._unfinished

    def meanwhile(content: bytes) -> bytes:
        monkeypatch.setattr(standard_files, "_unfinished", looked)
        append_standard(path, entry(2))
        return looked(content)

    monkeypatch.setattr(standard_files, "_unfinished", meanwhile)
    append_standard(path, entry(3))
    assert read_standard(path) == (entry(1), entry(2), entry(3))


def test_half_a_line_heals(tmp_path: Path) -> None:
    path = tmp_path / "link.jsonl"
    append_standard(path, entry(1))
    whole = path.read_bytes()
    for half in (b'{"format": 1, "wh', b"{", b"\xc3", whole[:-2]):
        path.write_bytes(whole + half)
        assert "was never finished" in unfinished_line(path)
        assert read_standard(path) == (entry(1),)
        append_standard(path, entry(2))
        assert read_standard(path) == (entry(1), entry(2)) and unfinished_line(path) == ""
    path.write_bytes(whole[:-1])
    assert unfinished_line(path) == "" and read_standard(path) == (entry(1),), "only its end of line is missing"
    append_standard(path, entry(2))
    assert read_standard(path) == (entry(1), entry(2))
    path.write_bytes(b'{"form')
    assert read_standard(path) == ()
    append_standard(path, entry(3))
    assert read_standard(path) == (entry(3),)
    assert unfinished_line(tmp_path / "nothing.jsonl") == ""


def test_the_command_says_that_a_line_was_not_finished(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "link.jsonl"
    append_standard(path, entry(1))
    with path.open("ab") as file:
        file.write(b'{"form')
    assert run(["standard", "--keep", str(tmp_path)]) == GOOD
    assert "was never finished" in capsys.readouterr().err
    assert run(["standard", "sim://LINK?seed=6", "--keep", str(tmp_path)]) == GOOD
    assert "was never finished" in capsys.readouterr().err
    assert len(read_standard(path)) == 2
