"""How many small faults planted in the measuring the tests find: `python -m reports.mutants [--module measure.values ...] [--sample N]`.

For each module a sample of all the faults of `reports/mutations.py`, drawn by the seed and by what they change, so that a fault stays in
the sample as long as its function stays as it is. Each is planted in a forked child of a process that has imported everything: the new code
goes into the functions that are there, new constants into all modules that hold them. The child runs those tests of the module's own files
that come past the changed statement, the quickest first, and ends at the first that fails; one that takes five times as long as it should
counts as found. Tests of measuring are spared the way from samples to evidence, where that way is not what is changed.

A comparison of a measured real number with a threshold differs from one that takes the threshold in only where both are the same to the
last bit: such faults are counted by themselves ("on edge") where no test finds them. Faults that change nothing are written down with
their reason in `reports/equivalent_mutants.toml`. They are planted all the same, and left out of the percentage only as long as they
survive.
"""

from __future__ import annotations

import argparse
import ast
import hashlib
import importlib
import io
import multiprocessing
import os
import resource
import sys
import time
import tomllib
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import chain
from pathlib import Path
from types import CodeType, FrameType, FunctionType, ModuleType
from typing import Any

import pytest

from reports.mutations import Mutant, mutants_of

ROOT = Path(__file__).parent.parent
EQUIVALENT = Path(__file__).parent / "equivalent_mutants.toml"
_MEASURE = (
    "test_film", "test_golden_budgets", "test_values", "test_value_levels", "test_bench_check", "test_bench_lamps", "test_behaviour",
    "test_doubtful_starts", "test_scatter",
)  # fmt: skip
_BENCH = (*_MEASURE, "test_bench_check_board", "test_lamp_died")
_SAMPLES = ("test_cycles", "test_kept_samples", "test_slow_edges", "test_inrush", "test_inrush_fit", "test_readings")
_EDGES = ("test_transitions", "test_transition_levels", "test_transition_instants", "test_transition_stream", "test_instants")
TESTS: Mapping[str, tuple[str, ...]] = {
    "measure.values": _MEASURE,
    "measure.intervals": _MEASURE,
    "measure.drop_and_currents": _MEASURE,
    "measure.steadiness": _MEASURE,
    "measure.bench_check": _BENCH,
    "measure.bench_check.board_faults": _BENCH,
    "measure.bench_check.lamp_faults": _BENCH,
    "measure.bench_check.steady_flashes": _BENCH,
    "measure.bench_check.wiring_faults": _BENCH,
    "measure.evidence": _MEASURE,
    "measure.film": _MEASURE,
    "measure.behaviour": _MEASURE,
    "measure.mechanism": _MEASURE,
    "measure.flash_table": _MEASURE,
    "measure.scatter": _MEASURE,
    "cycles.cutter": _SAMPLES,
    "cycles.state_readings": _SAMPLES,
    "inrush": _SAMPLES,
    "readings": _SAMPLES,
    "transitions.at_hand": _EDGES,
    "transitions.contact_instant": _EDGES,
    "transitions.finder": _EDGES,
    "transitions.levels": _EDGES,
    "transitions.supply_edges": _EDGES,
    "instants": _EDGES,
    "uncertainty": ("test_uncertainty", "test_coverage", "test_verdict"),
    "verdict": ("test_verdict", "test_verdict_conditions", "test_verdict_numbers", "test_verdict_parts"),
    "combine": ("test_combine",),
}
"""The fast test files of each module. `measure.by_sound` is not among them: sounds to test it with take a minute to make."""
_BEYOND_LINE = ("measure.", "verdict", "combine")
_TIMES_AS_LONG, _LEAST_CPU_S, _MEMORY = 5.0, 3.0, 8 << 30


@dataclass
class Found:
    """What became of the faults of one module."""

    module: str
    all: int = 0
    killed: int = 0
    survived: list[tuple[int, str]] = field(default_factory=list)
    equivalent: int = 0
    on_edge: int = 0
    not_equivalent: list[str] = field(default_factory=list)
    seconds: float = 0.0
    trouble: str = ""

    @property
    def part(self) -> float:
        tried = self.killed + len(self.survived)
        return self.killed / tried if tried else 1.0


