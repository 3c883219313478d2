"""A day's work in real time by the real program: units one after another, and cables that are pulled at random moments.

All units are good ones, so that a NOT GOOD, whatever becomes of the cable, would be a false one.
"""

from __future__ import annotations

import random
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

from bench.outcome import Outcome
from bench.record import TestRecord
from reports.figure import Figure
from reports.process_load import memory_mb
from reports.real_board import BoardProcess
from reports.real_screen import F, RealScreen
from reports.screen_work import choose, kept, press_again, shows_verdict

PULLS = 10
GOOD = ("bench-nc-2x21", "bench-el-plain", "bench-hw-plain", "bench-el-two")
"""What stands in the socket; another one after each pulled cable."""
EARLY = 10
"""After so many units everything that is made once has been made: from then on memory is to stay."""
_LATEST_S = 7.5
_MOST_GROWTH_MB = 10.0


@dataclass
class Tally:
    """What has become of the units so far. `wrong`: what is no honest outcome, in words."""

    outcomes: Counter[Outcome] = field(default_factory=Counter)
    wrong: list[str] = field(default_factory=list)

    def take(self, record: TestRecord, unit: str, pulled: bool) -> None:
        outcome = record.outcome
        self.outcomes[outcome] += 1
        allowed = outcome is Outcome.GOOD or (pulled and outcome is Outcome.BENCH_FAULT)
        if not allowed or record.unit != unit or not record.reason:
            self.wrong.append(f"{record.unit}: {outcome.value}: {record.reason}")


def day(units: int, seed: int = 1) -> Iterator[Figure]:
    """The outcomes and the memory of so many units. A unit whose test was broken off is tested again."""
    chance = random.Random(seed)
    pulls = set(chance.sample(range(units), min(PULLS, units)))
    tally, memory = Tally(), []
    with tempfile.TemporaryDirectory() as name, BoardProcess(Path(name), f"sim://{GOOD[0]}?seed={seed}") as board:
        keep = Path(name) / "records"
        keep.mkdir()
        choose(keep, "quick")
        with RealScreen(str(board.device), keep) as screen:
            screen.until("SIMULATED")
            pids = (screen.process.pid, screen.station)
            for number in range(units):
                unit = f"unit {number + 1}"
                pull_s = chance.uniform(0.0, _LATEST_S) if number in pulls else None
                record = tested(screen, board, keep, unit, pull_s)
                tally.take(record, unit, pull_s is not None)
                if pull_s is not None:
                    press_again(screen)
                    screen.until("NO BOARD")
                    board.plug(f"sim://{chance.choice(GOOD)}?seed={number}")
                    if record.interrupted is not None:
                        tally.take(tested(screen, board, keep, unit, None), unit, False)
                memory.append([memory_mb(pid) for pid in pids])
            same = (screen.process.pid, screen.station) == pids
            screen.press(F[12])
            screen.ended()
        files = len(list(keep.rglob("[0-9]*.json")))
    for line in tally.wrong:
        print(f"  not honest: {line}", file=sys.stderr)
    yield Figure("units tested in a row", float(units), "")
    yield Figure("cables pulled", float(len(pulls)), "")
    for outcome, count in sorted(tally.outcomes.items()):
        yield Figure(f"  outcome: {outcome.value}", float(count), "")
    yield Figure("outcomes that are not honest", float(len(tally.wrong)), "", 0.0)
    yield Figure("records kept", float(files), "", float(tally.outcomes.total()), least=True)
    yield Figure("programs that had to be started again", float(not same), "", 0.0)
    early = min(EARLY, units) - 1
    for some, who in enumerate(("screen", "station")):
        yield Figure(f"memory of the {who} after {early + 1} units", memory[early][some], "MB")
        yield Figure(f"memory of the {who} at the end", memory[-1][some], "MB", round(memory[early][some] + _MOST_GROWTH_MB, 1))


def tested(screen: RealScreen, board: BoardProcess, keep: Path, unit: str, pull_s: float | None) -> TestRecord:
    """The record of a test of this unit, whose cable is pulled so long after its start, if at all."""
    screen.until("SIMULATED")
    screen.scan(unit)
    screen.until("Enter starts")
    press_again(screen)
    began_s = time.monotonic()
    if pull_s is not None:
        time.sleep(pull_s)
        board.unplug()
    screen.until(shows_verdict, 30.0)
    record, _ = kept(keep)
    time.sleep(0.5)  # until then what is scanned is the number that comes after this test
    pulled = "" if pull_s is None else f"pulled after {pull_s:.1f} s"
    print(f"  {unit:<8} {record.outcome.value:<16} {time.monotonic() - began_s:5.1f} s  {pulled}", file=sys.stderr)
    return record
