"""The whole catalogue on the simulated board and on the board's real program: the same verdicts, and values that hold the physics' truth.

    python reports/both_boards.py                          every unit, quick; every fault by name, quick
    python reports/both_boards.py --procedure full --no-faults
    python reports/both_boards.py --units bench-nc-2x21 bench-el-plain --no-faults

Both boards look at the same physics through the same hidden errors (one seed); noise, and when exactly a command takes effect, differ. A
difference of a verdict is printed; where a fault of rig or link is at work, the moments at which it strikes differ too, and what must not
happen is that a unit is charged on one board and passes on the other. "Agree": the two boards' values differ by less than their U (95 %)
together. "Hold": the physics' own value lies within U of the real program's.
"""

from __future__ import annotations

import argparse
import math
import statistics
import sys
import time
from collections import Counter
from collections.abc import Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from itertools import pairwise

from bench.files import grade_rule, named_limits, procedure
from bench.ports.opening import open_port
from bench.record import TestRecord
from bench.session import Setup, run_test
from bench.simboard import catalogue
from bench.simboard.faults import FAULTS
from bench.simboard.link import LINK_FAULTS
from bench.simboard.pulses import Pulse
from bench.simboard.rig import RIG_FAULTS
from bench.uncertainty import Estimate
from bench.verdict import Outcome
from firmware.simulator.port import FirmwarePort

LIMITS = ("un-r48", "sae-j945")
UNITS = {
    "NC": "bench-nc-2x21", "HWh": "bench-hw-hold", "HWp": "bench-hw-plain", "TC": "bench-tc-2x21",
    "ELo": "bench-el-outage", "EL": "bench-el-plain", "EL2": "bench-el-two",
}  # fmt: skip
NOT_HERE = "board-overrun"  # the program either loses frames or it does not: no fault can be put into it
CHARGED = (Outcome.FAIL, Outcome.CONDITIONAL_FAIL)


@dataclass(frozen=True)
class Case:
    """One unit with or without a fault, by a procedure."""

    unit: str
    fault: str = ""
    how: str = "quick"
    seed: int = 3

    def __str__(self) -> str:
        return f"{self.unit}{f' + {self.fault}' if self.fault else ''}, {self.how}"


@dataclass
class Compared:
    """What came of it on both boards."""

    case: Case
    outcomes: tuple[str, str]
    grades: tuple[str, str]
    different: list[str] = field(default_factory=list)
    charged: tuple[bool, bool] = (False, False)
    agree: Counter[str] = field(default_factory=Counter)
    disagree: Counter[str] = field(default_factory=Counter)
    hold: Counter[str] = field(default_factory=Counter)
    miss: Counter[str] = field(default_factory=Counter)
    simulated_s: float = 0.0
    wall_s: float = 0.0

    @property
    def random(self) -> bool:
        """Whether the fault strikes at moments that the two boards do not share."""
        return self.case.fault in LINK_FAULTS or self.case.fault in RIG_FAULTS


def cases(units: Sequence[str], how: Iterable[str], faults: bool, seed: int) -> list[Case]:
    found = [Case(unit, "", procedure_name, seed) for procedure_name in how for unit in units]
    if faults:
        for name, fault in FAULTS.items():
            kind = next((k for k in UNITS if fault.side != "unit" or k in fault.kinds), None)
            if kind is not None:
                found.append(Case(UNITS[kind], name, "quick", seed))
        found += [Case(UNITS["NC"], name, "quick", seed) for name in (*RIG_FAULTS, *LINK_FAULTS) if name != NOT_HERE]
    return found


def setup(case: Case) -> Setup:
    rating = catalogue.entry(case.unit).rating
    return Setup(
        case.unit, system_v=rating.system_v, rated=rating.lamps_w, limits=tuple(named_limits(name) for name in LIMITS),
        grade_rule=grade_rule(), rating_known=True, zero=case.how == "full",
    )  # fmt: skip


def compare(case: Case) -> Compared:
    """Run the case on both boards."""
    query = f"{case.unit}?seed={case.seed}" + (f"&fault={case.fault}" if case.fault else "")
    simulated = open_port(f"sim://{query}")
    plan = procedure(case.how)
    first = run_test(simulated, plan, setup(case), when="", software="")
    simulated.close()
    port = FirmwarePort(f"firmware://{query}")
    world = port.world
    began = time.perf_counter()
    second = run_test(port, plan, setup(case), operator=port.hands, when="", software="")
    found = Compared(
        case,
        (first.outcome.value, second.outcome.value),
        tuple(record.grade.name if record.grade else "-" for record in (first, second)),  # type: ignore[arg-type]
        simulated_s=port.now_s(),
        wall_s=time.perf_counter() - began,
    )
    for a, b in zip(first.verdicts, second.verdicts, strict=False):
        if a.outcome is not b.outcome:
            found.different.append(f"{a.limit}: {a.outcome.value} / {b.outcome.value}"[:200])
    found.charged = tuple(any(v.outcome in CHARGED for v in record.verdicts) for record in (first, second))  # type: ignore[assignment]
    _values(found, first, second)
    if case.how == "quick" and not case.fault:
        _truth(found, second, list(world.pulses), port.board.supplied_s)
    return found