class Planter:
    """A pytest plugin that plants faults in modules that have the same tests, instead of running these once."""

    def __init__(self, names: Sequence[str], sample: int, seed: int) -> None:
        self.found = [Found(name) for name in names]
        self._sample, self._seed = sample, seed
        self._modules = [importlib.import_module(f"bench.{name}") for name in names]
        # Read now: somebody may change the files while this goes on.
        self._sources = [Path(str(module.__file__)).read_text(encoding="utf-8") for module in self._modules]
        self._seconds: dict[str, float] = {}
        self._lines: dict[str, set[tuple[str, int]]] = {}

    @pytest.hookimpl(tryfirst=True)
    def pytest_collection(self) -> None:
        from hypothesis import Phase, settings

        # The same examples for every fault, and none made smaller.
        settings.register_profile("planted", deadline=None, derandomize=True, database=None, phases=(Phase.explicit, Phase.generate))
        settings.load_profile("planted")

    def pytest_runtestloop(self, session: pytest.Session) -> bool:
        if self.found[0].module.startswith(_BEYOND_LINE):
            _remember_lines()
        failed = self._run_all(session.items)
        if session.testsfailed or failed:
            for found in self.found:
                found.trouble = f"the tests fail without a fault: {', '.join(failed)}"
            return True
        for found, module, source in zip(self.found, self._modules, self._sources, strict=True):
            self._plant_in(found, module, source, session.items)
        return True

    def _plant_in(self, found: Found, module: ModuleType, source: str, items: Sequence[pytest.Item]) -> None:
        began = time.monotonic()
        tree = ast.parse(source)
        mutants = mutants_of(tree, {name for name, value in vars(module).items() if isinstance(value, float)})
        found.all = len(mutants)
        mutants.sort(key=lambda m: hashlib.sha256(f"{self._seed} {m.key}".encode()).digest())
        known = _equivalents(found.module)
        kills: Counter[str] = Counter()
        for mutant in sorted(mutants[: self._sample] if self._sample else mutants, key=lambda m: m.line):
            killer = self._try(module, tree, mutant, self._order(str(module.__file__), items, mutant, kills))
            described = f"{mutant.function or 'top'}: {mutant.change}"
            described += f" #{mutant.nth}" if mutant.nth > 1 else ""
            listed = described in known
            if killer:
                kills[killer] += 1
                found.killed += 1
                found.not_equivalent += [described] if listed else []
            elif listed:
                found.equivalent += 1
            elif mutant.on_edge:
                found.on_edge += 1
            else:
                found.survived.append((mutant.line, described))
        found.seconds = time.monotonic() - began

    def _run_all(self, items: Sequence[pytest.Item]) -> list[str]:
        """Run all tests as they are: those that fail. Notes how long each takes, and which lines of the modules each comes past."""
        paths, failed = {str(module.__file__) for module in self._modules}, []
        for item, following in zip(items, (*items[1:], None), strict=True):
            seen: set[tuple[str, int]] = set()

            def inside(frame: FrameType, event: str, _: object, seen: set[tuple[str, int]] = seen) -> Any:
                seen.add((frame.f_code.co_filename, frame.f_lineno))
                return inside

            def called(frame: FrameType, event: str, _: object, inside: Any = inside) -> Any:
                return inside if frame.f_code.co_filename in paths else None

            began = time.process_time()
            sys.settrace(called)
            passed = _passes(item, following)
            sys.settrace(None)
            failed += [] if passed else [item.nodeid]
            self._seconds[item.nodeid], self._lines[item.nodeid] = time.process_time() - began, seen
        return failed

    def _order(self, path: str, items: Sequence[pytest.Item], mutant: Mutant, kills: Counter[str]) -> list[pytest.Item]:
        """The tests that come past the statement, those first that found most for the time they take."""
        if mutant.function:
            statement = {(path, line) for line in mutant.lines}
            items = [item for item in items if not self._lines[item.nodeid].isdisjoint(statement)]
        return sorted(items, key=lambda item: (self._seconds[item.nodeid] + 0.01) / (kills[item.nodeid] + 0.2))

    def _try(self, module: ModuleType, tree: ast.Module, mutant: Mutant, items: Sequence[pytest.Item]) -> str:
        """The test that finds the fault, or empty."""
        reader, writer = os.pipe()
        limit_s = _LEAST_CPU_S + _TIMES_AS_LONG * sum(self._seconds[item.nodeid] for item in items)
        child = os.fork()
        if child == 0:
            resource.setrlimit(resource.RLIMIT_CPU, (int(time.process_time() + limit_s) + 1,) * 2)
            resource.setrlimit(resource.RLIMIT_AS, (_MEMORY, _MEMORY))
            try:
                mutant.plant()
                _transplant(module, compile(tree, str(module.__file__), "exec"))
                for item, following in zip(items, (*items[1:], None), strict=True):
                    if not _passes(item, following):
                        os.write(writer, item.nodeid.encode())
                        os._exit(1)
            except BaseException:
                os._exit(2)
            os._exit(0)
        os.close(writer)
        with os.fdopen(reader, "rb") as pipe:
            killer = pipe.read().decode()
        _, status = os.waitpid(child, 0)
        return killer or ("not loaded, or not in time" if status else "")


def _passes(item: pytest.Item, following: pytest.Item | None) -> bool:
    from _pytest.runner import runtestprotocol

    return all(report.passed for report in runtestprotocol(item, log=False, nextitem=following))


