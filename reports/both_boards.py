"""The whole catalogue on the simulated board and on the board's real program: the same verdicts, and values that hold the physics' truth.

    python reports/both_boards.py                          every unit, quick; every fault by name, quick
    python reports/both_boards.py --procedure full --no-faults
    python reports/both_boards.py --units bench-nc-2x21 bench-el-plain --no-faults

Both boards look at the same physics through the same hidden errors (one seed); noise, and when exactly a command takes effect, differ.

- A case is the "same" if outcome, grade, every verdict, every fault of the bench and every fact are; what is not is printed.
- "On the edge": a verdict differs because the probability that the limit is kept, nearly the same on both, lies on either side of a level
  of the decision rule (less than `EDGE` apart).
- A fault of the link strikes at moments that the boards do not share, since their replies do not come at the same instants. The unit is
  good: each board must call it good, or decide nothing, or blame the bench, and neither may charge it: "honest".
- "Agree": both boards' values differ by no more than their U (95 %) together. Not counted where a rig's fault or the link is at work.
- "Hold": the physics' own value lies within U of the measured. For a start that is the start itself; for means, the very pulses
  of the cycles that were counted. Of every run of every procedure, unless a cycle was excluded, on rigs that are in order.
"""

from __future__ import annotations

import argparse
import math
import sys
import time
from collections import Counter, defaultdict
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field, replace
from functools import cache
from itertools import pairwise

from bench.files import grade_rule, named_limits, procedure
from bench.manual_actions import Operator
from bench.measure import Measured
from bench.outcome import Outcome
from bench.ports.address import parse_sim_address
from bench.ports.simulated import SimulatedPort, open_line
from bench.procedure import Procedure, RunStep
from bench.record import TestRecord
from bench.session import run_test
from bench.setup import Setup
from bench.simboard import catalogue
from bench.simboard.board import SimulatedBoard
from bench.simboard.faults import FAULTS
from bench.simboard.hidden import RIG_FAULTS
from bench.simboard.link import LINK_FAULTS
from bench.simboard.pulses import Pulse
from bench.simboard.world import World
from bench.uncertainty import Estimate
from firmware.simulator.port import FirmwarePort
from reports.record_differences import differences, grade_text, is_on_edge, values_of_both
from reports.true_values import cycle_means, drop_means, start_times

LIMITS = ("un-r48",)
MORE_LIMITS = (*LIMITS, "sae-j945")  # asks for three starts, which `quick` does not make
UNITS = {
    "NC": "bench-nc-2x21", "HWh": "bench-hw-hold", "HWp": "bench-hw-plain", "TC": "bench-tc-2x21",
    "ELo": "bench-el-outage", "EL": "bench-el-plain", "EL2": "bench-el-two",
}  # fmt: skip
NOT_HERE = "board-overrun"  # the program either loses frames or it does not: no such fault can be put into it
BOARDS = ("simulated board", "real program")
CHARGED = (Outcome.NOT_GOOD, Outcome.NOT_FOR_LOAD)


@dataclass(frozen=True)
class Case:
    """One unit with or without a fault, by `quick`, `decide`, `full`, or `short`: the full one with sixteen flashes at most."""

    unit: str
    fault: str = ""
    how: str = "quick"
    seed: int = 3

    def __str__(self) -> str:
        return f"{self.unit}{f' + {self.fault}' if self.fault else ''}, {self.how}"

    @property
    def honest(self) -> bool:
        """Whether the fault strikes at moments that the two boards do not share."""
        return self.fault in LINK_FAULTS

    @property
    def in_order(self) -> bool:
        """Whether rig and link are in order; unit, lamps and supply are physics, with a truth of their own."""
        return self.fault not in RIG_FAULTS and self.fault not in LINK_FAULTS


@dataclass(frozen=True)
class Value:
    """A measured value beside another or the truth, and the half-width within which they should lie."""

    name: str
    where: str
    value: float
    other: float
    allowed: float

    @property
    def within(self) -> bool:
        return abs(self.value - self.other) <= self.allowed + 1e-12

    def __str__(self) -> str:
        return f"{self.name} ({self.where}): {self.value:.6g} for {self.other:.6g}, allowed {self.allowed:.2g}"


@dataclass
class Compared:
    """What came of it: outcomes and grades, values beside the truth and times by board (simulated, real program); what differs."""

    case: Case
    outcomes: tuple[Outcome, Outcome]
    grades: tuple[str, str]
    different: list[str] = field(default_factory=list)
    on_edge: bool = False
    both: list[Value] = field(default_factory=list)
    true: tuple[list[Value], list[Value]] = field(default_factory=lambda: ([], []))
    simulated_s: tuple[float, float] = (0.0, 0.0)
    wall_s: tuple[float, float] = (0.0, 0.0)

    @property
    def word(self) -> str:
        """`same`, `on the edge`, `honest` (the module's text) or `DIFFERENT`."""
        if not self.different:
            return "same"
        if self.on_edge:
            return "on the edge"
        charged = any(outcome in CHARGED for outcome in self.outcomes)
        return "honest" if self.case.honest and not charged else "DIFFERENT"


