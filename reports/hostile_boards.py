"""Hostile and sick boards drawn at random, each with a unit to test: does the host survive them, and is nothing said that is not so?

Run: python -m reports.hostile_boards [--boards 500] [--first 1] [--family NAME] [--only SEED] [--jobs 1] [--screen]
It forks, so it needs Linux or macOS.

A seed draws a board (a family of mischief and its numbers), a unit and a procedure. `makebreak test` runs on it in virtual time, in a child
of this process, and so does the same unit on an honest board. Wanted of every board:

- no error of the program; less than 60 s of the processor, and less than 200 MB;
- GOOD and NOT GOOD only where it is said on the honest board too, of the same things, with values that agree within their uncertainties;
- everything open within 1.1 s after the test, or after the moment at which the board became one that no host can work with, as far as it
  obeys.

What is anything else is told with its seed, and the exit code is 1.
"""

from __future__ import annotations

import contextlib
import io
import logging
import math
import multiprocessing
import random
import resource
import sys
import time
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from multiprocessing.connection import Connection, wait
from typing import Any

import click

from bench import files
from bench.errors import SetupError
from bench.outcome import Outcome
from bench.ports.address import parse_sim_address
from bench.ports.simulated import open_line
from bench.record import TestRecord
from bench.record_json import from_json, to_json
from bench.render.brief import brief_lines
from bench.render.report import report_text
from bench.session import run_test
from bench.setup import Setup
from bench.uncertainty import Estimate
from bench.verdict import Conformity
from reports.hostile_frames import FRAMES, Maker
from reports.hostile_itself import ITSELF
from reports.hostile_port import HostileLine, HostilePort, Mischief
from reports.hostile_screen import shown
from reports.hostile_words import WORDS

MOST_S, MOST_MB, OPEN_S = 60.0, 200.0, 1.1
_LONGEST_S = 900.0  # of virtual time; an honest test takes 100 s at most
_MEMORY_AT_ALL = 3 << 30
_HUNG_S = 600.0  # on the wall: what neither computes nor ends
UNITS: Mapping[str, str] = {
    "good": "bench-nc-2x21", "good, electronic": "bench-el-plain", "good, hot wire": "bench-hw-hold", "slow": "bench-nc-slow",
    "dead": "bench-nc-2x21&fault=heater-open", "welded": "bench-nc-welded",
}  # fmt: skip
FAMILIES: Mapping[str, tuple[Maker, ...]] = {**FRAMES, **WORDS, **ITSELF}
MIXED = "two at once"
NAMES = (*FAMILIES, MIXED)


@dataclass(frozen=True)
class Board:
    """One board drawn by its seed, and what is tested on it; `mischiefs` are of this one and can be used once."""

    seed: int
    family: str
    unit: str
    address: str
    procedure: str
    mischiefs: tuple[Mischief, ...]

    @property
    def text(self) -> str:
        return "; ".join(m.text for m in self.mischiefs)


def drawn(seed: int) -> Board:
    """The board of this seed."""
    family = NAMES[seed % len(NAMES)]
    rng = random.Random(seed)
    unit = rng.choice(list(UNITS))
    name, _, fault = UNITS[unit].partition("&")
    address = f"sim://{name}?seed={rng.randrange(1, 4)}" + (f"&{fault}" if fault else "")
    procedure = rng.choice(("quick", "quick", "quick", "quick", "decide"))
    makers = [rng.choice(FAMILIES[one]) for one in (rng.sample(list(FAMILIES), 2) if family == MIXED else [family])]
    return Board(seed, family, unit, address, procedure, tuple(maker(rng) for maker in makers))


@dataclass(frozen=True)
class Said:
    """What a test said, in plain values: outcome, sentence, limits that failed, what a grade rule charged, judged values with U."""

    outcome: str
    reason: str
    charged: frozenset[str] = frozenset()
    values: Mapping[str, tuple[float, float]] = field(default_factory=dict)


