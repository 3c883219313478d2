"""How often the stated intervals hold the truth: random simulated units on random rigs, measured through the real bytes.

    python -m reports.truth --units 2000 --seed 1
    python -m reports.truth --steady 200          (units without scatter on zeroed rigs: the errors themselves)

Each unit is drawn with the spread of its kind, its load, supply and ambient at random; each rig has hidden gains, offsets, linearity and
a clock drawn from the very uncertainties that its description states, 10-bit counts and noise; the host's clock too is off. The truth is
the physics': for a single event (a start, the first inrush) the event itself; for a mean over cycles the unit's mean behaviour, of which
the cycles measured are one sample: the mean of the same cycles over a number of repetitions of the same start of the same unit, each with
its own flash-to-flash scatter and bounce, whose own standard error is added. A 95 % interval should hold it in 93 to 97 % of cases.
"""

from __future__ import annotations

import argparse
import math
import random
import statistics
import sys
import time
from collections import Counter, defaultdict
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from typing import TypeAlias

from bench.analysis import Analysis
from bench.board.watch import Watch
from bench.description import BoardDescription
from bench.measure import Conditions, Counts, Measured
from bench.simboard.board import SimulatedBoard
from bench.simboard.units import Unit
from bench.simboard.world import World
from bench.uncertainty import Estimate, TypeA
from bench.verdict import Conformity, conformance_probability, decide
from bench.wire import Decoder, EventFrame, SampleFrame, format_channels
from bench.zero import LinkReadings, apply_zero
from reports.true_values import WATTS, Case, Truths, cycle_means, repetitions, start_times, truths

REST_S, SETTLE_S, RUN_S, LONGEST_S = 0.5, 0.1, 13.0, 26.0
TICK_S = (0.002, 0.02)
JUDGED = (
    "rate_per_min",
    "on_ratio",
    "start_s",
    "first_light_s",
    "drop_v",
    "drop_largest_v",
    "inrush_first_a",
    "steady_a",
    "supply_v",
    "lamp_v",
)


@dataclass
class Outcomes:
    """What one case gave: by quantity (value, truth, U95, u, n); and verdicts against a limit near the truth."""

    case: Case
    behaviour: str
    faults: tuple[str, ...]
    found: dict[str, tuple[float, float, float, float, int]] = field(default_factory=dict)
    missing: dict[str, str] = field(default_factory=dict)
    verdicts: list[tuple[Conformity, bool, float]] = field(default_factory=list)


Listener: TypeAlias = Callable[[Sequence[SampleFrame | EventFrame], float], None]


class Bench:
    """A board on its bench, and a host with a clock of its own that reads when it gets round to it."""

    def __init__(self, case: Case, world: World) -> None:
        self.case, self.world = case, world
        self.board = SimulatedBoard(world, seed=case.seed, ambient_c=case.ambient_c)
        self._decoder, self._host_s, self._ticks = Decoder(), 0.0, random.Random(case.seed)
        self.say(f"SENS:VOLT:RANG {1.3 * case.supply_v:.1f}")

    def say(self, line: str) -> None:
        self.board.receive(line.encode() + b"\n")

    def live(self, seconds: float, listener: Listener) -> None:
        until = self.board.now_s + seconds
        while self.board.now_s < until - 1e-9:
            tick_s = min(self._ticks.uniform(*TICK_S), until - self.board.now_s)
            data = self.board.advance(tick_s)
            self._host_s += tick_s * (1.0 + self.case.host_error)
            listener([p for p in self._decoder.feed(data) if isinstance(p, SampleFrame | EventFrame)], self._host_s)
            self.say("SYST:BEAT")

    def zero(self, unit: Unit) -> BoardDescription:
        """Zeroing with the shorting link, then the unit fitted and everything cold."""
        self.world.set_unit("LINK")
        self.say("INIT")
        found: dict[str, Mapping[str, TypeA]] = {}
        watch = Watch(self.board.description)
        for phase, lines in (("rest", ()), ("off", ("OUTP ON",)), ("on", (f"ROUT:CLOS {format_channels(self.case.loads)}",))):
            for line in lines:
                self.say(line)
            self.live(0.3, watch)
            watch.restart()
            self.live(1.0, watch)
            found[phase] = watch.readings()
        self.say("ABOR")
        self.say("OUTP OFF")
        self.say("ROUT:OPEN:ALL")
        self.live(0.1, watch)
        self.world.set_unit(unit)
        self.world.pulses.clear()
        self.board.rest(300.0)
        return apply_zero(self.board.description, LinkReadings(**found))

    def run(self, description: BoardDescription) -> tuple[Measured, float]:
        """One cold start: what was measured, and when the supply came, true s."""
        case = self.case
        analysis = Analysis(description, Conditions(case.system_v, tuple(WATTS[n] for n in case.loads)))
        self.say("INIT")
        self.live(REST_S, analysis.feed)
        self.say(f"ROUT:CLOS {format_channels(case.loads)}")
        self.live(SETTLE_S, analysis.feed)
        applied_s = self.world.t_s
        self.say("OUTP ON")
        self.live(RUN_S, analysis.feed)
        while analysis.cycles_complete < 12 and self.world.t_s - applied_s < LONGEST_S:
            self.live(1.0, analysis.feed)
        self.say("*RST")
        return analysis.measured(Counts()), applied_s


