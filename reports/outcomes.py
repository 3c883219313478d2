"""What is said of simulated units and benches with faults: does the outcome blame the right one, and is anything sold that should not be?

Run `.venv/bin/python -m reports.outcomes good|unit|bench|random|rule [--procedure decide] [--seeds 20] [--jobs 2]`. Each case is one test
of an invented unit whose claims are those of its kind. What is printed:

- `good`: units without a fault: outcomes, grades, and the seconds that the lamps were lit or flashing;
- `unit`: every fault of a unit on every kind that can have it: how often sold as A, B or C, rejected, left open, or called the bench's;
- `bench`: every fault of lamps, supply, leads and board on every kind: how often a unit was charged, how often the right item was named;
- `random`: units, faults of units, bench and link, limits, claims, supplies and ambients drawn at random: whether outcome, grade, sentence
  and exit code ever disagree, and whether a record read back from its JSON says the same;
- `rule`: how often the sequential rule rejects a unit whose rate stands on a limit, against what it states.
"""

from __future__ import annotations

import argparse
import math
import random
from collections import Counter
from collections.abc import Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from statistics import median

from bench import defaults, files
from bench.claims import Claims
from bench.cli.exit_codes import code_for
from bench.outcome import OPENINGS, Outcome
from bench.ports.opening import open_port
from bench.record import TestRecord
from bench.record_json import from_json, to_json
from bench.session import run_test
from bench.session.ledger import STOPPING_LEVEL
from bench.setup import Setup
from bench.simboard.faults import FAULTS
from bench.simboard.link import LINK_FAULTS
from bench.uncertainty import type_a
from bench.verdict import Conformity, decide

UNITS = {
    "NC": "bench-nc-2x21", "HWh": "bench-hw-hold", "HWp": "bench-hw-plain", "TC": "bench-tc-2x21",
    "ELo": "bench-el-outage", "EL": "bench-el-plain", "EL2": "bench-el-two",
}  # fmt: skip
CLAIMS = {
    "NC": Claims(load="fixed", terminals=2, outage=True),
    "HWh": Claims(terminals=3, pilot="in step", pilot_lamp_out="dead", outage=True),
    "HWp": Claims(terminals=3, pilot="in step", pilot_lamp_out="dead"),
    "TC": Claims(terminals=3, pilot="in step", pilot_lamp_out="dead"),
    "ELo": Claims(terminals=4, pilot="in step", pilot_lamp_out="in step", outage=True),
    "EL": Claims(terminals=3, pilot="none", load="variable"),
    "EL2": Claims(terminals=2, pilot="none", load="variable", led=True),
}
ITEMS: dict[str, tuple[str, ...]] = {
    "lamp-dead": ("lamp-current",), "lamp-dies": ("lamp-died", "lamp-current"), "lamp-wrong": ("lamp-current", "lamps-not-cold"),
    "lamps-are-resistors": ("lamps-not-cold",), "lamps-warm": ("lamps-not-cold",),
    "bank-contact-high": ("lamps-not-cold", "lamp-current"),
    "supply-limit": ("supply-limited",), "supply-sag": ("supply-out-of-range", "supply-limited"), "supply-low": ("supply-not-set",),
    "supply-set-at-source": ("supply-not-set",), "sense-in-broken": ("sense-leads", "sense-in-off"), "sense-out-broken": ("sense-out-off",),
    "sense-leads-swapped": ("sense-leads", "sense-leads-swapped"), "reference-off": ("self-test",), "drop-stuck": ("self-test",),
    "board-overrun": ("samples-lost",),
}  # fmt: skip
"""Faults of the bench that its channels can show, and the codes by one of which each must be named."""
UNSEEN = ("sense-on-clips", "unit-not-cooled", "draught", "current-zero-off", "resonator-off")
"""Those that only the shorting link or a person can tell, or that are corrected: they may move a value and fail no good unit."""


@dataclass(frozen=True)
class Told:
    """One test: what was tested, and what was said."""

    kind: str
    fault: str
    seed: int
    outcome: str
    grade: str
    reason: str
    codes: tuple[str, ...]
    lit_s: float
    agrees: bool


