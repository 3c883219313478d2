"""A record as the rows of its tables: what was judged, and what was measured besides. Nothing is laid out here."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from bench.limits import Limit, Requirement, Source
from bench.measure import QUANTITIES
from bench.record import TestRecord
from bench.render.names import verdict_word
from bench.render.values import in_unit, limit_text, quantity_text, risk_text
from bench.uncertainty import Estimate, Measurement, NotMeasured
from bench.verdict import Conformity, Verdict

NONE = "-"


@dataclass(frozen=True, slots=True)
class JudgedRow:
    """One requirement: texts for a table; `depth` counts the alternatives it stands in; `why_not` if it was not measured, or left open."""

    limit_set: str
    title: str
    value: str
    limit: str
    conformity: Conformity
    verdict: str
    risk: str
    source: Source | None
    depth: int = 0
    why_not: str = ""


@dataclass(frozen=True, slots=True)
class MeasuredRow:
    """One value that no limit judged; `n` is the number of cycles or starts behind it."""

    title: str
    value: str
    n: int
    note: str


def judged_rows(record: TestRecord) -> tuple[JudgedRow, ...]:
    """Return the rows of all verdicts in the record's order, parts under their alternatives."""
    return tuple(row for verdict in record.verdicts for row in _rows(verdict, 0))


def measured_rows(record: TestRecord) -> tuple[MeasuredRow, ...]:
    """Return the values that no verdict rests on."""
    judged = _judged_quantities(record.verdicts)
    return tuple(
        MeasuredRow(QUANTITIES[name].full_title, quantity_text(name, found), found.n, found.note)
        for name, found in record.measured.values.items()
        if isinstance(found, Estimate) and name not in judged
    )


def not_measured(record: TestRecord) -> dict[str, list[str]]:
    """Return the titles of what was not measured, judged or not, by the reason for it."""
    reasons: dict[str, list[str]] = {}
    for row in judged_rows(record):
        if row.why_not and row.title not in reasons.setdefault(row.why_not, []):
            reasons[row.why_not].append(row.title)
    judged = _judged_quantities(record.verdicts)
    for name, found in record.measured.values.items():
        if isinstance(found, NotMeasured) and name not in judged:
            reasons.setdefault(found.reason, []).append(QUANTITIES[name].full_title)
    return reasons


def shown(name: str, found: Estimate) -> Estimate:
    """Return the estimate in the unit in which this quantity is shown."""
    return in_unit(found, QUANTITIES[name].shown_unit)


def _rows(verdict: Verdict, depth: int) -> Iterator[JudgedRow]:
    requirement = verdict.limit
    yield JudgedRow(
        limit_set=verdict.limit_set,
        title=requirement.title,
        value=_value(verdict),
        limit=limit_text(requirement),
        conformity=verdict.conformity,
        verdict=verdict_word(verdict),
        risk=NONE if verdict.p_wrong is None else risk_text(verdict.p_wrong),
        source=_source(requirement),
        depth=depth,
        why_not=verdict.why_open or (verdict.found.reason if isinstance(verdict.found, NotMeasured) and not verdict.by_fact else ""),
    )
    for part in verdict.parts:
        yield from _rows(part, depth + 1)


def _value(verdict: Verdict) -> str:
    if verdict.by_fact:
        return verdict.by_fact
    found: Measurement | None = verdict.found
    if isinstance(found, Estimate) and isinstance(verdict.limit, Limit):
        return quantity_text(verdict.limit.quantity, found, verdict.limit)
    return NONE


def _source(requirement: Requirement) -> Source | None:
    return getattr(requirement, "source", None)


def _judged_quantities(verdicts: Iterable[Verdict]) -> frozenset[str]:
    found: set[str] = set()
    for verdict in verdicts:
        if isinstance(verdict.limit, Limit):
            found.add(verdict.limit.quantity)
        found |= _judged_quantities(verdict.parts)
    return frozenset(found)