def measure_case(case: Case) -> tuple[Measured, World, float, SimulatedBoard]:
    """The case through board, bytes, decoder and analysis; with the world (its true pulses) and when the supply came, true s."""
    bench = Bench(case, case.world())
    measured, applied_s = bench.run(bench.board.description)
    return measured, bench.world, applied_s, bench.board


STEADY: Mapping[str, tuple[float, str]] = {
    "rate_per_min": (0.05, "flashes a minute"),
    "on_ratio": (0.001, "(0.1 points)"),
    "drop_v": (0.005, "V"),
    "start_s": (0.001, "s"),
    "inrush_first_a": (0.03, "of the value, cold 21 W lamps"),
}


def steady_errors(seed: int) -> dict[str, float]:
    """Errors of a unit without scatter on a zeroed rig, by the names of STEADY; nothing where it does not flash at all."""
    case = Case.drawn(seed, loads=((1, 2), (1, 2, 3)))
    world = case.world(scatter=False)
    bench = Bench(case, world)
    measured, applied_s = bench.run(bench.zero(case.unit()))
    pulses = list(world.pulses)
    rate = measured.values["rate_per_min"]
    if not isinstance(rate, Estimate) or len(pulses) < 6 + rate.n:
        return {}
    true, _ = start_times(pulses, applied_s)
    true |= cycle_means(pulses[5 : 6 + rate.n])
    true["drop_v"] = statistics.fmean(p.lowest_drop_v or 0.0 for p in pulses[5 : 5 + rate.n])
    true["inrush_first_a"] = pulses[0].peak_a
    found = {}
    for name in STEADY:
        value = measured.values[name]
        if isinstance(value, Estimate) and name in true:
            error = value.value - true[name]
            found[name] = error / true[name] if name == "inrush_first_a" else error
    return found