def tell(case: tuple[str, str, int, str, str]) -> Told:
    """Test one unit of this kind with this fault, seed and procedure, on the simulated board or the real program (scheme `firmware`)."""
    kind, fault, seed, procedure, scheme = case
    if scheme == "firmware":
        from firmware.simulator.port import register

        register()
    address = f"{scheme}://{UNITS[kind]}?seed={seed}" + (f"&fault={fault}" if fault else "")
    setup = Setup(
        kind, limits=tuple(files.named_limits(name) for name in defaults.LIMITS), grade_rule=files.grade_rule(), rating_known=True,
        claims=CLAIMS[kind],
    )  # fmt: skip
    record = tested(address, procedure, setup)
    codes = tuple(f.code for f in (*record.bench_faults, *record.measured.bench_faults))
    lit_s = sum(step.lasted_s for step in record.steps)
    letter = record.conclusion.letter
    return Told(kind, fault, seed, record.outcome.value, letter, record.reason, codes, lit_s, agrees(record.outcome, letter))


def tested(address: str, procedure: str, setup: Setup) -> TestRecord:
    port = open_port(address)
    try:
        return run_test(port, files.procedure(procedure), setup, when="", software="")
    finally:
        port.close()


def contradiction(seed: int) -> str:
    """A test drawn at random by this seed: what in its record contradicts its outcome; empty if nothing does."""
    rng = random.Random(seed)
    kind = rng.choice(list(UNITS))
    of_kind = [name for name, fault in FAULTS.items() if fault.side == "unit" and kind in fault.kinds]
    faults = rng.sample([*of_kind, *ITEMS, *UNSEEN, *LINK_FAULTS], rng.choice((0, 1, 1, 2)))
    volts, ambient = rng.choice((12.8, 12.8, 12.8, 11.0, 15.0)), rng.choice((24.0, 24.0, 24.0, -17.0, 50.0))
    address = f"sim://{UNITS[kind]}?seed={seed}&ambient={ambient:g}" + (f"&fault={','.join(faults)}" if faults else "")
    limits = rng.choice((defaults.LIMITS, ("un-r48", "sae-j945"), ("us-turn",), ("outage-qct501",)))
    setup = Setup(
        kind, limits=tuple(files.named_limits(name) for name in limits), grade_rule=rng.choice((files.grade_rule(), None)), supply_v=volts,
        rating_known=rng.random() < 0.7, claims=CLAIMS[kind] if rng.random() < 0.7 else Claims(), stop_early=rng.random() < 0.2,
    )  # fmt: skip
    record = tested(address, rng.choice((*("quick",) * 5, "decide")), setup)
    outcome, letter, code = record.outcome, record.conclusion.letter, code_for(record)
    cancelled = outcome is Outcome.NOT_DECIDED and record.interrupted is not None
    failed = any(v.conformity is Conformity.FAIL for v in record.verdicts)
    wrong = [
        text
        for text, holds in (
            ("grade", agrees(outcome, letter)),
            ("sentence", record.reason.startswith(OPENINGS[outcome])),
            ("exit code", code == (130 if cancelled else {0: 0, 1: 1, 2: 5, 3: 3, 4: 4}[list(Outcome).index(outcome)])),
            ("a limit failed", outcome is not Outcome.GOOD or not failed),
            ("a limit open", outcome is not Outcome.GOOD or all(v.conformity.is_favourable for v in record.verdicts)),
            ("a spoiling fault", outcome is Outcome.BENCH_FAULT or not any(f.spoils for f in record.bench_faults)),
            ("an error of the program", not any(f.code == "program" for f in record.bench_faults)),
            ("its JSON", from_json(to_json(record)).conclusion == record.conclusion),
        )
        if not holds
    ]
    return f"seed {seed}, {address}: {', '.join(wrong)}: {outcome} {letter} {record.reason}" if wrong else ""


def print_random(first: int, count: int, jobs: int) -> None:
    with ProcessPoolExecutor(jobs) as pool:
        found = [text for text in pool.map(contradiction, range(first, first + count), chunksize=20) if text]
    print("\n".join(found))
    print(f"{count} tests drawn at random: {len(found)} whose outcome, grade, sentence, exit code or JSON disagree")


