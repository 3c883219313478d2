"""Programs that drive a board, killed, stopped and starved at random moments: what the board did, and what became of the record.

`python -m reports.mishaps --kills 100 --series 50 --first 1`: so many SIGKILL and as many SIGTERM; so many series of 2 to 20 Ctrl-C, and
as many terminals that vanish (SIGHUP) and programs that are stopped for 0.3 to 5 s (SIGSTOP), shared between `makebreak test`, the station
and the screen; then every disk that is full (Linux, as root, which may mount small disks). The board is a simulated one in real time, in
this process, which logs what it is told and when its switches move; the programs are real.
"""

from __future__ import annotations

import argparse
import random
import signal
import sys
import tempfile
from collections.abc import Mapping
from pathlib import Path

from reports.mishaps.disks import full_disks, stuck_terminal
from reports.mishaps.judged import Tally, judge_board, judge_files, next_start_works
from reports.mishaps.kinds import MISHAPS, Mishap
from reports.mishaps.programs import PROCEDURE, PROGRAMS, SHARES, wait_until_open
from reports.watched_board import WatchedBoard

_NEXT_START = 4  # events from one next start to the one after
_OPEN_BY_ITSELF_S = 3.0


def one_event(board: WatchedBoard, folder: Path, program: str, mishap: Mishap, seed: int, tally: Tally) -> None:
    chance = random.Random(f"{program} {mishap.name} {seed}")
    name = f"{program}-{mishap.name.split()[0]}-{seed}"
    tally.events += 1
    switched, lines = len(board.line.switched), len(board.line.lines)
    try:
        seen = PROGRAMS[program](board, folder, name, mishap, chance)
    except AssertionError as error:
        tally.wrong.append(f"{name}: {error}")
        return
    finally:
        wait_until_open(board, _OPEN_BY_ITSELF_S)
    problems = list(judge_board(board, seen, mishap, tally))
    was_on = any(on for _, on in board.line.switched[switched:])
    problems += judge_files(folder, name, was_on, tally)
    tally.wrong += [f"{name}: {problem}" for problem in problems]
    del board.line.lines[:lines]


def events(board: WatchedBoard, folder: Path, counts: Mapping[str, int], first: int, tallies: dict[str, Tally]) -> None:
    """So many of each kind, in turn."""
    due = [(mishap, n) for n in range(max(counts.values())) for mishap in MISHAPS if n < counts[mishap.name]]
    for number, (mishap, n) in enumerate(due, 1):
        program = SHARES[n % len(SHARES)]
        tally = tallies.setdefault(f"{program} {mishap.name}", Tally())
        known = len(tally.wrong)
        one_event(board, folder, program, mishap, first + n, tally)
        if number % _NEXT_START == 0:
            tally.wrong += filter(None, [next_start_works(board, folder, f"next-{number}")])
        for text in tally.wrong[known:]:
            print(text, file=sys.stderr, flush=True)
        if number % _NEXT_START == 0:
            print(f"{number} of {len(due)} events, {sum(len(t.wrong) for t in tallies.values())} wrong", file=sys.stderr, flush=True)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--kills", type=int, default=30, metavar="N", help="SIGKILL, and as many SIGTERM")
    parser.add_argument("--series", type=int, default=20, metavar="N", help="series of 2 to 20 Ctrl-C, and as many SIGHUP and SIGSTOP")
    parser.add_argument("--first", type=int, default=1, metavar="SEED")
    parser.add_argument("--disks", action=argparse.BooleanOptionalAction, default=True)
    options = parser.parse_args()
    # What is started in the background of a shell ignores Ctrl-C, under nohup a closed terminal too, and so would all that is started here.
    signal.signal(signal.SIGINT, signal.default_int_handler)
    signal.signal(signal.SIGHUP, signal.SIG_DFL)
    wrong: list[str] = []
    with tempfile.TemporaryDirectory() as made, WatchedBoard() as board:
        folder = Path(made)
        (folder / "brief.toml").write_text(PROCEDURE)
        tallies: dict[str, Tally] = {}
        try:
            counts = {mishap.name: options.kills if mishap.name in ("SIGKILL", "SIGTERM") else options.series for mishap in MISHAPS}
            events(board, folder, counts, options.first, tallies)
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
