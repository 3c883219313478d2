"""How often the intervals of `makebreak judge` hold the truth: units simulated in ngspice, recorded by instruments with errors.

    python -m reports.recordings [--draws N] [--first SEED] [--unit NAME ...] [--instrument NAME ...] [--outside] [--keep FOLDER]

Every unit of `reports/reference_units.py` is recorded by every instrument of `reports/reference_instruments.py`, N times, each time with
other errors, and judged twice: with the instrument's data sheet, and without. Printed for each instrument and quantity: how many values,
how many of their 95 % intervals hold the truth, the median of the half-width U and of |error| / U, and how often there was no value though
there is a truth; then crashes, wrong definite verdicts, wrong facts, and bench faults (there are none on these benches). `--outside` lists
each value outside its interval. All is drawn from the seeds.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import tomllib
import traceback
from collections import Counter, defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from statistics import median

import numpy as np

from bench import files
from bench.instrument import UNSTATED, parse_instrument
from bench.judging import judge_recording
from bench.limits import Limit
from bench.record import TestRecord
from bench.setup import Setup
from bench.uncertainty import Estimate, NotMeasured
from bench.verdict import Conformity
from reports.reference_instruments import INSTRUMENTS, Recorded, record
from reports.reference_units import UNITS, Reference, ReferenceUnit, Truth, truth

LIMITS = ("un-r48", "iso-4082")
_EXACT = 1e-9
_IRREGULAR = 0.05  # spread of the period beyond which a unit is called irregular (the vocabulary's definition)
STATED: Mapping[bool, str] = {True: "stated", False: "not stated"}


@dataclass(frozen=True)
class Value:
    """One measured value beside the truth."""

    quantity: str
    found: float
    true: float
    expanded: float

    @property
    def held(self) -> bool:
        return abs(self.found - self.true) <= self.expanded + _EXACT

    @property
    def part(self) -> float:
        """|error| over U; 0 for counts, whose U is 0."""
        return abs(self.found - self.true) / self.expanded if self.expanded else 0.0


@dataclass
class Judged:
    """One recording judged once, its instrument `stated` or not.

    `wrong`: what was said that is not so; `missing`: quantity and reason of what was not measured.
    """

    stated: bool
    unit: str
    instrument: str
    seed: int
    values: list[Value] = field(default_factory=list)
    missing: list[tuple[str, str]] = field(default_factory=list)
    wrong_verdicts: list[str] = field(default_factory=list)
    wrong: list[str] = field(default_factory=list)
    faults: list[str] = field(default_factory=list)
    crash: str = ""
    definite: int = 0

    @property
    def name(self) -> str:
        return f"{self.unit} / {self.instrument} / {self.seed} / {STATED[self.stated]}"


def setup_for(name: str, unit: ReferenceUnit) -> Setup:
    """How a user would set up the judging of this unit."""
    return Setup(
        unit=name, system_v=unit.system_v, rated=unit.rated, rating_known=True, limits=tuple(files.named_limits(n) for n in LIMITS),
        lamps=(1, 2) if unit.led else None, bank=files.bank("led") if unit.led else None, filament=not unit.led,
    )  # fmt: skip


def judge(reference: Reference, name: str, instrument: str, seed: int, recorded: Recorded, stated: bool) -> Judged:
    """Judge a recording and compare all that is said of it with the truth."""
    judged = Judged(stated, name, instrument, seed)
    sheet = parse_instrument(tomllib.loads(recorded.data_sheet), "data sheet") if stated else UNSTATED
    try:
        result = judge_recording(recorded.path, setup_for(name, reference.unit), instrument=sheet, when="", software="")
    except Exception:
        judged.crash = traceback.format_exc().strip()
        return judged
    rate = result.measured.values.get("rate_per_min")
    counted = rate.n if isinstance(rate, Estimate) else None
    true = truth(reference, recorded.begin_s, recorded.end_s, recorded.gaps, counted)
    if counted is not None and counted != true.cycles:
        judged.wrong.append(f"{counted} cycles averaged, {true.cycles} could be")
    judged.faults = [f"{fault.code}: {fault.text}" for fault in result.measured.bench_faults]
    _compare_values(judged, result, true)
    _compare_facts(judged, result, true, instrument)
    _compare_verdicts(judged, result, true)
    return judged


def _compare_values(judged: Judged, result: TestRecord, true: Truth) -> None:
    for quantity, value in result.measured.values.items():
        if isinstance(value, Estimate) and quantity in true.values:
            judged.values.append(Value(quantity, value.value, true.values[quantity], value.expanded()))
        elif isinstance(value, NotMeasured) and quantity in true.values:
            judged.missing.append((quantity, value.reason))
        elif isinstance(value, Estimate) and quantity in _TRUE_QUANTITIES:
            judged.wrong.append(f"{quantity} measured as {value.value:.4g}, which this recording can't show")


_TRUE_QUANTITIES = (
    "rate_per_min", "rate_total_per_min", "on_ratio", "on_s", "off_s", "first_light_s", "first_extinction_s", "start_s", "drop_v",
    "contact_ohm", "inrush_first_a", "inrush_later_a", "steady_a", "dark_a", "supply_v", "lamp_v", "pilot_on_v", "period_spread", "missed",
    "stuck",
)  # fmt: skip


def _compare_facts(judged: Judged, result: TestRecord, true: Truth, instrument: str) -> None:
    said = result.measured.facts
    # Without voltages nothing tells a dead unit from no supply.
    unseen = instrument == "current-only" and (true.facts["behaviour"], said["behaviour"]) == ("dark", "too few")
    # What scatters is called irregular once that is beyond doubt, which takes some cycles.
    spread = result.measured.values["period_spread"]
    doubtful = isinstance(spread, Estimate) and spread.value - spread.expanded() <= _IRREGULAR
    in_doubt = (true.facts["behaviour"], said["behaviour"]) == ("irregular", "flashing") and doubtful and not true.values.get("missed")
    if said["behaviour"] != true.facts["behaviour"] and not (unseen or in_doubt):
        judged.wrong.append(f"behaviour {said['behaviour']!r}, truly {true.facts['behaviour']!r}")
    if said["rest"] not in ("unknown", true.facts["rest"]):
        judged.wrong.append(f"rest {said['rest']!r}, truly {true.facts['rest']!r}")


def _compare_verdicts(judged: Judged, result: TestRecord, true: Truth) -> None:
    for verdict in result.verdicts:
        if not verdict.conformity.is_definite or not isinstance(verdict.limit, Limit):
            continue
        judged.definite += 1
        quantity, low, high = verdict.limit.quantity, verdict.limit.low, verdict.limit.high
        value = true.values.get(quantity)
        if value is None:
            # Of a unit that does not flash, only FAIL can be right.
            right = true.facts["behaviour"] in ("dark", "steady on") and verdict.conformity is Conformity.FAIL
        else:
            keeps = (low is None or value >= low) and (high is None or value <= high)
            right = keeps == (verdict.conformity is Conformity.PASS)
        if not right:
            judged.wrong_verdicts.append(f"{verdict.limit_set}: {quantity} {verdict.conformity}, truly {value}")


def run(draws: int, first: int, units: Sequence[str], instruments: Sequence[str], folder: Path, keep: bool = False) -> Iterator[Judged]:
    """Make and judge all these recordings in `folder`; the waves of a unit are made once."""
    for name in units:
        unit = UNITS[name]
        reference = Reference(unit, unit.run(folder))
        for instrument in instruments:
            for seed in range(first, first + draws):
                rng = np.random.default_rng(list(f"{name} {instrument} {seed}".encode()))
                path = folder / f"{name}-{instrument}-{seed}.csv"
                recorded = record(INSTRUMENTS[instrument], reference.waves, unit.system_v, rng, path)
                path.with_suffix(".toml").write_text(recorded.data_sheet, encoding="utf-8")
                for stated in STATED:
                    yield judge(reference, name, instrument, seed, recorded, stated)
                if not keep:
                    path.unlink()


def tables(all_judged: Sequence[Judged]) -> str:
    """Held, U and |error| / U by instrument and quantity, then by quantity; on the left the instrument is stated, on the right not."""
    rows: dict[tuple[str, str, bool], list[Value]] = defaultdict(list)
    missing: Counter[tuple[str, str, bool]] = Counter()
    for j in all_judged:
        for where in (j.instrument, _ALL):
            for value in j.values:
                rows[where, value.quantity, j.stated].append(value)
            for quantity, _ in j.missing:
                missing[where, quantity, j.stated] += 1
    lines = []
    for where in (*dict.fromkeys(j.instrument for j in all_judged), _ALL):
        lines += ["", f"{where:<18} | {'instrument stated':<38} | not stated", f"{'':<18} | {_HEAD} | {_HEAD}"]
        for quantity in _TRUE_QUANTITIES:
            keys = [(where, quantity, stated) for stated in STATED]
            if any(rows[key] or missing[key] for key in keys):
                lines.append(f"{quantity:<18} | " + " | ".join(_cells(rows[key], missing[key]) for key in keys))
    return "\n".join(lines)


_ALL = "all instruments"
_HEAD = f"{'values':>6} {'held':>6} {'median U':>9} {'error/U':>7} {'none':>5}"


def _cells(values: Sequence[Value], missing: int) -> str:
    if not values:
        return f"{0:>6} {'':>6} {'':>9} {'':>7} {missing:>5}"
    held = 100.0 * sum(v.held for v in values) / len(values)
    expanded, part = median(v.expanded for v in values), median(v.part for v in values)
    return f"{len(values):>6} {held:>5.1f}% {expanded:>9.3g} {part:>7.2f} {missing:>5}"


def said_wrong(all_judged: Sequence[Judged]) -> str:
    """Crashes, wrong statements and bench faults: how many, and each with where it was."""
    lines = [""]
    for stated, word in STATED.items():
        some = [j for j in all_judged if j.stated == stated]
        lines.append(
            f"instrument {word}: {len(some)} recordings, crashes {sum(bool(j.crash) for j in some)}, definite verdicts "
            f"{sum(j.definite for j in some)}, of them wrong {sum(len(j.wrong_verdicts) for j in some)}, other wrong statements "
            f"{sum(len(j.wrong) for j in some)}, bench faults {sum(len(j.faults) for j in some)}"
        )
    for j in all_judged:
        if j.crash:
            *_, where, line, error = j.crash.splitlines()
            lines.append(f"{j.name}: CRASH {error} ({where.strip()}: {line.strip()})")
        lines += [f"{j.name}: {text}" for text in (*j.wrong_verdicts, *j.wrong, *j.faults)]
    return "\n".join(lines)


def outside(all_judged: Sequence[Judged]) -> str:
    """Every value outside its interval, and why values were not measured."""
    lines = [""]
    for j in all_judged:
        lines += [f"{j.name}: {v.quantity} {v.found:.6g}, truly {v.true:.6g}, U {v.expanded:.3g}" for v in j.values if not v.held]
    reasons = Counter((f"{j.instrument}, {STATED[j.stated]}", q, reason) for j in all_judged for q, reason in j.missing)
    lines += [f"not measured {n} times, {where}: {quantity}: {reason}" for (where, quantity, reason), n in sorted(reasons.items())]
    return "\n".join(lines)


def main(arguments: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python -m reports.recordings", description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--draws", type=int, default=1, metavar="N", help="recordings of each unit by each instrument")
    parser.add_argument("--first", type=int, default=1, metavar="SEED")
    parser.add_argument("--unit", nargs="+", choices=tuple(UNITS), default=tuple(UNITS), metavar="NAME")
    parser.add_argument("--instrument", nargs="+", choices=tuple(INSTRUMENTS), default=tuple(INSTRUMENTS), metavar="NAME")
    parser.add_argument("--outside", action="store_true", help="list each value outside its interval, and reasons for none")
    parser.add_argument("--keep", type=Path, metavar="FOLDER", help="keep the recordings and the instruments' data sheets there")
    options = parser.parse_args(arguments)
    with tempfile.TemporaryDirectory() as temporary:
        folder = options.keep or Path(temporary)
        folder.mkdir(parents=True, exist_ok=True)
        found = []
        for judged in run(options.draws, options.first, options.unit, options.instrument, folder, options.keep is not None):
            found.append(judged)
            print(f"\rjudged {len(found)}", end="", file=sys.stderr, flush=True)
    print(tables(found))
    print(said_wrong(found))
    if options.outside:
        print(outside(found))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
