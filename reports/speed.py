"""How fast the line is, in ratios that are measured in one run; times are of the processor, medians of several repeats.

    python -m reports.speed

The first ratio is against `reports/plain_script.py`, which computes the same values from the same bytes; both are run in turn, so that
whatever else the machine does meets both. How long `makebreak --help` takes is another script: `reports/startup.py`.
"""

from __future__ import annotations

import random
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from statistics import median

from bench.analysis import Analysis
from bench.api import test as quick_test
from bench.description import BoardDescription
from bench.files import grade_rule, named_limits, procedure, read
from bench.judging import judge_capture
from bench.judging.captures import read_runs
from bench.limits import LimitSet, parse_limit_set
from bench.measure import QUANTITIES, Conditions, Measured
from bench.ports.opening import open_port
from bench.ports.replay import RECEIVED, read_capture
from bench.ports.simulated import SimulatedLine
from bench.session import run_test
from bench.setup import Setup
from bench.simboard.board import SimulatedBoard
from bench.simboard.units import MECHANISMS, nominal
from bench.simboard.world import World
from bench.uncertainty import Estimate
from bench.verdict import judge
from bench.wire import Decoder, EventFrame, SampleFrame
from reports import plain_script

Reads = list[tuple[bytes, float]]
Arrived = tuple[list[SampleFrame | EventFrame], float]

SECONDS = 60.0
REPEATS = 7
REST_S, SETTLE_S = 0.5, 0.1
READ_S = (0.004, 0.020)  # of the stream in each read, as a serial driver hands it over
SIMULATED_S, TIMEOUT_S, HEARTBEAT_S = 20.0, 0.05, 0.3
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


def bench_with(kind: str, seed: int) -> SimulatedBoard:
    """A good unit on the simulated board."""
    return SimulatedBoard(World(nominal(kind), seed=seed, rated_loads=LOADS), seed=seed)


def captured(seconds: float, *, kind: str = "NC", seed: int = 1) -> Capture:
    """What comes from a good unit with two 21 W lamps: half a second of rest, then on until the end."""
    board = bench_with(kind, seed)
    reads: Reads = []
    lengths = random.Random(seed)

    def live(span_s: float) -> None:
        until_s = board.now_s + span_s
        while board.now_s < until_s - 1e-9:
            data = board.advance(min(lengths.uniform(*READ_S), until_s - board.now_s))
            reads.append((data, board.now_s))
            board.receive(b"SYST:BEAT\n")

    board.receive(b"SENS:VOLT:RANG 17\nINIT\n")
    live(REST_S)
    board.receive(f"ROUT:CLOS (@{','.join(map(str, LOADS))})\n".encode())
    live(SETTLE_S)
    board.receive(b"OUTP ON\n")
    live(seconds - REST_S - SETTLE_S)
    return Capture(board.description, reads)


def decoded(reads: Reads) -> Iterator[Arrived]:
    """The frames of each read, as they come."""
    decoder = Decoder()
    for data, now_s in reads:
        yield [p for p in decoder.feed(data) if isinstance(p, SampleFrame | EventFrame)], now_s


def measured(description: BoardDescription, frames: Iterable[Arrived]) -> Measured:
    """All measurements of frames, each read's with its time."""
    analysis = Analysis(description, CONDITIONS)
    for pieces, now_s in frames:
        analysis.feed(pieces, now_s)
    return analysis.measured()


def limits() -> list[LimitSet]:
    """Those by which the live stream is judged."""
    return [parse_limit_set(*read("limits", name)) for name in JUDGED_BY]


def watched(capture: Capture, sets: Sequence[LimitSet]) -> int:
    """The stream as a live bench takes it: decoded, cut into cycles, and measured and judged four times a second; verdicts given."""
    analysis = Analysis(capture.description, CONDITIONS)
    look_s, verdicts = 0.0, 0
    for frames, now_s in decoded(capture.reads):
        analysis.feed(frames, now_s)
        if now_s >= look_s:
            look_s += 1.0 / LOOKS_PER_S
            verdicts += sum(len(judge(analysis.measured(), one)) for one in sets) if analysis.latest else 0
    return verdicts


