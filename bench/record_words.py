"""The words of a record against those that this version knows: a newer version may say more, and a damaged record anything.

What shows a record looks words up: a quantity's title, a unit's factor. So they are checked before anything is shown.
"""

from __future__ import annotations

from collections.abc import Container, Iterator

from bench.bank import KINDS
from bench.limits import BASES, RULES, SYSTEMS_V, UNITS, AllOf, AnyOf, FactLimit, Limit, Requirement, Source
from bench.measure import FACTS, QUANTITIES, UNKNOWN, Measured
from bench.record import TestRecord
from bench.uncertainty import Estimate

_CONFIDENCES = ("H", "M", "L")


def unknown_words(record: TestRecord) -> Iterator[str]:
    """Yield each word of the record that this version does not know: quantities, facts, units, bases, roles, kinds of lamps."""
    for measured in (record.measured, *(step.measured for step in record.steps)):
        yield from _unknown_measured(measured)
    for verdict in record.verdicts:
        yield from _unknown_requirement(verdict.limit)
    for used in record.limit_sets:
        yield from _unknown("averaging rule", used.averaging.rule, RULES)
        yield from _unknown_source(used.averaging.source)
    for condition in record.conditions:
        yield from _unknown_source(condition.condition.source)
        for quantity in condition.condition.quantities:
            yield from _unknown("quantity", quantity, QUANTITIES)
    if record.grade is not None:
        for name in record.grade.charged:
            yield from _unknown("quantity or fact", name, ("", *QUANTITIES, *FACTS))
    for fact, word in record.setup.entered.items():
        yield from _unknown_fact(fact, word)
    if record.setup.bank is not None:
        for socket in record.setup.bank.sockets:
            yield from _unknown("kind of lamp", socket.kind, KINDS)
    if record.system_v not in SYSTEMS_V:
        yield f"a system of {record.system_v:g} V; there are {', '.join(f'{v:g} V' for v in SYSTEMS_V)}"


def _unknown_measured(measured: Measured) -> Iterator[str]:
    for name, found in measured.values.items():
        yield from _unknown("quantity", name, QUANTITIES)
        if isinstance(found, Estimate):
            if found.unit != QUANTITIES[name].unit:
                yield f"{name} in {found.unit!r}; its unit is {QUANTITIES[name].unit!r}"
            if found.n < 0:
                yield f"{name} from {found.n} cycles"
    for fact, word in measured.facts.items():
        yield from _unknown_fact(fact, word)


def _unknown_fact(fact: str, word: str) -> Iterator[str]:
    yield from _unknown("fact", fact, FACTS)
    yield from _unknown(f"word of the fact {fact}", word, (*FACTS[fact], UNKNOWN))


def _unknown_requirement(requirement: Requirement) -> Iterator[str]:
    match requirement:
        case Limit(quantity=quantity, unit=unit, low=low, high=high, source=source):
            yield from _unknown("quantity", quantity, QUANTITIES)
            yield from _unknown(f"unit of {quantity}", unit, [name for name, (own, _) in UNITS.items() if own == QUANTITIES[quantity].unit])
            yield from _unknown_source(source)
            if low is not None and high is not None and low > high:
                yield f"limits on {quantity} from {low:g} to {high:g}, the lower above the upper"
        case FactLimit(fact=fact, allowed=allowed, source=source):
            yield from _unknown("fact", fact, FACTS)
            for word in allowed:
                yield from _unknown_fact(fact, word)
            yield from _unknown_source(source)
        case AllOf(limits=parts) | AnyOf(alternatives=parts):
            for part in parts:
                yield from _unknown_requirement(part)


def _unknown_source(source: Source) -> Iterator[str]:
    yield from _unknown("basis of a number", source.basis, BASES)
    yield from _unknown("confidence in a source", source.confidence, _CONFIDENCES if source.basis == "memory" else ("",))


def _unknown(what: str, word: str, known: Container[str]) -> Iterator[str]:
    if word not in known:
        yield f"{what} {word!r}, which this version does not know"
