"""Programs that drive a board, killed, stopped and starved at random moments: what the board did, and what became of the record.

`python -m reports.mishaps --kills 100 --series 50 --first 1`: so many SIGKILL, as many SIGTERM, and so many series of 2 to 20 Ctrl-C,
shared between `makebreak test`, the station and the screen; then every disk that is full (Linux, as root, which may mount small disks). The
board is a simulated one in real time, in this process, which logs what it is told and when its switches move; the programs are real.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import pty
import random
import resource
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path

from bench.files import procedure
from bench.ports.replay import HEARTBEAT, NOT_WHOLE, read_capture
from bench.record import TestRecord
from bench.record_json import RecordError, from_json
from bench.session import BEGUN, Setup
from bench.station import Attach, Beat, Begin, Finished, Present, start_station
from reports.real_screen import RealScreen, gone
from reports.screen_work import choose, press_again
from reports.watched_board import WatchedBoard

OPEN_S = 1.1
"""A board opens everything by itself after a second of silence, and takes a tenth of it to notice."""
OPENING = (b"*RST", b"OUTP OFF")
"""What may be said first after a signal; a question or a heartbeat may be under way, or said before the system delivers the signal."""
PROCEDURE = """format = 1
name = "brief"
title = "Brief: one start"
text = "One start, three flashes."
[[steps]]
kind = "run"
name = "rated"
title = "Rated load"
loads = "rated"
cycles = 3
at_most_s = 8
judge = ["rate_per_min"]
"""
_LONG_S = 60.0  # for what is waited for and not measured: a busy machine takes its time
_FREE = dict(os.environ, OPENBLAS_NUM_THREADS="1")


@dataclass
class Tally:
    """What came of the events of one kind. `wrong`: what must not be, in words."""

    events: int = 0
    while_on: int = 0
    first_lines: Counter[str] = field(default_factory=Counter)
    longest_on_s: float = 0.0
    longest_end_s: float = 0.0
    records: Counter[str] = field(default_factory=Counter)
    wrong: list[str] = field(default_factory=list)

    def line(self, name: str) -> str:
        first = ", ".join(f"{line} {n}" for line, n in self.first_lines.most_common()) or "-"
        records = ", ".join(f"{what} {n}" for what, n in sorted(self.records.items())) or "-"
        on = f"{self.while_on:>4} with lamps on, longest {self.longest_on_s:.3f} s"
        return f"{name:<16}{self.events:>5} events, {on}; ended within {self.longest_end_s:.1f} s; first line: {first}; records: {records}"


@dataclass
class Seen:
    """One event: when, and until when the program lived."""

    at_s: float
    ended_s: float
    code: int | None


Mishap = Callable[[random.Random, int], None]


def kill(chance: random.Random, pid: int) -> None:
    send(pid, signal.SIGKILL)


def terminate(chance: random.Random, pid: int) -> None:
    send(pid, signal.SIGTERM)


def send(pid: int, number: signal.Signals) -> None:
    """One that has ended by itself meanwhile needs no more."""
    with contextlib.suppress(ProcessLookupError):
        os.kill(pid, number)


def interrupt_again(chance: random.Random, pid: int) -> None:
    """A series of 2 to 20 Ctrl-C, as fast as can be or as a person hits them."""
    apart_s = chance.choice((0.0, 0.01, 0.1))
    for _ in range(chance.randint(2, 20)):
        send(pid, signal.SIGINT)
        time.sleep(chance.uniform(0.0, 2.0 * apart_s))


SERIES = "Ctrl-C series"
KINDS: dict[str, Mishap] = {"SIGKILL": kill, "SIGTERM": terminate, SERIES: interrupt_again}


# --- programs


def makebreak(*arguments: str, **options: object) -> subprocess.Popen[str]:
    command = [sys.executable, "-m", "bench", *arguments]
    pipes = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, "stdin": subprocess.DEVNULL} | options
    return subprocess.Popen(command, text=True, env=_FREE, **pipes)  # type: ignore[call-overload,no-any-return]


def test_arguments(board: WatchedBoard, folder: Path, name: str) -> tuple[str, ...]:
    paths = "--json", str(folder / f"{name}.json"), "--capture", str(folder / f"{name}.capture")
    return "test", board.address, "--yes", "--unit", name, "--rated", "2x21", "--procedure", str(folder / "brief.toml"), *paths


def wait_or_kill(process: subprocess.Popen[str]) -> tuple[float, str]:
    """When it ended, and what it said."""
    try:
        _, err = process.communicate(timeout=_LONG_S)
    except subprocess.TimeoutExpired:
        process.kill()
        _, err = process.communicate()
        err += "\nit did not end by itself"
    return time.monotonic(), err


def with_test(board: WatchedBoard, folder: Path, name: str, mishap: Mishap, chance: random.Random) -> Seen:
    process = makebreak(*test_arguments(board, folder, name))
    wait_for_moment(board, process, chance)
    at_s = time.monotonic()
    mishap(chance, process.pid)
    ended_s, err = wait_or_kill(process)
    # Python itself, before a line of this program runs, does not take Ctrl-C without a word.
    if ("Traceback" in err and "/bench/" in err) or "did not end" in err:
        raise AssertionError(err.strip()[-600:])
    return Seen(at_s, ended_s, process.returncode)


def wait_for_moment(board: WatchedBoard, process: subprocess.Popen[str], chance: random.Random) -> None:
    """Half of the events come while lamps burn, most of the others while the program starts or speaks with the board."""
    if chance.random() < 0.3:
        time.sleep(chance.uniform(0.0, 4.0))
        return
    end_s = time.monotonic() + _LONG_S
    while not board.is_on and process.poll() is None and time.monotonic() < end_s:
        time.sleep(0.002)
    time.sleep(chance.choice((0.0, chance.uniform(0.0, 0.1), chance.uniform(0.0, 5.0))))


class StationDesk:
    """A station in its own process, with somebody who beats as a screen does."""

    def __init__(self, board: WatchedBoard, folder: Path) -> None:
        self.link = start_station(folder)
        self.news: list[object] = []
        self._closed = threading.Event()
        self.link.tell(Attach(board.address))
        self._thread = threading.Thread(target=self._listen, daemon=True)
        self._thread.start()
        try:
            self._until(Present)
        except BaseException:
            self.close()
            raise

    @property
    def pid(self) -> int:
        pid: int = self.link._worker.pid  # type: ignore[attr-defined]
        return pid

    @property
    def alive(self) -> bool:
        return self.link._worker.is_alive()

    def _listen(self) -> None:
        while not self._closed.wait(0.05):
            self.link.tell(Beat())
            self.news += self.link.news()

    def _until(self, kind: type) -> None:
        end_s = time.monotonic() + _LONG_S
        while not any(isinstance(one, kind) for one in self.news):
            if time.monotonic() > end_s:
                raise AssertionError(f"no {kind.__name__} from the station")
            time.sleep(0.01)

    def begin(self, folder: Path, name: str) -> None:
        self.link.tell(Begin(Setup(name), procedure(str(folder / "brief.toml"))))

    def close(self) -> None:
        self._closed.set()
        self._thread.join()
        self.link.close("the report is over")


def with_station(board: WatchedBoard, folder: Path, name: str, mishap: Mishap, chance: random.Random) -> Seen:
    desk = StationDesk(board, folder)
    try:
        desk.begin(folder, name)
        end_s = time.monotonic() + _LONG_S
        if chance.random() < 0.7:
            while not board.is_on and time.monotonic() < end_s:
                time.sleep(0.002)
        time.sleep(chance.choice((0.0, chance.uniform(0.0, 0.1), chance.uniform(0.0, 5.0))))
        at_s = time.monotonic()
        mishap(chance, desk.pid)
        end_s = time.monotonic() + _LONG_S
        while desk.alive and time.monotonic() < end_s:
            time.sleep(0.005)
        if desk.alive:
            raise AssertionError("the station did not end")
        return Seen(at_s, time.monotonic(), None)
    finally:
        desk.close()


def with_screen(board: WatchedBoard, folder: Path, name: str, mishap: Mishap, chance: random.Random) -> Seen:
    keep = folder / name
    keep.mkdir()
    choose(keep, str(folder / "brief.toml"))
    with RealScreen(board.address, keep) as screen:
        screen.until("SIMULATED")
        screen.scan(name)
        screen.until("Enter starts")
        press_again(screen)
        end_s = time.monotonic() + _LONG_S
        while not board.is_on and time.monotonic() < end_s:
            time.sleep(0.002)
        time.sleep(chance.uniform(0.0, 4.0))
        family = screen.family()
        at_s = time.monotonic()
        if mishap is interrupt_again and chance.random() < 0.5:
            for _ in range(chance.randint(2, 20)):
                with contextlib.suppress(OSError):
                    screen.press("\x03")
                time.sleep(chance.uniform(0.0, 0.1))
        else:
            mishap(chance, screen.process.pid)
        screen.ended()
        if not gone(family, 10.0):
            raise AssertionError("a process of the screen is left")
        return Seen(at_s, time.monotonic(), screen.process.returncode)


PROGRAMS: dict[str, Callable[[WatchedBoard, Path, str, Mishap, random.Random], Seen]] = {
    "test": with_test,
    "station": with_station,
    "screen": with_screen,
}
SHARES = ("test",) * 4 + ("station",) + ("test",) * 3 + ("station", "screen")
"""Of ten events so many are of each; the screen takes longest to start."""


# --- what came of it


def one_event(board: WatchedBoard, folder: Path, program: str, kind: str, seed: int, tally: Tally) -> None:
    chance = random.Random(f"{program} {kind} {seed}")
    name = f"{program}-{kind.split()[0]}-{seed}"
    tally.events += 1
    switched, lines = len(board.line.switched), len(board.line.lines)
    try:
        seen = PROGRAMS[program](board, folder, name, KINDS[kind], chance)
    except AssertionError as error:
        tally.wrong.append(f"{name}: {error}")
        return
    finally:
        wait_until_open(board)
    problems = list(judge_board(board, seen, kind, tally))
    was_on = any(on for _, on in board.line.switched[switched:])
    problems += judge_files(folder, name, was_on, tally)
    tally.wrong += [f"{name}: {problem}" for problem in problems]
    del board.line.lines[:lines]


def wait_until_open(board: WatchedBoard) -> None:
    end_s = time.monotonic() + 3.0
    while not board.is_all_open and time.monotonic() < end_s:
        time.sleep(0.01)


def judge_board(board: WatchedBoard, seen: Seen, kind: str, tally: Tally) -> Iterator[str]:
    """What is wrong with what the board saw."""
    on_s = board.on_after(seen.at_s)
    if on_s > 0.0:
        tally.while_on += 1
    tally.longest_on_s = max(tally.longest_on_s, on_s)
    tally.longest_end_s = max(tally.longest_end_s, seen.ended_s - seen.at_s)
    if not board.is_all_open:
        yield "something is closed"
    if on_s > OPEN_S:
        yield f"lamps were on for another {on_s:.3f} s"
    if kind != "SIGKILL" and on_s > 0.0:
        first = board.first_line(seen.at_s)
        tally.first_lines[(first or b"nothing").decode("ascii", "replace")] += 1
        if first not in (*OPENING, None, HEARTBEAT.encode()) and not first.endswith(b"?"):
            yield f"the first line after it was {first!r}"


def judge_files(folder: Path, name: str, was_on: bool, tally: Tally) -> Iterator[str]:
    """What is wrong with what was kept."""
    paths = [path for path in sorted(folder.rglob("*.json")) if name in path.name]
    if not paths:
        tally.records["none"] += 1
        if was_on:
            yield "no record, though lamps were switched on"
    for path in paths:
        try:
            record = from_json(path.read_text(encoding="utf-8"), path.name)
        except (OSError, RecordError, UnicodeDecodeError) as error:
            yield f"the record can't be read: {error}"
            continue
        tally.records["whole" if record.interrupted is None else "broken off"] += 1
        capture = path.with_suffix(".capture")
        if was_on and not any(True for _ in read_capture(capture)):
            yield "nothing is in the capture"


def next_start_works(board: WatchedBoard, folder: Path, name: str) -> str:
    """Empty if an undisturbed test comes to its end, as if nothing had been."""
    process = makebreak(*test_arguments(board, folder, name))
    _, err = wait_or_kill(process)
    if process.returncode not in (0, 3):
        record = folder / f"{name}.json"
        why = read(record).reason if record.exists() else err.strip()[-300:]
        return f"the next start left with {process.returncode}: {why}"
    return "" if read(folder / f"{name}.json").interrupted is None else "the next test was broken off"


def read(path: Path) -> TestRecord:
    return from_json(path.read_text(encoding="utf-8"), path.name)


def stuck_terminal(board: WatchedBoard, folder: Path) -> str:
    """What is wrong with a test whose terminal takes nothing more: it is disturbed only if it is told to end."""
    master, slave = pty.openpty()
    try:
        process = makebreak(*test_arguments(board, folder, "stuck"), stderr=slave, stdout=subprocess.DEVNULL)
        end_s = time.monotonic() + _LONG_S
        while not board.is_on and time.monotonic() < end_s:
            time.sleep(0.002)
        os.write(master, b"\x13")  # Ctrl-S
        time.sleep(2.0)
        was_on, at_s = board.is_on, time.monotonic()
        process.send_signal(signal.SIGTERM)
        try:
            process.wait(_LONG_S)
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


# --- full disks


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
            end_s = time.monotonic() + _LONG_S
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
        desk._until(Finished)
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


# --- all of it


def events(board: WatchedBoard, folder: Path, counts: Mapping[str, int], first: int, tallies: dict[str, Tally]) -> None:
    """So many of each kind, in turn."""
    due = [(kind, n) for n in range(max(counts.values())) for kind in KINDS if n < counts[kind]]
    for number, (kind, n) in enumerate(due, 1):
        program = SHARES[n % len(SHARES)]
        tally = tallies.setdefault(f"{program} {kind}", Tally())
        one_event(board, folder, program, kind, first + n, tally)
        if number % 10 == 0:
            tally.wrong += filter(None, [next_start_works(board, folder, f"next-{number}")])
            print(f"{number} of {len(due)} events, {sum(len(t.wrong) for t in tallies.values())} wrong", file=sys.stderr, flush=True)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--kills", type=int, default=30, metavar="N", help="SIGKILL, and as many SIGTERM")
    parser.add_argument("--series", type=int, default=20, metavar="N", help="series of 2 to 20 Ctrl-C")
    parser.add_argument("--first", type=int, default=1, metavar="SEED")
    parser.add_argument("--disks", action=argparse.BooleanOptionalAction, default=True)
    options = parser.parse_args()
    # What is started in the background of a shell ignores Ctrl-C, and so would all that is started here.
    signal.signal(signal.SIGINT, signal.default_int_handler)
    wrong: list[str] = []
    with tempfile.TemporaryDirectory() as made, WatchedBoard() as board:
        folder = Path(made)
        (folder / "brief.toml").write_text(PROCEDURE)
        tallies: dict[str, Tally] = {}
        try:
            events(board, folder, {kind: options.series if kind == SERIES else options.kills for kind in KINDS}, options.first, tallies)
        except KeyboardInterrupt:
            print("broken off; so far:")
        for name, tally in tallies.items():
            print(tally.line(name))
            wrong += tally.wrong
        if options.disks:
            for name, problem in (("a terminal that stands still", stuck_terminal(board, folder)), *full_disks(board, folder)):
                print(f"{name:<44}{problem or 'as it should'}", flush=True)
                wrong += [f"{name}: {problem}"] if problem else []
    print(f"{len(wrong)} wrong")
    for text in wrong:
        print(f"  {text}")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
