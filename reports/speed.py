"""How fast the line is, in ratios that are measured in one run; times are of the processor, medians of several repeats.

    python -m reports.speed

The first ratio is against `reports/plain_script.py`, which computes the same values from the same bytes; both are run in turn, so that
whatever else the machine does meets both. How long `makebreak --help` takes is another script: `reports/startup.py`.
"""

from __future__ import annotations

import random
import subprocess
import sys
import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import median
from typing import TypeVar

from bench.analysis import Analysis
from bench.api import test as quick_test
from bench.description import BoardDescription
from bench.files import read
from bench.limits import LimitSet, parse_limit_set
from bench.measure import QUANTITIES, Conditions, Measured
from bench.simboard.board import SimulatedBoard
from bench.simboard.units import nominal
from bench.simboard.world import World
from bench.uncertainty import Estimate
from bench.verdict import judge
from bench.wire import Decoder, EventFrame, SampleFrame
from reports import plain_script

Reads = list[tuple[bytes, float]]
Arrived = list[tuple[list[SampleFrame | EventFrame], float]]
T = TypeVar("T")

SECONDS = 60.0
REPEATS = 7
REST_S, SETTLE_S = 0.5, 0.1
HOST_READ_S = (0.05, 0.05)  # as the session reads
SERIAL_READ_S = (0.004, 0.020)  # as a serial driver hands bytes over
LOOKS_PER_S = 4
LOADS = (1, 2)
CONDITIONS = Conditions(12.0, (21.0, 21.0))
JUDGED_BY = ("un-r48", "us-turn-open")
TEST = (sys.executable, "-m", "bench", "test", "sim://bench-nc-2x21")


@dataclass(frozen=True)
class Capture:
    """What a host received, read by read with its time, s; and what the board says of itself."""

    description: BoardDescription
    reads: Reads


def simulated(seconds: float, read_s: tuple[float, float], *, kind: str = "NC", seed: int = 1) -> Capture:
    """A good unit with two 21 W lamps on the simulated board: half a second of rest, then on until the end."""
    board = SimulatedBoard(World(nominal(kind), seed=seed, rated_loads=LOADS), seed=seed)
    reads: Reads = []
    lengths = random.Random(seed)

    def live(span_s: float) -> None:
        until_s = board.now_s + span_s
        while board.now_s < until_s - 1e-9:
            data = board.advance(min(lengths.uniform(*read_s), until_s - board.now_s))
            reads.append((data, board.now_s))
            board.receive(b"SYST:BEAT\n")

    board.receive(b"SENS:VOLT:RANG 17\nINIT\n")
    live(REST_S)
    board.receive(f"ROUT:CLOS (@{','.join(map(str, LOADS))})\n".encode())
    live(SETTLE_S)
    board.receive(b"OUTP ON\n")
    live(seconds - REST_S - SETTLE_S)
    return Capture(board.description, reads)


def arrived(reads: Reads) -> Arrived:
    """The frames of each read."""
    decoder = Decoder()
    return [([p for p in decoder.feed(data) if isinstance(p, SampleFrame | EventFrame)], now_s) for data, now_s in reads]


def measured(description: BoardDescription, frames: Arrived) -> Measured:
    """All measurements of frames that have arrived."""
    analysis = Analysis(description, CONDITIONS)
    for pieces, now_s in frames:
        analysis.feed(pieces, now_s)
    return analysis.measured()


def watched(capture: Capture, limits: Sequence[LimitSet]) -> int:
    """The stream as a live bench takes it: decoded, cut into cycles, and measured and judged four times a second; verdicts given."""
    decoder, analysis = Decoder(), Analysis(capture.description, CONDITIONS)
    look_s, verdicts = 0.0, 0
    for data, now_s in capture.reads:
        analysis.feed([p for p in decoder.feed(data) if isinstance(p, SampleFrame | EventFrame)], now_s)
        if now_s >= look_s:
            look_s += 1.0 / LOOKS_PER_S
            verdicts += sum(len(judge(analysis.measured(), one)) for one in limits) if analysis.latest else 0
    return verdicts


@dataclass(frozen=True)
class Agreement:
    """One quantity by both ways. `allowed`: U95 of the one and two standard uncertainties of the other, as independent."""

    name: str
    ours: Estimate
    plain: float
    plain_u: float

    @property
    def allowed(self) -> float:
        return float((self.ours.expanded() ** 2 + (2.0 * self.plain_u) ** 2) ** 0.5)

    @property
    def holds(self) -> bool:
        return bool(abs(self.ours.value - self.plain) <= self.allowed)