def _values(found: Compared, first: TestRecord, second: TestRecord) -> None:
    for name, a in first.measured.values.items():
        b = second.measured.values[name]
        if isinstance(a, Estimate) and isinstance(b, Estimate):
            near = abs(a.value - b.value) <= math.hypot(a.expanded(), b.expanded()) + 1e-12
            (found.agree if near else found.disagree)[name] += 1


def _truth(found: Compared, record: TestRecord, pulses: list[Pulse], applied_s: float) -> None:
    """The start by the pulses themselves, and the means over the cycles that were counted."""
    if len(pulses) < 9 or any(p.break_s is None for p in pulses[:-1]):
        return
    true: dict[str, float] = {"inrush_first_a": pulses[0].peak_a}
    opened = next((p.break_s for p in pulses if p.break_s is not None and p.break_s - p.make_s > 0.1), None)
    if opened is not None:
        true["start_s"] = opened - applied_s
    rate = record.measured.values["rate_per_min"]
    if isinstance(rate, Estimate):
        chosen = pulses[5 : 6 + rate.n]
        if len(chosen) == rate.n + 1:
            periods = [b.make_s - a.make_s for a, b in pairwise(chosen)]
            ons = [(a.break_s or 0.0) - a.make_s for a in chosen[:-1]]
            true["rate_per_min"] = statistics.fmean(60.0 / p for p in periods)
            true["on_ratio"] = statistics.fmean(on / p for on, p in zip(ons, periods, strict=True))
            true["steady_a"] = statistics.fmean(p.steady_a for p in chosen[:-1])
            true["supply_v"] = statistics.fmean(p.supply_v for p in chosen[:-1])
            true["lamp_v"] = statistics.fmean(p.lamp_v for p in chosen[:-1])
    drop = record.measured.values["drop_v"]
    if isinstance(drop, Estimate) and all(p.lowest_drop_v is not None for p in pulses[5 : 5 + drop.n]):
        true["drop_v"] = statistics.fmean(p.lowest_drop_v or 0.0 for p in pulses[5 : 5 + drop.n])
    for name, value in true.items():
        measured = record.measured.values[name]
        if isinstance(measured, Estimate):
            inside = abs(measured.value - value) <= measured.expanded() + 1e-12
            (found.hold if inside else found.miss)[name] += 1


def table(results: Sequence[Compared]) -> str:
    lines = []
    agree, disagree, hold, miss = (Counter[str]() for _ in range(4))
    for r in results:
        same = r.outcomes[0] == r.outcomes[1] and not r.different
        word = "same" if same else "strikes at other moments" if r.random and r.charged[0] == r.charged[1] else "DIFFERENT"
        lines.append(f"{r.case!s:<48} {r.outcomes[0]:<17} {r.outcomes[1]:<17} {r.grades[0]}/{r.grades[1]}  {word}")
        lines += [f"      {text}" for text in r.different]
        if not r.case.fault:
            agree += r.agree
            disagree += r.disagree
        hold += r.hold
        miss += r.miss
    lines.append("")
    lines.append(f"{'quantity':<24} agree  differ   hold  miss")
    lines += [f"{n:<24} {agree[n]:>5} {disagree[n]:>7} {hold[n]:>6} {miss[n]:>5}" for n in sorted(agree | disagree)]
    lines.append(f"{'all':<24} {agree.total():>5} {disagree.total():>7} {hold.total():>6} {miss.total():>5}")
    spent, wall = sum(r.simulated_s for r in results), sum(r.wall_s for r in results)
    lines.append(f"{len(results)} cases, {spent:.0f} s of the real program's time in {wall:.0f} s: {spent / wall:.1f} times real time")
    return "\n".join(lines)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--units", nargs="*", default=catalogue.names(), help="names of the catalogue (default: all)")
    parser.add_argument("--procedure", nargs="*", default=["quick"], help="quick, full or both (default: quick)")
    parser.add_argument("--faults", action=argparse.BooleanOptionalAction, default=True, help="also every fault by name, quick")
    parser.add_argument("--seed", type=int, default=3)
    parser.add_argument("--workers", type=int, default=2)
    given = parser.parse_args()
    wanted = cases(given.units, given.procedure, given.faults, given.seed)
    results = []
    with ProcessPoolExecutor(given.workers) as pool:
        for number, result in enumerate(pool.map(compare, wanted), 1):
            results.append(result)
            print(f"{number} of {len(wanted)}: {result.case}", file=sys.stderr)
    print(table(results))


if __name__ == "__main__":
    main()