@dataclass(frozen=True)
class Came:
    """What came of one board. `crash`: an error of the program, or a child that was ended; `closed_s`: how long loads stayed closed after
    the test or the break, None if for ever."""

    said: Said | None = None
    crash: str = ""
    lasted_s: float = 0.0
    memory_mb: float = 0.0
    virtual_s: float = 0.0
    endless: bool = False
    closed_s: float | None = 0.0


def tried(board: Board, *, honest: bool = False) -> Came:
    """Test the unit of this board in this process, on the board or, if `honest`, on one without its mischief."""
    line = HostileLine(open_line(parse_sim_address(board.address)), () if honest else board.mischiefs, _LONGEST_S)
    setup = Setup(board.unit, rating_known=True, limits=(files.named_limits("un-r48"),), grade_rule=files.grade_rule())
    said, crash = None, ""
    memory_kb, began_s = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss, time.process_time()
    try:
        record = run_test(HostilePort(line), files.procedure(board.procedure), setup, when="2026-01-01T00:00:00+00:00", software="")
        said, crash = _said(record), _contradicts(record)
    except SetupError as error:
        said, crash = Said("set-up refused", str(error)), "" if _is_line(str(error)) else f"not one line: {str(error)!r}"
    except Exception as error:
        crash = f"{type(error).__name__} out of run_test: {error} ({_place(error)})"
    lasted_s, virtual_s = time.process_time() - began_s, line.now_s
    grown_mb = (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - memory_kb) / (1024.0**2 if sys.platform == "darwin" else 1024.0)
    line.let_go(1.5 * OPEN_S)
    closed_s = line.open_after(virtual_s)
    if line.broke_s is not None and closed_s is not None:
        closed_s = max(closed_s, line.open_after(line.broke_s) or 0.0)
    return Came(said, crash, lasted_s, grown_mb, virtual_s, line.endless, closed_s)


def _said(record: TestRecord) -> Said:
    failed = {f"{v.limit_set}: {v.limit.title or v.limit!r}: {v.by_fact}" for v in record.verdicts if v.conformity is Conformity.FAIL}
    grade = record.conclusion.grade
    graded = frozenset(grade.charged) if grade is not None and record.outcome is Outcome.NOT_GOOD else frozenset()
    names = {getattr(v.limit, "quantity", "") for v in record.verdicts}
    values = {
        name: (found.value, found.expanded())
        for name, found in record.measured.values.items()
        if name in names and isinstance(found, Estimate)
    }
    return Said(record.outcome.value, record.reason, frozenset(failed) | graded, values)


def _contradicts(record: TestRecord) -> str:
    """What is wrong with a record by itself: an error of the program, a text of several lines, one that can't be shown or read back."""
    for fault in (*record.bench_faults, *record.measured.bench_faults):
        if fault.code == "program":
            return f"{fault.text} ({_Kept.place})"
    for text in (record.reason, record.interrupted or "", *(f.text for f in record.bench_faults), *record.notes):
        if not _is_line(text):
            return f"not one line: {text!r}"
    try:
        with contextlib.redirect_stdout(io.StringIO()):
            shown = "\n".join((*brief_lines(record), report_text(record)))
        again = from_json(to_json(record))
    except Exception as error:
        return f"{type(error).__name__} from showing or keeping the record: {error} ({_place(error)})"
    if not all(c.isprintable() or c == "\n" for c in shown):
        return f"the report holds {sorted({c for c in shown if not c.isprintable() and c != chr(10)})!r}"
    return "" if again.conclusion == record.conclusion else "its JSON says something else"


def _is_line(text: str) -> bool:
    return text.isprintable() and len(text) < 600


def _place(error: BaseException) -> str:
    """File and line where an error came from, the innermost of this package."""
    places, trace = [], error.__traceback__
    while trace is not None:
        name = trace.tb_frame.f_code.co_filename
        if "/bench/" in name:
            places.append(f"{name[name.rindex('/bench/') + 1 :]}:{trace.tb_lineno}")
        trace = trace.tb_next
    return " < ".join(reversed(places[-3:]))