def cases(units: Sequence[str], how: Iterable[str], faults: Iterable[str], seed: int) -> list[Case]:
    """Every unit by every procedure; every fault on the first and the last kind of those that can have it, quick."""
    found = [Case(unit, "", one, seed) for one in how for unit in units]
    return found + [Case(UNITS[kind], name, "quick", seed) for name in faults for kind in _kinds(name)]


def every_fault() -> list[str]:
    return [name for name in (*FAULTS, *RIG_FAULTS, *LINK_FAULTS) if name != NOT_HERE]


def _kinds(fault: str) -> Iterable[str]:
    kinds = FAULTS[fault].kinds if fault in FAULTS and FAULTS[fault].side == "unit" else ("NC", "EL")
    return dict.fromkeys((kinds[0], kinds[-1]))


@cache
def plan(how: str) -> Procedure:
    if how != "short":
        return procedure(how)
    full = procedure("full")
    return replace(full, steps=tuple(replace(s, cycles=min(s.cycles, 16)) if isinstance(s, RunStep) else s for s in full.steps))


def setup(case: Case) -> Setup:
    """As for a unit whose marking was read; one with outage signalling is held to that too where a lamp is taken out."""
    entry = catalogue.entry(case.unit)
    limits = LIMITS if case.how == "quick" else (*MORE_LIMITS, "outage-qct501") if entry.kind == "ELo" else MORE_LIMITS
    return Setup(
        case.unit, system_v=entry.rating.system_v, rated=entry.rating.lamps_w, limits=tuple(named_limits(name) for name in limits),
        grade_rule=grade_rule(), rating_known=True, zero=case.how != "quick",
    )  # fmt: skip


class SeenPort(SimulatedPort):
    """A host's port to the simulated board, whose world can be seen."""

    def __init__(self, address: str) -> None:
        line = open_line(parse_sim_address(address))
        assert isinstance(line.board, SimulatedBoard)
        self.board = line.board
        super().__init__(address, line)


@dataclass(frozen=True)
class Told:
    """One board's record; the time it took, the board's and the wall's; and every value beside the physics'."""

    record: TestRecord
    simulated_s: float
    wall_s: float
    true: list[Value]


def compare(case: Case) -> Compared:
    """The case on both boards."""
    query = f"{case.unit}?seed={case.seed}" + (f"&fault={case.fault}" if case.fault else "")
    simulated, real = SeenPort(f"sim://{query}"), FirmwarePort(f"firmware://{query}")
    first, second = _tell(case, simulated, None), _tell(case, real, real.operator)
    return Compared(
        case,
        (first.record.outcome, second.record.outcome),
        (grade_text(first.record), grade_text(second.record)),
        list(differences(first.record, second.record)),
        is_on_edge(first.record, second.record),
        list(_both(first.record, second.record)) if case.in_order else [],
        (first.true, second.true),
        (first.simulated_s, second.simulated_s),
        (first.wall_s, second.wall_s),
    )


def _tell(case: Case, port: SeenPort | FirmwarePort, hands: Operator | None) -> Told:
    board = port.board
    world = board.world
    assert isinstance(world, World)
    supplied = _noting_supply(world)
    began_s = time.perf_counter()
    record = run_test(port, plan(case.how), setup(case), operator=hands, when="", software="")
    wall_s = time.perf_counter() - began_s
    constant = {"temperature_c": board.rig.ambient_c, "clock_error": 1.0 / (1.0 + board.rig.hidden.clock_error) - 1.0}
    live = {step.name for step in plan(case.how).runs if step.live}
    true = _true(record, list(world.pulses), supplied, constant, setup(case).counts.skip, live) if case.in_order else ()
    return Told(record, port.now_s(), wall_s, list(true))


def _noting_supply(world: World) -> list[float]:
    """When the master switch is closed from now on, s of the world; grows as it happens."""
    times: list[float] = []
    switch, on = world.switch, False

    def noting(*, master: bool | None = None, loads: frozenset[int] | None = None) -> None:
        nonlocal on
        if master and not on:
            times.append(world.t_s)
        on = on if master is None else master
        switch(master=master, loads=loads)

    world.switch = noting  # type: ignore[method-assign]
    return times


def _both(first: TestRecord, second: TestRecord) -> Iterator[Value]:
    for name, a, b in values_of_both(first, second):
        if isinstance(a, Estimate) and isinstance(b, Estimate):
            yield Value(name, "simulated board", b.value, a.value, math.hypot(a.expanded(), b.expanded()))