def steady_table(units: int, seed: int, workers: int = 2) -> str:
    """Largest and typical errors of steady units against what the project asks of itself."""
    seeds = range(seed * 1_000_000, seed * 1_000_000 + units)
    with ProcessPoolExecutor(workers) as pool:
        errors = list(pool.map(steady_errors, seeds, chunksize=4))
    lines = [f"{'quantity':<18} {'cases':>5} {'within':>8} {'median |err|':>13} {'99 % of |err|':>13}   asked"]
    for name, (asked, unit) in STEADY.items():
        sizes = sorted(abs(e[name]) for e in errors if name in e)
        within = sum(x <= asked for x in sizes) / len(sizes)
        middle, far = sizes[len(sizes) // 2], sizes[int(0.99 * len(sizes))]
        lines.append(f"{name:<18} {len(sizes):>5} {within * 100:>7.1f}% {middle:>13.3g} {far:>13.3g}   {asked:g} {unit}")
    return "\n".join(lines)


def run_case(seed: int) -> Outcomes:
    case = Case.drawn(seed)
    measured, world, applied_s, board = measure_case(case)
    repeated = repetitions(case, applied_s, board.now_s)
    out = Outcomes(case, measured.facts["behaviour"], tuple(f.code for f in measured.bench_faults))
    true = truths(case, measured, world, repeated, applied_s, board)
    for name, value in measured.values.items():
        if not isinstance(value, Estimate):
            out.missing[name] = value.reason
        elif name in true:
            truth, se = true[name]
            # The truth's own standard error widens the interval that should hold it.
            widened = math.sqrt(1.0 + (se / value.u) ** 2) if value.u > 0.0 else 1.0
            out.found[name] = (value.value, truth, value.expanded() * widened, value.u * widened, value.n)
    out.verdicts = list(_verdicts(case, measured, true))
    return out


def _verdicts(case: Case, measured: Measured, true: Truths) -> Iterator[tuple[Conformity, bool, float]]:
    """Decisions by upper limits that happen to lie near the truth, where they are hard: outcome, is it right, its stated risk.

    The limit is drawn evenly within four standard uncertainties of the truth, so it knows nothing of the measured value.
    """
    rng = random.Random(f"limits {case.seed}")
    for name in JUDGED:
        value = measured.values[name]
        if not isinstance(value, Estimate) or name not in true or value.u == 0.0:
            continue
        truth, se = true[name]
        if se > 0.12 * value.u:
            continue  # whether such a verdict is right can't be told well enough
        limit = truth + rng.uniform(-4.0, 4.0) * value.u
        outcome = decide(value.value, value.u, value.dof, None, limit)
        conforms = conformance_probability(value.value, value.u, value.dof, None, limit)
        if outcome is Conformity.PASS:
            yield outcome, truth <= limit, 1.0 - conforms
        elif outcome is Conformity.FAIL:
            yield outcome, truth > limit, conforms


def survey(units: int, seed: int, workers: int = 2, progress: Callable[[int], None] | None = None) -> list[Outcomes]:
    seeds = range(seed * 1_000_000, seed * 1_000_000 + units)
    if workers == 1:
        return [run_case(s) for s in seeds]
    with ProcessPoolExecutor(workers) as pool:
        found = []
        for outcome in pool.map(run_case, seeds, chunksize=4):
            found.append(outcome)
            if progress is not None:
                progress(len(found))
        return found


def table(outcomes: Sequence[Outcomes]) -> str:
    """Coverage and errors by quantity; then verdicts, behaviours and faults."""
    rows: dict[str, list[tuple[float, float, float, float, int]]] = defaultdict(list)
    for o in outcomes:
        for name, row in o.found.items():
            rows[name].append(row)
    lines = [f"{'quantity':<22} {'cases':>5} {'hold truth':>10} {'median U95':>11} {'median err':>11} {'95 % of |err|':>13} {'bias/u':>7}"]
    lines += [_coverage(name, found) for name, found in rows.items()]
    definite = [(right, p) for o in outcomes for _, right, p in o.verdicts]
    if definite:
        wrong = sum(not right for right, _ in definite)
        lines.append(
            f"\ndefinite verdicts by limits near the truth {len(definite)}: wrong {wrong} ({wrong / len(definite) * 100:.3f} %), "
            f"stated on average {statistics.fmean(p for _, p in definite) * 100:.3f} %"
        )
    behaviours = Counter(f"{o.behaviour}" for o in outcomes)
    faults = Counter(code for o in outcomes for code in o.faults)
    lines.append(f"behaviour: {dict(behaviours)}; bench faults found on a bench in order: {dict(faults)}")
    return "\n".join(lines)


def _coverage(name: str, found: Sequence[tuple[float, float, float, float, int]]) -> str:
    """The line of one quantity."""
    errors = [v - t for v, t, *_ in found]
    held = sum(abs(v - t) <= big + 1e-12 for v, t, big, *_ in found) / len(found)
    ranked = sorted(abs(e) for e in errors)
    zs = [(v - t) / u for v, t, _, u, _ in found if u > 0.0]
    return (
        f"{name:<22} {len(found):>5} {held * 100:>9.1f}% {statistics.median(r[2] for r in found):>11.4g} "
        f"{statistics.median(errors):>11.3g} {ranked[int(0.95 * len(ranked))]:>13.4g} {statistics.fmean(zs) if zs else 0.0:>7.2f}"
    )


def main(arguments: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--units", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--steady", type=int, metavar="UNITS", help="the errors of units without scatter on zeroed rigs")
    options = parser.parse_args(arguments)
    if options.steady:
        print(steady_table(options.steady, options.seed, options.workers))
        return 0
    began = time.perf_counter()

    def progress(done: int) -> None:
        if done % 50 == 0:
            print(f"\r{done} of {options.units} units, {time.perf_counter() - began:.0f} s", end="", file=sys.stderr, flush=True)

    outcomes = survey(options.units, options.seed, options.workers, progress)
    print(f"\n{options.units} units, seed {options.seed}, {time.perf_counter() - began:.0f} s\n{table(outcomes)}")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
