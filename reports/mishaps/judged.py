"""What came of a mishap: what the board did, what became of record and capture, and whether the next start works."""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

from bench.board import REPLY_S
from bench.cli import exit_codes
from bench.errors import RecordError
from bench.outcome import Outcome
from bench.ports.replay import HEARTBEAT, read_capture
from bench.record import TestRecord
from bench.record_json import from_json
from reports.mishaps.kinds import KILL, Mishap, Seen
from reports.mishaps.programs import makebreak, test_arguments, wait_or_kill
from reports.watched_board import WatchedBoard

OPEN_S = 1.1
"""A board opens everything by itself after a second of silence, and takes a tenth of it to notice."""
OPENING = (b"*RST", b"OUTP OFF")
"""What may be said first after a signal; a question or a heartbeat may be under way, or said before the system delivers the signal."""


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


def judge_board(board: WatchedBoard, seen: Seen, mishap: Mishap, tally: Tally) -> Iterator[str]:
    """What is wrong with what the board saw."""
    if seen.code in (exit_codes.NOT_GOOD, exit_codes.NOT_FOR_LOAD):
        yield f"it left with {seen.code}, which charges the unit"
    if not board.is_all_open:
        yield "something is closed"
    if not mishap.ends and (seen.stood_s < OPEN_S or not board.was_on(seen.at_s)):
        return  # what stands still for so short a time may go on
    on_s = board.on_after(seen.at_s)
    if on_s > 0.0:
        tally.while_on += 1
    tally.longest_on_s = max(tally.longest_on_s, on_s)
    tally.longest_end_s = max(tally.longest_end_s, seen.ended_s - seen.at_s)
    if on_s > OPEN_S:
        yield f"lamps were on for another {on_s:.3f} s"
    if mishap.ends and mishap is not KILL and on_s > 0.0:
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
        if record.outcome in (Outcome.NOT_GOOD, Outcome.NOT_FOR_LOAD):
            yield f"the record charges the unit: {record.conclusion.reason}"
        capture = path.with_suffix(".capture")
        if was_on and not any(True for _ in read_capture(capture)):
            yield "nothing is in the capture"


def next_start_works(board: WatchedBoard, folder: Path, name: str) -> str:
    """Empty if an undisturbed test comes to its end, as if nothing had been."""
    board.line.stood_s = 0.0
    process = makebreak(*test_arguments(board, folder, name))
    _, err = wait_or_kill(process)
    if process.returncode not in (0, 3):
        record = folder / f"{name}.json"
        why = read(record).reason if record.exists() else err.strip()[-300:]
        stood = f"the report's own board stood still for {board.line.stood_s:.2f} s at the most"
        said = f"the next start left with {process.returncode}: {why} ({stood})"
        if process.returncode == exit_codes.BENCH_FAULT and board.line.stood_s > REPLY_S:
            print(f"does not count, since the board was late indeed: {said}", file=sys.stderr, flush=True)
            return ""
        return said
    return "" if read(folder / f"{name}.json").interrupted is None else "the next test was broken off"


def read(path: Path) -> TestRecord:
    return from_json(path.read_text(encoding="utf-8"), path.name)