def _remember_lines() -> None:
    """The same wave gives the same evidence: it goes through the line once."""
    waves: Any = importlib.import_module("waves")
    through, kept = waves.Wave.pipeline, {}

    def pipeline(self: Any, conditions: Any = None, scans: int = 32) -> Any:
        key = repr((self, conditions, scans))
        if key not in kept:
            kept[key] = through(self, conditions, scans)
        return kept[key]

    waves.Wave.pipeline = pipeline


def _transplant(module: ModuleType, code: CodeType) -> None:
    """Put the code and constants of the changed module into the module that is there, so that all who hold its functions get them."""
    fresh = dict(module.__dict__)
    exec(code, fresh)
    for name, new in fresh.items():
        old = module.__dict__.get(name)
        if isinstance(new, type) and new.__module__ == module.__name__ and new is not old:
            _into(old, new)
        elif isinstance(new, FunctionType) and isinstance(old, FunctionType) and new.__module__ == module.__name__:
            _code_into(old, new)
        elif isinstance(new, int | float | str | tuple | frozenset | dict) and not name.startswith("__") and new != old:
            for holder in list(sys.modules.values()):
                if getattr(holder, "__dict__", {}).get(name) is old:
                    setattr(holder, name, new)


def _into(old: Any, new: type) -> None:
    for name, member in vars(new).items():
        kept = vars(old).get(name)
        if isinstance(member, FunctionType) and isinstance(kept, FunctionType):
            _code_into(kept, member)
        elif isinstance(member, property) and isinstance(kept, property):
            if isinstance(member.fget, FunctionType) and isinstance(kept.fget, FunctionType):
                _code_into(kept.fget, member.fget)
        elif isinstance(member, int | float) and member != kept:
            setattr(old, name, member)


def _code_into(old: FunctionType, new: FunctionType) -> None:
    old.__code__, old.__defaults__, old.__kwdefaults__ = new.__code__, new.__defaults__, new.__kwdefaults__


def _equivalents(module: str) -> set[str]:
    entries = tomllib.loads(EQUIVALENT.read_text(encoding="utf-8"))["mutant"]
    return {f"{one['function']}: {one['change']}" for one in entries if one["module"] == module}


def try_modules(order: tuple[tuple[str, ...], int, int]) -> list[Found]:
    """Plant faults in modules that have the same tests, in a process of its own."""
    names, sample, seed = order
    sys.path[:0] = [str(ROOT), str(ROOT / "tests")]
    files = [str(path) for path in (ROOT / "tests" / f"{test}.py" for test in TESTS[names[0]]) if path.exists()]
    planter = Planter(names, sample, seed)
    quiet = ["-o", "addopts=--strict-markers", "-p", "no:terminal", "-p", "no:cacheprovider", "--rootdir", str(ROOT)]
    kept, sys.stdout = sys.stdout, io.StringIO()
    try:
        code = pytest.main([*quiet, *files], plugins=[planter])
    finally:
        sys.stdout = kept
    for found in planter.found:
        if not found.all and not found.trouble:
            found.trouble = f"the tests did not run: {code!r}"
    return planter.found


def main(arguments: Sequence[str] | None = None) -> None:
    parser = argparse.ArgumentParser(description="Plant small faults in the measuring, and print those that no test finds.")
    parser.add_argument("--module", action="append", choices=[*TESTS], help="may be given several times; all of them without")
    parser.add_argument("--sample", type=int, default=60, help="faults for each module, 0 for all (default %(default)s)")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--brief", action="store_true", help="figures only")
    given = parser.parse_args(arguments)
    print(f"sample {given.sample or 'all'}, seed {given.seed}")
    print(f"{'module':22}{'faults':>8}{'tried':>7}{'killed':>8}{'survived':>10}{'on edge':>9}{'equivalent':>12}{'killed %':>10}{'s':>6}")
    survivors: list[str] = []
    with multiprocessing.get_context("spawn").Pool(1, maxtasksperchild=1) as pool:
        chosen = given.module or [*TESTS]
        together = dict.fromkeys(tuple(name for name in chosen if TESTS[name] == files) for files in map(TESTS.__getitem__, chosen))
        orders = [(names, given.sample, given.seed) for names in together]
        for found in chain.from_iterable(pool.imap(try_modules, orders)):
            if found.trouble:
                print(f"{found.module:22}{found.trouble}")
                continue
            tried = found.killed + len(found.survived) + found.on_edge + found.equivalent
            print(
                f"{found.module:22}{found.all:8}{tried:7}{found.killed:8}{len(found.survived):10}{found.on_edge:9}{found.equivalent:12}"
                f"{found.part * 100:10.0f}{found.seconds:6.0f}",
                flush=True,
            )
            path = f"bench/{found.module.replace('.', '/')}.py"
            survivors += [f"{path}:{line}  {what}" for line, what in found.survived]
            survivors += [f"{path}  listed as equivalent, but found: {what}" for what in found.not_equivalent]
    if survivors and not given.brief:
        print("\nNo test finds these:", *survivors, sep="\n")


if __name__ == "__main__":
    main()
