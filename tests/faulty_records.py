"""Records of simulated units and benches with a fault by name, for the tests of every fault."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from functools import cache

from bench.claims import Claims
from bench.files import grade_rule, named_limits, procedure
from bench.limits import AllOf, AnyOf, FactLimit, Limit, Requirement
from bench.outcome import Outcome
from bench.ports.opening import open_port
from bench.procedure import Procedure, RunStep
from bench.record import TestRecord
from bench.session import run_test
from bench.setup import Setup
from bench.uncertainty import Estimate
from bench.verdict import Conformity, Verdict
from reports.outcomes import CLAIMS, UNITS

ORDINARY = ("un-r48",)
PROCEDURES = ("quick", "decide")
AGAINST = (Outcome.NOT_GOOD, Outcome.NOT_FOR_LOAD)
CHARGED = (Conformity.FAIL, Conformity.CONDITIONAL_FAIL)
SAME = (0.97, 1.03)
"""Of a value over that of the same unit without the fault."""


@cache
def plan(name: str) -> Procedure:
    """A procedure by name; `steps`: the full one for sixteen flashes."""
    if name != "steps":
        return procedure(name)
    full = procedure("full")
    return replace(full, steps=tuple(replace(s, cycles=min(s.cycles, 16)) if isinstance(s, RunStep) else s for s in full.steps))


@cache
def record_of(
    kind: str, fault: str = "", how: str = "quick", limits: tuple[str, ...] = ORDINARY, seed: int = 3, claimed: bool = True
) -> TestRecord:
    """The record of the unit of this kind with this fault (of whatever sort); with `how` `zeroed` the link is fitted first."""
    port = open_port(f"sim://{UNITS[kind]}?seed={seed}" + (f"&fault={fault}" if fault else ""))
    setup = Setup(
        kind, limits=tuple(named_limits(name) for name in limits), grade_rule=grade_rule(), rating_known=True, zero=how == "zeroed",
        claims=CLAIMS[kind] if claimed else Claims(),
    )  # fmt: skip
    try:
        return run_test(port, plan("steps" if how == "zeroed" else how), setup, when="", software="")
    finally:
        port.close()


def value(record: TestRecord, name: str) -> float:
    found = record.measured.values[name]
    assert isinstance(found, Estimate), f"{name}: {found}"
    return found.value


def quantities(requirement: Requirement) -> frozenset[str]:
    match requirement:
        case Limit(quantity=quantity):
            return frozenset({quantity})
        case FactLimit(fact=fact):
            return frozenset({fact})
        case AllOf(limits=parts) | AnyOf(alternatives=parts):
            return frozenset[str]().union(*(quantities(part) for part in parts))


def charged(verdicts: Iterable[Verdict]) -> frozenset[str]:
    """The quantities that the unit is told off for."""
    return frozenset[str]().union(*(quantities(v.limit) for v in verdicts if v.conformity in CHARGED))


def nobody_is_charged(record: TestRecord) -> None:
    """What holds whatever is wrong on the bench: nothing is said against the unit, by outcome, verdict, grade or sentence."""
    assert not any(fault.code == "program" for fault in record.bench_faults), record.interrupted
    assert record.outcome not in AGAINST, record.reason
    assert "Rejected" not in record.reason
    assert not charged(record.verdicts)
    assert record.conclusion.letter != "R"
    if any(fault.spoils for fault in record.bench_faults):
        assert {v.conformity for v in record.verdicts} <= {Conformity.NOT_MEASURED}
        assert record.outcome is Outcome.BENCH_FAULT
    if record.outcome is Outcome.BENCH_FAULT:
        assert record.grade is None
        assert record.reason.startswith("The bench is at fault, not the unit: ")