def simulated(kind: str) -> int:
    """`SIMULATED_S` of a bench through its port in virtual time, as a session drives it; bytes received."""
    line, count, next_s = SimulatedLine(bench_with(kind, 1)), 0, 0.0
    line.write(b"SENS:VOLT:RANG 17\nINIT\nROUT:CLOS (@1,2)\nOUTP ON\n")
    while line.now_s < SIMULATED_S:
        if line.now_s >= next_s:
            line.write(b"SYST:BEAT\n")
            next_s += HEARTBEAT_S
        count += len(line.read(TIMEOUT_S))
    return count


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


def against_plain(capture: Capture) -> None:
    frames, rows = list(decoded(capture.reads)), plain_script.decode(capture.reads)
    ours, plain, ours_frames, plain_frames = timed(
        lambda: measured(capture.description, decoded(capture.reads)),
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


def live(capture: Capture) -> None:
    sets = limits()
    size = sum(len(data) for data, _ in capture.reads)
    watching, decoding = timed(lambda: watched(capture, sets), lambda: list(decoded(capture.reads)))
    count = sum(len(frames) for frames, _ in decoded(capture.reads))
    print(
        f"2. Live stream of {size / SECONDS / 1e3:.0f} kB/s in {len(capture.reads)} reads, {watched(capture, sets)} verdicts: "
        f"{watching / SECONDS * 100:.2f} % of a core"
    )
    print(f"   decoding alone: {decoding / count * 1e6:.1f} us a frame")


def simulation() -> None:
    speeds = {kind: SIMULATED_S / timed(lambda kind=kind: simulated(kind), repeats=3)[0] for kind in MECHANISMS}  # type: ignore[misc]
    print(
        f"3. Simulated board with its bytes, through its port: {min(speeds.values()):.0f} times real time or more "
        f"({', '.join(f'{kind} {speed:.0f}' for kind, speed in speeds.items())})"
    )


def quick() -> None:
    process = elapsed(lambda: subprocess.run(TEST, check=False, stdout=subprocess.DEVNULL), repeats=5)
    inside = elapsed(lambda: quick_test("sim://bench-nc-2x21"), repeats=5)
    print(f"4. Quick test in virtual time, python -m bench {' '.join(TEST[3:])}: {process:.2f} s; in a running Python {inside:.2f} s")


def rejudged() -> None:
    """A capture of a quick test judged again, and where the time of that goes."""
    plan, setup = procedure("quick"), Setup("good", limits=(named_limits(JUDGED_BY[0]),), grade_rule=grade_rule())
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "quick.capture"
        with path.open("wb") as file:
            run_test(open_port("sim://bench-nc-2x21"), plan, setup, capture=file, when="", software="")
        received = [entry.payload for entry in read_capture(path) if entry.kind == RECEIVED]

        def decode() -> None:
            decoder = Decoder()
            for data in received:
                decoder.feed(data)

        whole, runs, entries, decoding = timed(
            lambda: judge_capture(path, setup, plan, when="", software=""), lambda: read_runs(path, setup, plan),
            lambda: list(read_capture(path)), decode, repeats=15,
        )  # fmt: skip
    parts = {"reading": entries, "decoding": decoding, "samples to values": runs - entries - decoding, "judging": whole - runs}
    shares = ", ".join(f"{name} {part / whole * 100:.0f} %" for name, part in parts.items())
    print(f"5. Re-judging captures per second and core: {1.0 / whole:.0f} ({whole * 1e3:.0f} ms for a quick test of {len(received)} reads)")
    print(f"   of that {shares}")


def main() -> None:
    capture = captured(SECONDS)
    against_plain(capture)
    live(capture)
    simulation()
    quick()
    rejudged()


if __name__ == "__main__":
    main()