class _Kept(logging.Handler):
    """Keeps where the last error that the program logged came from."""

    place = ""

    def emit(self, record: logging.LogRecord) -> None:
        if record.exc_info is not None and record.exc_info[1] is not None:
            _Kept.place = _place(record.exc_info[1])


# --- many boards, each in a child


def _child(seed: int, honest: bool, to: Connection) -> None:
    logging.getLogger().handlers = [_Kept()]
    with contextlib.suppress(ValueError):
        resource.setrlimit(resource.RLIMIT_AS, (_MEMORY_AT_ALL, _MEMORY_AT_ALL))
        resource.setrlimit(resource.RLIMIT_CPU, (int(1.5 * MOST_S),) * 2)
    try:
        to.send(tried(drawn(seed), honest=honest))
    except Exception as error:
        to.send(Came(crash=f"{type(error).__name__} in this report: {error}"))


class Children:
    """Tests boards in children of this process, some at a time, and ends those that take too long."""

    def __init__(self, jobs: int) -> None:
        self._jobs = jobs
        self._fork = multiprocessing.get_context("fork")

    def results(self, seeds: Sequence[tuple[int, bool]]) -> Iterator[tuple[tuple[int, bool], Came]]:
        """What came of each seed, hostile or honest, as they end."""
        left, running = list(reversed(seeds)), dict[Any, tuple[tuple[int, bool], multiprocessing.context.ForkProcess, float]]()
        while left or running:
            while left and len(running) < self._jobs:
                case = left.pop()
                mine, theirs = self._fork.Pipe(duplex=False)
                process = self._fork.Process(target=_child, args=(*case, theirs), daemon=True)
                process.start()
                theirs.close()
                running[mine] = case, process, time.monotonic()
            ready = wait(list(running), 0.5)
            for pipe, (case, process, began_s) in list(running.items()):
                if pipe in ready:
                    try:
                        came = pipe.recv()
                    except EOFError:
                        came = Came(crash="its process was ended for the time or the memory that it took", lasted_s=math.inf)
                elif time.monotonic() - began_s > _HUNG_S:
                    process.kill()
                    came = Came(crash="it hung", lasted_s=math.inf)
                else:
                    continue
                process.join()
                pipe.close()
                del running[pipe]
                yield case, came


def before_the_screen(seeds: Sequence[int]) -> Iterator[tuple[tuple[int, bool], Came]]:
    """What came of the boards of these seeds in front of the bench screen."""
    for seed in seeds:
        board, began_s = drawn(seed), time.monotonic()
        seen = shown(board.address, board.mischiefs)
        said = _said(seen.record) if seen.record is not None else Said("no board" if "NO BOARD" in seen.text else "no test", "")
        crash = seen.wrong or ("" if seen.record is None else _contradicts(seen.record))
        yield (seed, False), Came(said, crash, virtual_s=time.monotonic() - began_s, closed_s=seen.closed_s)


def wrong(came: Came, honest: Came) -> dict[str, str]:
    """What is wrong with what came, by the column of the table."""
    found = {}
    if came.crash:
        found["crash"] = came.crash
    if came.said is not None and honest.said is not None:
        found |= _said_wrongly(came.said, honest.said)
    if came.memory_mb > MOST_MB:
        found["memory"] = f"{came.memory_mb:.0f} MB"
    if came.lasted_s > MOST_S or came.endless:
        found["time"] = f"{came.lasted_s:.0f} s, {came.virtual_s:.0f} s for the board"
    if came.closed_s is None or came.closed_s > OPEN_S:
        found["closed"] = "for ever" if came.closed_s is None else f"for {came.closed_s:.2f} s"
    return found


_CHARGES = (Outcome.NOT_GOOD.value, Outcome.NOT_FOR_LOAD.value)


def _itself(value: float) -> float:
    """How much otherwise a unit may do a thing that was switched on some moments earlier or once more before: 1 %, or a tenth of a ms."""
    return max(0.01 * abs(value), 1e-4)