def agreements(ours: Measured, plain: dict[str, tuple[float, float]]) -> list[Agreement]:
    """Every quantity that either way measured. ValueError if one has what the other lacks."""
    values = {name: value for name, value in ours.values.items() if isinstance(value, Estimate)}
    if values.keys() != plain.keys():
        raise ValueError(f"only one of the two ways measured {sorted(values.keys() ^ plain.keys())}")
    return [Agreement(name, value, *plain[name]) for name, value in values.items()]


def table(rows: Iterable[Agreement]) -> str:
    lines = [f"{'quantity':<22} {'unit':<9} {'line':>12} {'U95':>10} {'plain':>12} {'u (A)':>10}"]
    for row in rows:
        lines.append(
            f"{row.name:<22} {QUANTITIES[row.name].unit:<9} {row.ours.value:>12.6g} {row.ours.expanded():>10.2g} "
            f"{row.plain:>12.6g} {row.plain_u:>10.2g}{'' if row.holds else '  APART'}"
        )
    return "\n".join(lines)


def timed(*works: Callable[[], object], repeats: int = REPEATS) -> list[float]:
    """Median processor time of each, s; in turn, after one round that does not count."""
    for work in works:
        work()
    found: list[list[float]] = [[] for _ in works]
    for _ in range(repeats):
        for work, times in zip(works, found, strict=True):
            began = time.process_time()
            work()
            times.append(time.process_time() - began)
    return [median(times) for times in found]


def elapsed(work: Callable[[], object], repeats: int = REPEATS) -> float:
    """Median time by the clock on the wall, s, after once that does not count."""
    work()
    marks = [time.perf_counter()]
    for _ in range(repeats):
        work()
        marks.append(time.perf_counter())
    return median(b - a for a, b in pairwise(marks))


def against_plain() -> None:
    capture = simulated(SECONDS, HOST_READ_S)
    frames, rows = arrived(capture.reads), plain_script.decode(capture.reads)
    ours, plain, ours_frames, plain_frames = timed(
        lambda: measured(capture.description, arrived(capture.reads)),
        lambda: plain_script.measure(plain_script.decode(capture.reads)),
        lambda: measured(capture.description, frames),
        lambda: plain_script.measure(rows),
    )
    values, _ = plain_script.measure(rows)
    compared = agreements(measured(capture.description, frames), values)
    size = sum(len(data) for data, _ in capture.reads)
    print(f"1. All measurements of a capture of {SECONDS:.0f} s, {size / 1e6:.2f} MB, {sum(len(f) for f, _ in frames)} frames")
    print(table(compared))
    apart = [row.name for row in compared if not row.holds]
    print(f"   apart by more than their uncertainties: {', '.join(apart) if apart else 'none'} of {len(compared)}")
    print(f"   from bytes:  line {ours * 1e3:.0f} ms, plain script {plain * 1e3:.0f} ms: {plain / ours:.1f} times faster")
    print(
        f"   from frames: line {ours_frames * 1e3:.0f} ms, plain script {plain_frames * 1e3:.0f} ms: "
        f"{plain_frames / ours_frames:.1f} times faster"
    )


def live() -> None:
    limits = [parse_limit_set(*read("limits", name)) for name in JUDGED_BY]
    capture = simulated(SECONDS, SERIAL_READ_S)
    size = sum(len(data) for data, _ in capture.reads)
    watching, decoding = timed(lambda: watched(capture, limits), lambda: arrived(capture.reads))
    count = sum(len(frames) for frames, _ in arrived(capture.reads))
    print(
        f"2. Live stream of {size / SECONDS / 1e3:.0f} kB/s in {len(capture.reads)} reads, {watched(capture, limits)} verdicts: "
        f"{watching / SECONDS * 100:.2f} % of a core"
    )
    print(f"5. Decoder: {decoding / count * 1e6:.1f} us a frame in such reads")


def simulation() -> None:
    for read_s, text in ((HOST_READ_S, "as the session reads"), (SERIAL_READ_S, "as a serial driver hands over")):
        took = timed(lambda read_s=read_s: simulated(SECONDS / 3.0, read_s), repeats=3)[0]  # type: ignore[misc]
        print(f"3. Simulated board with its bytes, reads of {read_s[0] * 1e3:.0f} to {read_s[1] * 1e3:.0f} ms ({text}): "
              f"{SECONDS / 3.0 / took:.0f} times real time")


def quick() -> None:
    process = elapsed(lambda: subprocess.run(TEST, check=False, stdout=subprocess.DEVNULL), repeats=5)
    inside = elapsed(lambda: quick_test("sim://bench-nc-2x21"), repeats=5)
    print(f"4. Quick test in virtual time: {process:.2f} s the whole process (python -m bench test sim://bench-nc-2x21), {inside:.2f} s in a running Python")


def main() -> None:
    against_plain()
    live()
    simulation()
    quick()


if __name__ == "__main__":
    main()