def agrees(outcome: Outcome, letter: str) -> bool:
    """Whether grade and outcome say the same."""
    return {Outcome.GOOD: letter in ("", "A", "B", "C"), Outcome.NOT_GOOD: letter in ("", "R")}.get(outcome, letter == "")


def cases(what: str, seeds: Iterable[int]) -> Iterator[tuple[str, str, int]]:
    """Kind, fault and seed of each test."""
    for seed in seeds:
        for kind in UNITS:
            if what == "good":
                yield kind, "", seed
            elif what == "unit":
                yield from ((kind, name, seed) for name, fault in FAULTS.items() if fault.side == "unit" and kind in fault.kinds)
            else:
                yield from ((kind, name, seed) for name in (*ITEMS, *UNSEEN))


def print_good(told: list[Told]) -> None:
    print(f"{'kind':<6} {'n':>4} {'A':>6} {'B':>6} {'C':>6} {'open':>6} {'bench':>6} {'not good':>9}  lit s: median, 95 %, longest")
    for kind in UNITS:
        mine = [t for t in told if t.kind == kind]
        print(f"{kind:<6} {len(mine):>4} {' '.join(f'{n:>6}' for n in _sold(mine))}    {_not_good(mine):>5}  {_times(mine)}")
        for t in mine:
            if t.outcome != Outcome.GOOD.value:
                print(f"       seed {t.seed}: {t.outcome}: {t.reason}")


def print_unit(told: list[Told]) -> None:
    titles = " ".join(f"{title:>5}" for title in ("A", "B", "C", "open", "bench"))
    print(f"{'fault':<24} {'kind':<5} {'n':>4} {titles} {'not good':>9} {'load':>5}  lit s; first reason")
    for name in dict.fromkeys(t.fault for t in told):
        for kind in UNITS:
            mine = [t for t in told if (t.kind, t.fault) == (kind, name)]
            if mine:
                other = sum(t.outcome == Outcome.NOT_FOR_LOAD.value for t in mine)
                row = " ".join(f"{n:>5}" for n in _sold(mine))
                print(f"{name:<24} {kind:<5} {len(mine):>4} {row} {_not_good(mine):>9} {other:>5}  {_times(mine)}; {mine[0].reason[:90]}")
    clear = [t.lit_s for t in told if t.outcome == Outcome.NOT_GOOD.value]
    if clear:
        print(f"not good: median {median(clear):.1f} s lit; {_quantiles(clear)}")
    sold = sum(t.grade in ("A", "B") for t in told)
    blamed = sum(t.outcome == Outcome.BENCH_FAULT.value for t in told)
    print(f"sold as A or B: {sold} of {len(told)}; called a fault of the bench: {blamed}")


def print_bench(told: list[Told]) -> None:
    print(f"{'fault':<22} {'n':>5} {'charged':>8} {'named':>6} {'good':>5} {'open':>5}  codes")
    for name in dict.fromkeys(t.fault for t in told):
        mine = [t for t in told if t.fault == name]
        charged = [t for t in mine if t.outcome in (Outcome.NOT_GOOD.value, Outcome.NOT_FOR_LOAD.value)]
        named = sum(bool(set(t.codes) & set(ITEMS.get(name, ()))) for t in mine)
        good = sum(t.outcome == Outcome.GOOD.value for t in mine)
        opened = sum(t.outcome == Outcome.NOT_DECIDED.value for t in mine)
        codes = Counter(code for t in mine for code in set(t.codes))
        print(f"{name:<22} {len(mine):>5} {len(charged):>8} {named:>6} {good:>5} {opened:>5}  {dict(codes)}")
        for t in charged[:3]:
            print(f"       CHARGED {t.kind} seed {t.seed}: {t.reason}")
        missed = [t for t in mine if name in ITEMS and not set(t.codes) & set(ITEMS[name])]
        if missed:
            print(f"       not named: {dict(Counter(t.kind for t in missed))}; {missed[0].kind} seed {missed[0].seed}: {missed[0].reason}")


def _sold(mine: list[Told]) -> list[int]:
    grades = [sum(t.grade == letter for t in mine) for letter in "ABC"]
    return [*grades, *(sum(t.outcome == word.value for t in mine) for word in (Outcome.NOT_DECIDED, Outcome.BENCH_FAULT))]


