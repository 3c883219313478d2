"""The programs that drive a board, really run: `makebreak test`, the station, the screen; each struck at a moment drawn by chance."""

from __future__ import annotations

import contextlib
import os
import random
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path

from bench.files import procedure
from bench.setup import Setup
from bench.station import Attach, Beat, Begin, Finished, Present, start_station
from reports.mishaps.kinds import SERIES, Mishap, Seen, send
from reports.real_screen import RealScreen, gone
from reports.screen_work import choose, press_again
from reports.watched_board import WatchedBoard

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
cool_s = 30  # as every procedure that judges a start: whoever was cut off a second ago has warm lamps
judge = ["rate_per_min"]
"""
LONG_S = 60.0  # for what is waited for and not measured: a busy machine takes its time
_FREE = dict(os.environ, OPENBLAS_NUM_THREADS="1")


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
        _, err = process.communicate(timeout=LONG_S)
    except subprocess.TimeoutExpired:
        process.kill()
        _, err = process.communicate()
        err += "\nit did not end by itself"
    return time.monotonic(), err


def with_test(board: WatchedBoard, folder: Path, name: str, mishap: Mishap, chance: random.Random) -> Seen:
    process = makebreak(*test_arguments(board, folder, name))
    wait_for_moment(board, process, chance)
    at_s = time.monotonic()
    stood_s = mishap.strike(chance, process.pid)
    ended_s, err = wait_or_kill(process)
    # Python itself, before a line of this program runs, does not take Ctrl-C without a word.
    if ("Traceback" in err and "/bench/" in err) or "did not end" in err:
        raise AssertionError(err.strip()[-600:])
    return Seen(at_s, ended_s, process.returncode, stood_s)


def wait_until_open(board: WatchedBoard, at_most_s: float) -> None:
    end_s = time.monotonic() + at_most_s
    while not board.is_all_open and time.monotonic() < end_s:
        time.sleep(0.01)


def wait_for_moment(board: WatchedBoard, process: subprocess.Popen[str], chance: random.Random) -> None:
    """Half of the events come while lamps burn, most of the others while the program starts or speaks with the board."""
    if chance.random() < 0.3:
        time.sleep(chance.uniform(0.0, 4.0))
        return
    end_s = time.monotonic() + LONG_S
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
            self.until(Present)
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

    def until(self, kind: type) -> None:
        end_s = time.monotonic() + LONG_S
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
        end_s = time.monotonic() + LONG_S
        if chance.random() < 0.7:
            while not board.is_on and time.monotonic() < end_s:
                time.sleep(0.002)
        time.sleep(chance.choice((0.0, chance.uniform(0.0, 0.1), chance.uniform(0.0, 5.0))))
        at_s = time.monotonic()
        stood_s = mishap.strike(chance, desk.pid)
        if not mishap.ends:
            desk.until(Finished)
            send(desk.pid, signal.SIGTERM)
        end_s = time.monotonic() + LONG_S
        while desk.alive and time.monotonic() < end_s:
            time.sleep(0.005)
        if desk.alive:
            raise AssertionError("the station did not end")
        return Seen(at_s, time.monotonic(), None, stood_s)
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
        end_s = time.monotonic() + LONG_S
        while not board.is_on and time.monotonic() < end_s:
            time.sleep(0.002)
        time.sleep(chance.uniform(0.0, 4.0))
        family = screen.family()
        at_s = time.monotonic()
        stood_s = 0.0
        if mishap is SERIES and chance.random() < 0.5:
            for _ in range(chance.randint(2, 20)):
                with contextlib.suppress(OSError):
                    screen.press("\x03")
                time.sleep(chance.uniform(0.0, 0.1))
        else:
            stood_s = mishap.strike(chance, screen.process.pid)
        if not mishap.ends:
            wait_until_open(board, LONG_S)
            send(screen.process.pid, signal.SIGTERM)
        screen.ended()
        if not gone(family, 10.0):
            raise AssertionError("a process of the screen is left")
        return Seen(at_s, time.monotonic(), screen.process.returncode, stood_s)


PROGRAMS: dict[str, Callable[[WatchedBoard, Path, str, Mishap, random.Random], Seen]] = {
    "test": with_test,
    "station": with_station,
    "screen": with_screen,
}
SHARES = ("test",) * 4 + ("station",) + ("test",) * 3 + ("station", "screen")
"""Of ten events so many are of each; the screen takes longest to start."""
