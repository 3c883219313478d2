"""Short procedures, hands that do or do not, and what must hold of a test that was broken off: for the tests of the session."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from bench_port import BenchPort

from bench.files import procedure
from bench.manual_actions import Action, Meanwhile, SetSupply
from bench.outcome import Outcome
from bench.procedure import Procedure, RunStep
from bench.record import TestRecord
from bench.uncertainty import Estimate
from bench.verdict import Conformity

RATED = RunStep("rated", "Rated", cycles=3, at_most_s=12.0, judge=("rate_per_min", "on_ratio"))


SHORT = Procedure("short", "short", "", (RATED,))


TWO = Procedure(
    "two",
    "two",
    "",
    (
        RunStep("rated", "Rated", cycles=3, at_most_s=12.0, judge=("rate_per_min", "start_s")),
        RunStep(
            "one-out", "One out", loads="one-out", cool_s=10.0, cycles=3, at_most_s=12.0, judge=("outage_rate_per_min", "outage_ratio")
        ),
    ),
)


def brief_full() -> Procedure:
    """The full procedure with sixteen flashes instead of a hundred."""
    full = procedure("full")
    return replace(full, steps=tuple(replace(s, cycles=min(s.cycles, 16)) if isinstance(s, RunStep) else s for s in full.steps))


def value(record: TestRecord, name: str) -> float:
    found = record.measured.values[name]
    assert isinstance(found, Estimate), found
    return found.value


def long_plan() -> Procedure:
    return Procedure("long", "", "", (replace(procedure("quick").runs[0], cycles=60, at_most_s=60.0),))


def one_cooled() -> Procedure:
    return Procedure("cooled", "", "", (replace(SHORT.runs[0], cool_s=10.0),))


class RealHands:
    """Hands at a board that is not simulated: the supply is right, the rest is asked of `do`."""

    def __init__(self, do: Callable[[Action, Meanwhile], bool | None]) -> None:
        self._do = do

    def do(self, action: Action, meanwhile: Meanwhile) -> bool | None:
        return True if isinstance(action, SetSupply) else self._do(action, meanwhile)


class Helpless:
    """Says that it is done, and has done nothing."""

    def do(self, action: Action, meanwhile: Meanwhile) -> None:
        return None


# --- tests that are broken off


def spoilt(record: TestRecord, port: BenchPort, *, confirmed: bool = True) -> None:
    """What holds for every broken-off test: nothing charged, nothing graded, all open, and said why and by whom."""
    assert record.interrupted, record
    by_bench = any(fault.text == record.interrupted for fault in record.bench_faults)
    assert record.outcome is (Outcome.BENCH_FAULT if by_bench else Outcome.NOT_DECIDED)
    assert record.grade is None
    said = "The bench is at fault, not the unit" if by_bench else "Not finished"
    assert record.reason == f"{said}: {record.interrupted.rstrip('.')}."
    assert not any(v.conformity is Conformity.FAIL for v in record.verdicts)
    if not confirmed:
        port.a_second_later()
    assert port.all_open
