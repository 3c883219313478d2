"""What the bench screen does on this machine, beside what it was asked to do; ends with 1 if anything asked is not held.

    python -m reports.screen_figures                  two minutes of live stream
    python -m reports.screen_figures --minutes 10     ten minutes, without a lost sample
    python -m reports.screen_figures --day            50 units in a row with 10 pulled cables, in real time: some nine minutes

The real program at 120 x 40 under a pseudo-terminal, against a simulated board in another process on another. A frame counts when the
trace's rows have changed; a key's time ends when its update has been read from the terminal. The verdict's time begins with the last
change of the contact before the session decided, at the board; it includes the 3 ms in which it might have been bounce, the way to the
host, the session's look every 50 ms, everything's opening, and the screen's frame.
"""

from __future__ import annotations

import argparse
import random
import statistics
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from pathlib import Path

from bench.tui.panes import GUTTER
from reports.deciding import Deciding, deciding
from reports.figure import Figure
from reports.process_load import Load, memory_mb
from reports.real_board import BoardProcess
from reports.real_screen import ERASE, F, RealScreen
from reports.screen_day import day
from reports.screen_work import begin, choose, kept, press_again, shows_verdict
from reports.seen_terminal import SeenTerminal

ADDRESS = "sim://bench-nc-2x21?seed={}"
KEYS, STARTS, VERDICTS = 120, 5, 5
_LONG = """format = 1
name = "long"
title = "One long run"
[[steps]]
kind = "run"
name = "long"
title = "Long run"
cycles = 1000000
at_most_s = {at_most_s}
judge = ["all"]
"""


class Onlooker:
    """Notes when the trace has changed: its rows have an axis, and nothing else has one there."""

    def __init__(self) -> None:
        self.frames_s: list[float] = []
        self._before = ""

    def __call__(self, now_s: float, terminal: SeenTerminal) -> None:
        trace = "".join(row for row in terminal.rows if row[GUTTER - 1 : GUTTER] in ("│", "┤"))
        if trace and trace != self._before:
            self.frames_s.append(now_s)
        self._before = trace


def frame_rates(frames_s: Sequence[float], begin_s: float, end_s: float) -> list[int]:
    """Frames in each whole second."""
    counts = [0] * int(end_s - begin_s)
    for at_s in frames_s:
        if 0 <= (second := int(at_s - begin_s)) < len(counts):
            counts[second] += 1
    return counts


def start_times() -> Iterator[Figure]:
    """From the start of the program until a number that is typed is on the screen, and until the board has answered."""
    takes, answers = [], []
    for seed in range(STARTS):
        with (
            tempfile.TemporaryDirectory() as name,
            BoardProcess(Path(name), ADDRESS.format(seed)) as board,
            RealScreen(str(board.device), Path(name) / "records") as screen,
        ):
            screen.until("Unit -")
            screen.press("7")
            takes.append(screen.until("Number 7") - screen.began_s)
            answers.append(screen.until("SIMULATED") - screen.began_s)
    yield Figure("start until a number can be typed, median", statistics.median(takes), "s")
    yield Figure("start until the board has answered, median", statistics.median(answers), "s")


