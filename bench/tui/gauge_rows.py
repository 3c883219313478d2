"""The requirements of limit sets as rows that keep their places while they are judged."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from bench.limits import AllOf, AnyOf, FactLimit, Limit, Requirement
from bench.verdict import Verdict


@dataclass(frozen=True, slots=True)
class Row:
    """One requirement, and its verdict once there is one; `depth` counts the alternatives that it stands in."""

    requirement: Requirement
    verdict: Verdict | None = None
    depth: int = 0

    @property
    def key(self) -> object:
        """Two sets that ask for the same band of the same quantity share a row."""
        match self.requirement:
            case Limit(quantity=quantity, low=low, high=high):
                return quantity, low, high, self.depth
            case FactLimit(fact=fact, allowed=allowed):
                return fact, allowed, self.depth
        return self.requirement


def rows_of(requirement: Requirement, depth: int = 0) -> Iterator[Row]:
    """A requirement and the parts of it, before anything is judged."""
    yield Row(requirement, depth=depth)
    parts: Sequence[Requirement] = ()
    if isinstance(requirement, AnyOf):
        parts = requirement.alternatives
    elif isinstance(requirement, AllOf):
        parts = requirement.limits
    for part in parts:
        yield from rows_of(part, depth + 1)


def rows_of_verdict(verdict: Verdict, depth: int = 0) -> Iterator[Row]:
    """Yield the row of a verdict and, deeper, those of its parts."""
    yield Row(verdict.limit, verdict, depth)
    for part in verdict.parts:
        yield from rows_of_verdict(part, depth + 1)


def merged(rows: Iterable[Row]) -> tuple[Row, ...]:
    """Each key once, where it came first."""
    found: dict[object, Row] = {}
    for row in rows:
        found.setdefault(row.key, row)
    return tuple(found.values())


def placed(expected: Sequence[Row], judged: Sequence[Row]) -> tuple[Row, ...]:
    """What was judged, in the order expected; what was not expected (a set chosen by what was seen) comes after."""
    by_key = {row.key: row for row in judged}
    known = {row.key for row in expected}
    return (*(by_key.get(row.key, row) for row in expected), *(row for row in judged if row.key not in known))