def _said_wrongly(said: Said, honest: Said) -> dict[str, str]:
    if said.outcome not in (Outcome.GOOD.value, *_CHARGES):
        return {}
    kind = "wrong pass" if said.outcome == Outcome.GOOD.value else "charged"
    if said.outcome != honest.outcome or not said.charged <= honest.charged:
        return {kind: f"{said.reason} (honest: {honest.reason})"}
    off = [
        f"{name} {value:.4g} +- {u:.2g}, not {honest.values[name][0]:.4g} +- {honest.values[name][1]:.2g}"
        for name, (value, u) in said.values.items()
        if name in honest.values and not abs(value - honest.values[name][0]) <= u + honest.values[name][1] + _itself(value)
    ]
    return {"value off": "; ".join(off)} if off else {}


COLUMNS = ("crash", "wrong pass", "charged", "value off", "memory", "time", "closed")


def print_table(results: Mapping[int, tuple[Board, Came, dict[str, str]]]) -> None:
    print(f"{'family':<16} {'boards':>6} {' '.join(f'{c:>10}' for c in COLUMNS)}  most MB  slowest s  closed s  outcomes")
    for name in (*NAMES, "all"):
        mine = [result for result in results.values() if name in (result[0].family, "all")]
        if mine:
            counts = " ".join(f"{sum(column in found for *_, found in mine):>10}" for column in COLUMNS)
            all_came = [one for _, one, _ in mine]
            said = [one.said.outcome for one in all_came if one.said is not None]
            print(
                f"{name:<16} {len(mine):>6} {counts}  {max(c.memory_mb for c in all_came):>7.0f}  {max(c.lasted_s for c in all_came):>9.1f}"
                f"  {max((c.closed_s or 0.0) for c in all_came):>8.2f}  {', '.join(f'{said.count(o)} {o}' for o in sorted(set(said)))}"
            )
    for _, (board, _, found) in sorted(results.items()):
        for column, text in found.items():
            print(f"{column}: {_told(board, text)}")


def _told(board: Board, text: str) -> str:
    return f"seed {board.seed}, {board.family}, {board.unit} ({board.procedure}): {text}\n    {board.text}"


def seeds_of(family: str | None, first: int, count: int) -> list[int]:
    """So many seeds from the first on; only those whose board is of this family, if one is given."""
    found = (seed for seed in range(first, first + count * len(NAMES)) if family is None or NAMES[seed % len(NAMES)] == family)
    return [seed for seed, _ in zip(found, range(count), strict=False)]


@click.command()
@click.option("--boards", default=500, show_default=True)
@click.option("--first", default=1, show_default=True, metavar="SEED")
@click.option("--family", type=click.Choice(NAMES))
@click.option("--only", type=int, metavar="SEED", help="This board alone, with all that it came to.")
@click.option("--jobs", default=1, show_default=True)
@click.option("--screen", is_flag=True, help="In real time before the bench screen in a pseudo-terminal, one after the other.")
def main(boards: int, first: int, family: str | None, only: int | None, jobs: int, screen: bool) -> None:
    seeds = [only] if only is not None else seeds_of(family, first, boards)
    units = {(b.address, b.procedure): b.seed for b in map(drawn, seeds)}
    tried(drawn(seeds[0]), honest=True)  # imports everything, so that no child waits for it
    children = Children(jobs)
    honest = {seed: came for (seed, _), came in children.results([(seed, True) for seed in units.values()])}
    results = {}
    all_came = before_the_screen(seeds) if screen else children.results([(seed, False) for seed in seeds])
    for (seed, _), came in all_came:
        board = drawn(seed)
        found = wrong(came, honest[units[board.address, board.procedure]])
        results[seed] = board, came, found
        for column, text in found.items():
            print(f"\r{column}: {_told(board, text)}", file=sys.stderr)
        print(f"\r{len(results)} of {len(seeds)} boards, {sum(bool(f) for *_, f in results.values())} wrong", end="", file=sys.stderr)
        if only is not None:
            print(f"\n{board}\n{board.text}\n{came}\nhonest: {honest[units[board.address, board.procedure]]}")
    print(file=sys.stderr)
    print_table(results)
    sys.exit(any(found for *_, found in results.values()))


if __name__ == "__main__":
    main()
