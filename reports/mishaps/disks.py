"""Disks that are full, small or fill up, and a terminal that takes nothing more: what is kept, and what is said."""

from __future__ import annotations

import contextlib
import os
import pty
import resource
import signal
import subprocess
import time
from collections.abc import Iterator
from functools import partial
from pathlib import Path

from bench.ports.replay import NOT_WHOLE
from bench.session import BEGUN
from bench.station import Finished
from reports.mishaps.judged import OPEN_S, read
from reports.mishaps.programs import LONG_S, PROCEDURE, StationDesk, makebreak, test_arguments, wait_or_kill
from reports.watched_board import WatchedBoard


def stuck_terminal(board: WatchedBoard, folder: Path) -> str:
    """What is wrong with a test whose terminal takes nothing more: it is disturbed only if it is told to end."""
    master, slave = pty.openpty()
    try:
        process = makebreak(*test_arguments(board, folder, "stuck"), stderr=slave, stdout=subprocess.DEVNULL)
        end_s = time.monotonic() + LONG_S
        while not board.is_on and time.monotonic() < end_s:
            time.sleep(0.002)
        os.write(master, b"\x13")  # Ctrl-S
        time.sleep(2.0)
        was_on, at_s = board.is_on, time.monotonic()
        process.send_signal(signal.SIGTERM)
        try:
            process.wait(LONG_S)
        except subprocess.TimeoutExpired:
            process.kill()
            return "it did not end by itself"
        on_s, lasted_s = board.on_after(at_s), time.monotonic() - at_s
    finally:
        os.close(slave)
        os.close(master)
    record = read(folder / "stuck.json")
    if not was_on or on_s > OPEN_S or not board.is_all_open or record.interrupted in (None, BEGUN):
        went_on = "went on" if was_on else "was broken off before"
        return f"it {went_on}; lamps were on for {on_s:.2f} s more, {lasted_s:.1f} s to its end, and the record says {record.interrupted}"
    return ""


@contextlib.contextmanager
def small_disk(folder: Path, size: int) -> Iterator[Path]:
    """A disk of so many bytes. CalledProcessError where it can't be mounted."""
    disk = folder / "disk"
    disk.mkdir(exist_ok=True)
    subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={size}", "none", str(disk)], check=True, capture_output=True)
    try:
        yield disk
    finally:
        subprocess.run(["umount", str(disk)], check=False, capture_output=True)


def fill(disk: Path) -> None:
    """Take the rest of the disk."""
    with contextlib.suppress(OSError), (disk / "ballast").open("ab", buffering=0) as file:
        while True:
            file.write(bytes(4096))


def full_disks(board: WatchedBoard, folder: Path) -> Iterator[tuple[str, str]]:
    """Each case, and what is wrong with what came of it: empty if nothing is."""
    for name, size, when in (("capture fills the disk", 700_000, ""), ("the disk fills during the test", 2_000_000, "during")):
        with small_disk(folder, size) as disk:
            (disk / "brief.toml").write_text(PROCEDURE)
            process = makebreak(*test_arguments(board, disk, "full"))
            end_s = time.monotonic() + LONG_S
            while when and not board.is_on and time.monotonic() < end_s:
                time.sleep(0.01)
            if when:
                fill(disk)
            _, err = wait_or_kill(process)
            yield f"test: {name}", _kept_on_full_disk(disk / "full.json", process.returncode, err)
    with small_disk(folder, 300_000) as disk:
        (disk / "brief.toml").write_text(PROCEDURE)
        switched = len(board.line.switched)
        process = makebreak(*test_arguments(board, disk, "full"))
        _, err = wait_or_kill(process)
        refused = process.returncode == 2 and "No space left" in err and len(board.line.switched) == switched
        left = [path.name for path in disk.iterdir() if path.name != "brief.toml"]
        came = f"left with {process.returncode}, {left}, {err.strip()[-200:]}"
        yield "test: no room for the record", "" if refused and not left else came
    with small_disk(folder, 700_000) as disk:
        process = makebreak(*test_arguments(board, folder, "shown"), stdout=Path("/dev/full").open("w"))  # noqa: SIM115
        _, err = wait_or_kill(process)
        yield "test: the report goes to a full disk", _read_whole(folder / "shown.json") + ("Traceback" in err) * err.strip()[-300:]
    for size in (700_000, 100_000):
        with small_disk(folder, size) as disk:
            yield f"station: a disk of {size // 1000} kB", _station_on(board, folder, disk, whole=size > 500_000)
    with small_disk(folder, 200_000) as disk:
        yield "calibrate --store", _calibrate_on(board, disk)
    yield "standard: half a line fits", _standard_on(folder / "standards")


def _kept_on_full_disk(path: Path, code: int | None, err: str) -> str:
    if code not in (0, 3) or "Traceback" in err:
        return f"left with {code}: {err.strip()[-300:]}"
    if not any(note.startswith(NOT_WHOLE) for note in read(path).notes):
        return "the record does not say that the capture is not whole"
    return _read_whole(path)


def _read_whole(path: Path) -> str:
    return "" if read(path).interrupted is None else "the record is not that of the whole test"


def _station_on(board: WatchedBoard, folder: Path, disk: Path, whole: bool) -> str:
    desk = StationDesk(board, disk)
    try:
        desk.begin(folder, "S-1")
        desk.until(Finished)
        (done,) = (one for one in desk.news if isinstance(one, Finished))
    finally:
        desk.close()
    if done.record.interrupted is not None:
        return f"the test was broken off: {done.record.interrupted}"
    if not done.problem:
        return "nothing is said of what is not kept"
    paths = list(disk.rglob("*.json"))
    if whole:
        return _read_whole(paths[0]) if paths else "no record"
    return "".join(f"{path.name} can't be read" for path in paths if path.stat().st_size == 0)


def _calibrate_on(board: WatchedBoard, disk: Path) -> str:
    fill(disk)
    since = len(board.line.lines)
    wanted = "--meter", "0.05%+2mA", "--minutes", "0", "--store"
    process = makebreak("calibrate", board.address, *wanted, "--yes", "--keep", str(disk / "kept"))
    try:
        _, err = process.communicate(timeout=120.0)
    except subprocess.TimeoutExpired:
        process.kill()
        return "it did not end"
    if any(line == b"CAL:STOR" for _, line in board.line.lines[since:]):
        return "the board was changed though nothing could be kept"
    left = [path.name for path in (disk / "kept").rglob("*.json")] if (disk / "kept").exists() else []
    return "" if process.returncode == 2 and "No space left" in err and not left else f"{process.returncode}, {left}: {err.strip()[-300:]}"


def _standard_on(folder: Path) -> str:
    path, whole, codes = folder / "link.jsonl", b"", []
    for full in (False, True, False):
        process = makebreak(
            "standard", "sim://LINK?seed=6", "--keep", str(folder), preexec_fn=partial(longest_file, len(whole) + 50) if full else None
        )
        _, err = wait_or_kill(process)
        codes.append(process.returncode)
        if full and path.read_bytes() != whole:
            return f"half a line stands there: {err.strip()[-200:]}"
        whole = path.read_bytes()
    return "" if codes == [0, 2, 0] and whole.count(b"\n") == 2 else f"codes {codes}, {len(whole.splitlines())} lines"


def longest_file(size: int) -> None:
    """From now on this process writes no byte beyond `size` of any file."""
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, resource.RLIM_INFINITY))
