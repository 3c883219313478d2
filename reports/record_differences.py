"""What differs between the records of two tests of one unit: outcome, grade, verdicts, facts, faults, and what could be measured."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from bench.record import TestRecord
from bench.render.values import limit_text
from bench.uncertainty import Estimate, Measurement
from bench.verdict import Verdict

EDGE = 0.01


def grade_text(record: TestRecord) -> str:
    """Return the grade's name, "-" without a grade."""
    return record.grade.name if record.grade else "-"


def differences(first: TestRecord, second: TestRecord) -> Iterator[str]:
    """Yield what the two records do not have in common, apart from values."""
    for what, a, b in (("outcome", first.outcome.value, second.outcome.value), ("grade", grade_text(first), grade_text(second))):
        if a != b:
            yield f"{what}: {a} / {b}"
    for pair in _unlike_verdicts(first, second):
        yield " / ".join(_judged(verdict) for verdict in pair)
    yield from _unlike_otherwise(first, second)


def _unlike_otherwise(first: TestRecord, second: TestRecord) -> Iterator[str]:
    """Facts, faults of the bench, and what could be measured."""
    facts = [{f"{s.name} {k}": word for s in record.steps for k, word in s.measured.facts.items()} for record in (first, second)]
    yield from _unlike(facts[0], facts[1])
    faults = [sorted({fault.code for fault in record.bench_faults}) for record in (first, second)]
    if faults[0] != faults[1]:
        yield f"faults of the bench: {', '.join(faults[0]) or 'none'} / {', '.join(faults[1]) or 'none'}"
    for name, x, y in values_of_both(first, second):
        if isinstance(x, Estimate) != isinstance(y, Estimate):
            yield f"{name}: {_shown(x)} / {_shown(y)}"


def _unlike(a: Mapping[str, str], b: Mapping[str, str]) -> Iterator[str]:
    for key in dict.fromkeys((*a, *b)):
        if a.get(key) != b.get(key):
            yield f"{key}: {a.get(key, 'missing')} / {b.get(key, 'missing')}"[:200]


def _unlike_verdicts(first: TestRecord, second: TestRecord) -> Iterator[tuple[Verdict | None, Verdict | None]]:
    """Verdicts by the same limit of the same set that do not have the same outcome; None where only one board's has it."""
    by_limit = [{(v.limit_set, v.limit): v for v in record.verdicts} for record in (first, second)]
    for key in dict.fromkeys((*by_limit[0], *by_limit[1])):
        a, b = (verdicts.get(key) for verdicts in by_limit)
        if a is None or b is None or a.conformity is not b.conformity:
            yield a, b


def _judged(verdict: Verdict | None) -> str:
    if verdict is None:
        return "not judged"
    what = f"{verdict.limit_set}: {getattr(verdict.limit, 'quantity', '')} {limit_text(verdict.limit)}: {verdict.conformity.value}"
    if not isinstance(verdict.found, Estimate) or verdict.p_conform is None:
        return what
    return f"{what} ({verdict.found.value:.6g} ± {verdict.found.expanded():.2g}, kept with {verdict.p_conform * 100:.2f} %)"


def is_on_edge(first: TestRecord, second: TestRecord) -> bool:
    """Whether only verdicts differ, and all because the probabilities that the limit is kept, nearly alike, have a level between them."""
    unlike = list(_unlike_verdicts(first, second))
    if not unlike or any(_unlike_otherwise(first, second)):
        return False
    return all(a and b and abs((a.p_conform or 0.0) - (b.p_conform or 1.0)) < EDGE for a, b in unlike)


def _shown(value: Measurement | None) -> str:
    return f"{value.value:.6g}" if isinstance(value, Estimate) else value.reason if value else "missing"


def values_of_both(first: TestRecord, second: TestRecord) -> Iterator[tuple[str, Measurement | None, Measurement | None]]:
    """Yield the name of each value, and what it is in either record; None where it is in one only."""
    for name in dict.fromkeys((*first.measured.values, *second.measured.values)):
        yield name, first.measured.values.get(name), second.measured.values.get(name)