def live(minutes: float) -> Iterator[Figure]:
    """One long run, watched; keys are typed in its second half."""
    with tempfile.TemporaryDirectory() as name, BoardProcess(Path(name), ADDRESS.format(3)) as board:
        keep = Path(name) / "records"
        keep.mkdir()
        plan = Path(name) / "long.toml"
        plan.write_text(_LONG.format(at_most_s=round(60 * minutes)), encoding="utf-8")
        choose(keep, procedure=str(plan))
        onlooker = Onlooker()
        with RealScreen(str(board.device), keep, watcher=onlooker) as screen:
            screen.until("SIMULATED")
            pids = (screen.process.pid, screen.station)
            at_start = [memory_mb(pid) for pid in pids]
            begin(screen, "long run")
            begin_s = time.monotonic()
            keys_s = 0.4 * KEYS
            time.sleep(3.0)
            loads, from_s = [Load.of(pid) for pid in pids], time.monotonic()
            time.sleep(max(10.0, 60 * minutes - keys_s - 15.0))
            shares = [Load.of(pid).share_since(before) for pid, before in zip(pids, loads, strict=True)]
            to_s = time.monotonic()
            early = [memory_mb(pid) for pid in pids]
            latencies = list(key_times(screen, KEYS))
            screen.until(shows_verdict, 60 * minutes - (time.monotonic() - begin_s) + 20.0)
            record, capture = kept(keep)
            at_end = [memory_mb(pid) for pid in pids]
            screen.press(F[12])
            screen.ended()
        rates = frame_rates(onlooker.frames_s, from_s, to_s)
        yield Figure("length of the run", record.steps[0].lasted_s / 60, "min")
        yield Figure("stream from the board", deciding(capture).bytes_per_s / 1e3, "kB/s")
        yield Figure("frames per second, mean", statistics.mean(rates), "1/s", 20.0, least=True)
        yield Figure("frames in the slowest of 100 seconds (percentile 1)", sorted(rates)[len(rates) // 100], "1/s")
        yield Figure("screen, share of a core", 100 * shares[0], "%", 40.0)
        yield Figure("station (acquisition), share of a core", 100 * shares[1], "%", 10.0)
        yield Figure("samples lost", float(sum(record.link.values())), "", 0.0)
        yield Figure(f"key to screen, median of {len(latencies)}", 1e3 * statistics.median(latencies), "ms", 60.0)
        yield Figure("key to screen, worst", 1e3 * max(latencies), "ms", 150.0)
        for who, some in (("screen", 0), ("station", 1)):
            yield Figure(f"memory of the {who} before the run", at_start[some], "MB")
            yield Figure(f"memory of the {who} late in the run", early[some], "MB")
            yield Figure(f"memory of the {who} after the run", at_end[some], "MB")


def key_times(screen: RealScreen, count: int) -> Iterator[float]:
    """From the writing of a letter until it is on the screen; each is erased again. At moments that know nothing of the frames."""
    chance = random.Random(1)
    for number in range(count):
        letter = chr(ord("A") + number % 26)
        time.sleep(chance.uniform(0.05, 0.25))
        pressed_s = time.monotonic()
        screen.press(letter)
        yield screen.until(lambda terminal, wanted=f"Number {letter}": wanted in terminal.rows[0]) - pressed_s  # type: ignore[misc]
        screen.press(ERASE)
        screen.until(lambda terminal: "Number" not in terminal.rows[0])


def verdict_times() -> Iterator[Figure]:
    """Quick tests of several units."""
    times: list[tuple[Deciding, float]] = []
    with tempfile.TemporaryDirectory() as name, BoardProcess(Path(name), ADDRESS.format(1)) as board:
        keep = Path(name) / "records"
        keep.mkdir()
        choose(keep, procedure="quick")
        with RealScreen(str(board.device), keep) as screen:
            screen.until("SIMULATED")
            for number in range(VERDICTS):
                begin(screen, f"unit {number}")
                shown_s = screen.until(shows_verdict, 40.0)
                _, capture = kept(keep)
                times.append((deciding(capture), shown_s))
                press_again(screen)
                screen.until("Scan or type")
            screen.press(F[12])
            screen.ended()
    to_screen = [shown_s - one.sample_s for one, shown_s in times]
    to_decision = [one.off_s - one.sample_s for one, _ in times]
    yield Figure(f"deciding sample to decision, median of {len(times)}", 1e3 * statistics.median(to_decision), "ms")
    yield Figure(f"deciding sample to verdict, median of {len(times)}", 1e3 * statistics.median(to_screen), "ms")
    yield Figure("deciding sample to verdict, worst", 1e3 * max(to_screen), "ms", 200.0)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--minutes", type=float, default=2.0, help="length of the live stream (default 2)")
    parser.add_argument("--day", action="store_true", help="50 units with 10 pulled cables, instead")
    parser.add_argument("--units", type=int, default=50, help="units of the day (default 50)")
    given = parser.parse_args()
    parts = (day(given.units),) if given.day else (start_times(), verdict_times(), live(given.minutes))
    missed = 0
    print(f"{'':<52} {'asked':<22} {'got':>9}")
    for part in parts:
        for figure in part:
            missed += not figure.held
            print(figure, flush=True)
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main())