def _true(
    record: TestRecord, pulses: Sequence[Pulse], supplied: Sequence[float], constant: Mapping[str, float], skip: int, live: Collection[str]
) -> Iterator[Value]:
    """Every value of every run with a supply of its own beside the physics'; those of `live` steps have none.

    `supplied`: when the supply came, s of the world; the last belong to the runs.
    """
    if any(step.interrupted is not None for step in record.steps):
        return
    steps = [step for step in record.steps if step.name not in live]
    begins = [*supplied, math.inf][-len(steps) - 1 :]
    for step, (begin_s, end_s) in zip(steps, pairwise(begins), strict=True):
        if step.cycles_excluded:
            continue
        own = [p for p in pulses if begin_s <= p.make_s < end_s]
        true = {**constant, **run_truth(own, step.measured, begin_s, skip)}
        for name, value in step.measured.values.items():
            if isinstance(value, Estimate) and name in true:
                yield Value(name, step.name, value.value, true[name], value.expanded())


def run_truth(pulses: Sequence[Pulse], measured: Measured, supplied_s: float, skip: int) -> dict[str, float]:
    """The physics' values of one run, from its pulses: the start, and means over as many cycles as were counted after `skip`."""
    if not pulses:
        return {}
    true, _ = start_times(pulses, supplied_s)
    true["inrush_first_a"] = pulses[0].peak_a
    rate, drop = measured.values["rate_per_min"], measured.values["drop_v"]
    if not isinstance(rate, Estimate) or len(pulses) < skip + rate.n + 1:
        return true
    chosen = pulses[skip : skip + rate.n + 1]
    used = drop.n if isinstance(drop, Estimate) else 0
    true |= cycle_means(chosen) | drop_means(chosen[:-1], used)
    if used and "drop_v" in true:
        true["drop_largest_v"] = max(p.lowest_drop_v or 0.0 for p in chosen[:used])
    true["inrush_ratio"] = pulses[0].peak_a / true["steady_a"]
    period_s = true.pop("period_s")
    true["period_spread"] = math.sqrt(true.pop("period_variance")) / period_s
    return true


def table(results: Sequence[Compared]) -> str:
    """Cases, then quantities, then the time that it took."""
    lines = [f"{'case':<48} {BOARDS[0]:<17} {BOARDS[1]:<17} grades"]
    for r in results:
        lines.append(f"{r.case!s:<48} {r.outcomes[0]:<17} {r.outcomes[1]:<17} {'/'.join(r.grades):<9} {r.word}")
        lines += [f"      {text}" for text in r.different]
    words = Counter(r.word for r in results)
    lines.append(f"\n{len(results)} cases: {', '.join(f'{n} {word}' for word, n in words.items())}")
    lines += ["", *_quantity_lines(results), ""]
    for side, board in enumerate(BOARDS):
        spent_s, wall_s = (sum(pair[side] for pair in pairs) for pairs in ([r.simulated_s for r in results], [r.wall_s for r in results]))
        lines.append(f"{board}: {spent_s:.0f} s of its time in {wall_s:.0f} s, {spent_s / wall_s:.1f} times real time")
    return "\n".join(lines)


def _quantity_lines(results: Sequence[Compared]) -> Iterator[str]:
    kinds = {"agree": [r.both for r in results]} | {f"hold: {board}": [r.true[side] for r in results] for side, board in enumerate(BOARDS)}
    yield f"{'quantity':<22}" + "".join(f"{text:>25}" for text in kinds)
    yield " " * 22 + f"{'within    of  worst/U':>25}" * len(kinds)
    rows: dict[str, dict[str, list[Value]]] = defaultdict(lambda: {text: [] for text in kinds})
    for text, lists in kinds.items():
        for value in (v for values in lists for v in values):
            rows[value.name][text].append(value)
            rows["all"][text].append(value)
    for name in sorted(rows, key=lambda n: (n == "all", n)):
        yield f"{name:<22}" + "".join(f"{_share(rows[name][text]):>25}" for text in kinds)
    for text, lists in kinds.items():
        beyond = [f"      {r.case}: {v}" for r, values in zip(results, lists, strict=True) for v in values if not v.within]
        yield f"\n{text}, values beyond: {len(beyond)}"
        yield from beyond


def _share(values: Sequence[Value]) -> str:
    worst = max((abs(v.value - v.other) / v.allowed for v in values if v.allowed > 0.0), default=0.0)
    return f"{sum(v.within for v in values):>6} {len(values):>5} {worst:>8.2f}" if values else "-"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--units", nargs="*", default=catalogue.names(), help="names of the catalogue (default: all)")
    parser.add_argument("--procedure", nargs="*", default=["quick"], help="quick, decide, full, short or several (default: quick)")
    parser.add_argument("--faults", nargs="*", default=every_fault(), help="faults by name, quick (default: every one)")
    parser.add_argument("--no-faults", dest="faults", action="store_const", const=[], help="the units alone")
    parser.add_argument("--seed", type=int, default=3)
    parser.add_argument("--workers", type=int, default=2)
    given = parser.parse_args()
    wanted = cases(given.units, given.procedure, given.faults, given.seed)
    results = []
    with ProcessPoolExecutor(given.workers) as pool:
        for number, result in enumerate(pool.map(compare, wanted), 1):
            results.append(result)
            print(f"{number} of {len(wanted)}: {result.case}: {result.word}", file=sys.stderr, flush=True)
    print(table(results))


if __name__ == "__main__":
    main()