def _not_good(mine: list[Told]) -> int:
    return sum(t.outcome == Outcome.NOT_GOOD.value for t in mine)


def _times(mine: list[Told]) -> str:
    lit = sorted(t.lit_s for t in mine)
    return f"{median(lit):.0f}, {lit[min(len(lit) - 1, math.ceil(0.95 * len(lit)) - 1)]:.0f}, {lit[-1]:.0f}"


def _quantiles(values: list[float]) -> str:
    ordered = sorted(values)
    parts = (0.25, 0.75, 0.9, 0.99)
    return ", ".join(f"{part * 100:.0f} % below {ordered[min(len(ordered) - 1, int(part * len(ordered)))]:.0f} s" for part in parts)


STATED = 0.085
"""What the procedure `decide` states in its file of a unit that stands exactly on a limit: at most so often rejected."""


def print_rule(units: int) -> None:
    """Units whose rate stands exactly on an upper limit: looked at once a second from the eighth flash to the 105th, and judged at the end.

    Their periods of 0.5 s scatter by 1 % and are independent, so that chance alone decides. Right is to leave them open.
    """
    rng = random.Random(1)
    said: Counter[tuple[Conformity, bool]] = Counter()
    for _ in range(units):
        rates = [120.0 * (1.0 + 0.01 * rng.gauss(0.0, 1.0)) for _ in range(105)]
        said[_sequential(rates)] += 1
    for word in (Conformity.FAIL, Conformity.PASS):
        share, early = (said[word, True] + said[word, False]) / units, said[word, True] / units
        print(
            f"{word}: {_percent(share, units)} of {units} units on a limit (stated: at most {100.0 * STATED:g} %), "
            f"{_percent(early, units)} before the end"
        )


def _percent(share: float, units: int) -> str:
    return f"{100.0 * share:.2f} % +- {200.0 * math.sqrt(share * (1.0 - share) / units):.2f} %"


def _sequential(rates: list[float]) -> tuple[Conformity, bool]:
    """What the rule says in the end of these cycle rates, with the limit at 120 per minute; whether before the end."""
    for n in range(8, len(rates) + 1, 2):
        look = type_a(rates[5:n])
        word = decide(look.mean, look.u, float(look.n - 1), None, 120.0, STOPPING_LEVEL)
        if word.is_definite:
            return word, True
    last = type_a(rates[5:])
    return decide(last.mean, last.u, float(last.n - 1), None, 120.0), False


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("what", choices=("good", "unit", "bench", "random", "rule"))
    parser.add_argument("--procedure", default="decide")
    parser.add_argument("--seeds", type=int, default=3)
    parser.add_argument("--first", type=int, default=1, help="first seed")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--kinds", default=",".join(UNITS), help="kinds of units to test, separated by commas")
    parser.add_argument("--faults", default="", help="only these faults, separated by commas")
    parser.add_argument("--scheme", choices=("sim", "firmware"), default="sim", help="the simulated board, or the real program, simulated")
    options = parser.parse_args()
    if options.what == "rule":
        print_rule(options.seeds)
        return
    if options.what == "random":
        print_random(options.first, options.seeds, options.jobs)
        return
    kinds = options.kinds.split(",")
    seeds = range(options.first, options.first + options.seeds)
    wanted = options.faults.split(",") if options.faults else None
    drawn = [case for case in cases(options.what, seeds) if case[0] in kinds and (wanted is None or case[1] in wanted)]
    if options.scheme == "firmware":
        from firmware.simulator.port import NOT_A_FAULT

        print(f"left out, since the real program cannot be made to have it: {NOT_A_FAULT}")
        drawn = [case for case in drawn if case[1] != NOT_A_FAULT]
    todo = [(*case, options.procedure, options.scheme) for case in drawn]
    with ProcessPoolExecutor(options.jobs) as pool:
        told = list(pool.map(tell, todo, chunksize=4))
    {"good": print_good, "unit": print_unit, "bench": print_bench}[options.what](told)
    print(f"{len(told)} tests by {options.procedure}; outcome and grade disagree in {sum(not t.agrees for t in told)}")


if __name__ == "__main__":
    main()
