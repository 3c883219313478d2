"""The report in at most fourteen lines: what a seller reads before he puts the unit on one of his shelves.

Where there is more to say than lines, what is least needed goes first; the full report has everything.
"""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterator
from dataclasses import dataclass

from bench.conditions import Kept
from bench.limits import Limit
from bench.measure import PROVED_BY_RUNS, UNKNOWN, FactName, UnitBehaviour
from bench.plain import one_line
from bench.procedure import OF_LOAD
from bench.record import StepRecord, TestRecord
from bench.render.facts import behaviour_text
from bench.render.made_on import first_change_text, instrument_text, older_text
from bench.render.names import NOT_MEASURED, OPEN, basis_text, grade_text, quantity_title, verdict_word
from bench.render.values import limit_text, quantity_text
from bench.uncertainty import Estimate
from bench.verdict import Conformity, Verdict

MOST_LINES = 14
_NAME = 22
_NOT_ASKED = "no limit named"
_VALUE, _LIMIT = 23, 18
_FIGURES = (
    ("rate_per_min", "rate_total_per_min"),
    ("on_ratio",),
    ("start_s", "first_extinction_s", "first_light_s"),
    ("drop_v", "drop_largest_v"),
)
"""Quantities of which one line each is shown, judged or not: of several the one that speaks most against the unit."""


@dataclass(frozen=True)
class _Part:
    """Lines that stand or go together; `rank`: the highest goes first."""

    lines: tuple[str, ...]
    rank: int


def brief_lines(record: TestRecord, width: int = 80, kept_in: str = "") -> list[str]:
    """Return at most MOST_LINES lines of at most `width` characters. `kept_in`: where the whole record is, if it was kept."""
    parts = list(_parts(record, width))
    if kept_in:
        parts.insert(-1, _Part((_cut(f"{'Record':<{_NAME}}{one_line(kept_in)}", width),), 4))
    while sum(len(part.lines) for part in parts) > MOST_LINES and len(parts) > 1:
        parts.remove(max(parts, key=lambda part: part.rank))
    lines = [line for part in parts for line in part.lines]
    return lines if len(lines) <= MOST_LINES else [*lines[: MOST_LINES - 1], "..."]


def _parts(record: TestRecord, width: int) -> Iterator[_Part]:
    """Yield all that there is to say, in the order of the page."""
    conclusion = record.conclusion
    grade = grade_text(conclusion.grade)
    letter = f"   GRADE {one_line(grade)}" if grade else ""
    yield _Part((_cut(f"{conclusion.outcome.value.upper()}{letter}   {one_line(record.unit)}", width),), 0)
    yield _Part(_wrapped(one_line(conclusion.reason), width), 0)
    yield _Part(_wrapped(f"Next: {one_line(conclusion.advice)}", width), 1)
    if record.recording is not None and (instrument := instrument_text(record.recording)):
        # Said before the figures, for it decides how wide they are.
        lines = textwrap.wrap(f"{'Instrument':<{_NAME}}{one_line(instrument)}", width, subsequent_indent=" " * _NAME)
        yield _Part(tuple(lines), 2)
    yield from _figures(record, width)
    yield from _making(record, width)
    yield from _doubts(record, width)
    if record.is_simulated:
        yield _Part(("Simulated board: no real unit was tested.",), 2)
    yield _Part((_cut("No inspection of a vehicle: a licensed inspection decides. All figures: --full", width),), 1)


def _figures(record: TestRecord, width: int) -> Iterator[_Part]:
    """Yield the figures on the rated load, and what the unit did on other loads and at other voltages."""
    for names in _FIGURES:
        if line := _figure(record, names):
            # A figure that nothing was asked of can be spared first.
            yield _Part((_cut(line, width),), 5 if _NOT_ASKED in line else 3)
    for name in _judged_besides(record):
        yield _Part((_cut(_figure(record, (name,)), width),), 4)
    for title, role in (("One lamp out", "one-out"), ("A further lamp", "trailer")):
        step = next((step for step in record.steps if step.name == role), None)
        if step is not None:
            yield _titled(title, _other_load(step), width, 4)
    for step in record.steps:
        if step.supply_v is not None and record.supply_v is not None and step.supply_v != record.supply_v:
            yield _titled(f"At {step.supply_v:g} V", _other_load(step), width, 4)


def _judged_besides(record: TestRecord) -> Iterator[str]:
    """Yield the other quantities of the rated load that a limit judges, each once."""
    with_line = {name for names in (*_FIGURES, *OF_LOAD.values()) for name in names}
    judged = dict.fromkeys(v.limit.quantity for v in record.verdicts if isinstance(v.limit, Limit))
    yield from (name for name in judged if name not in with_line)


def _making(record: TestRecord, width: int) -> Iterator[_Part]:
    """Yield how the test was made, and judged again if it was."""
    tested = f"{one_line(record.load)}{_volts(record)}, {one_line(record.procedure.name)}, {one_line(record.when)}"
    yield _titled("Tested", tested, width, 1)
    if (again := record.judged_again) is not None:
        yield _titled("Judged again", f"from the capture {one_line(again.capture)}, {one_line(again.when)}", width, 4)
        for one in again.compared or ():
            if one.sha256_now != one.sha256:
                yield _titled("First judged by", one_line(first_change_text(one)), width, 2)


def _doubts(record: TestRecord, width: int) -> Iterator[_Part]:
    """Yield what weakens the result: conditions, what of the bench was not proved, the basis of the figures, a record without a sum."""
    # Figures for another system were not asked of this unit at all.
    broken = [c.text for c in record.conditions if c.kept is Kept.NOT_KEPT and not c.condition.system_v]
    if broken:
        yield _Part(_wrapped(f"Conditions not kept: {one_line('; '.join(dict.fromkeys(broken)))}", width), 2)
    unproved = [f"{p.item} ({p.text})" for p in record.measured.proofs if not p.proved and p.item in PROVED_BY_RUNS]
    if unproved and record.conclusion.outcome.is_of_unit:
        yield _Part(_wrapped(f"Not proved in this test: {one_line('; '.join(unproved))}", width), 2)
    if basis := record.conclusion.basis:
        yield _titled("Weakest basis", f"{basis_text(*basis.split())}, of the figures that decided", width, 2)
    if text := older_text(record):
        yield _Part(_wrapped(text, width), 2)


def _titled(title: str, text: str, width: int, rank: int) -> _Part:
    """Return one line with its title in front."""
    return _Part((_cut(f"{title:<{_NAME}}{text}", width),), rank)


def _figure(record: TestRecord, names: tuple[str, ...]) -> str:
    """Return one figure with its limit and verdict; that of a limit that speaks against the unit first, then the one that lies nearest."""
    charged = _by_rule(record, names)
    if isinstance(found := record.measured.values.get(charged), Estimate):
        return _row(charged, quantity_text(charged, found), "the grade rule's", Conformity.FAIL.value.upper())
    verdicts = [v for v in record.verdicts if isinstance(v.limit, Limit) and v.limit.quantity in names]
    worst = min(verdicts, key=lambda v: (tuple(Conformity).index(v.conformity), _place(v, names), _room(v)), default=None)
    if worst is not None:
        assert isinstance(worst.limit, Limit)
        return _row(worst.limit.quantity, _judged_text(worst), limit_text(worst.limit), _verdict_text(worst))
    for name in names:
        found = record.measured.values.get(name)
        if isinstance(found, Estimate):
            return _row(name, quantity_text(name, found), _NOT_ASKED, "")
    return ""


def _verdict_text(verdict: Verdict) -> str:
    """Return the word of the verdict; a failure in capitals."""
    word = verdict_word(verdict)
    return word.upper() if verdict.conformity is Conformity.FAIL and word != OPEN else word


def _by_rule(record: TestRecord, names: tuple[str, ...]) -> str:
    """Return that of these quantities by which the grade rule rejects the unit, though every limit named on it is kept; else empty."""
    grade = record.conclusion.grade
    if grade is None or grade.outcome != "not good":
        return ""
    failed = {v.limit.quantity for v in record.verdicts if isinstance(v.limit, Limit) and v.conformity is Conformity.FAIL}
    return next((name for name in names if name in grade.charged and name not in failed), "")


def _room(verdict: Verdict) -> float:
    """Return how far inside its limit the value lies, in its own units; what was not measured lies furthest."""
    limit, found = verdict.limit, verdict.found
    if not isinstance(limit, Limit) or not isinstance(found, Estimate):
        return math.inf
    below = math.inf if limit.high is None else limit.high - found.value
    return min(below, math.inf if limit.low is None else found.value - limit.low)


def _place(verdict: Verdict, names: tuple[str, ...]) -> int:
    return names.index(verdict.limit.quantity) if isinstance(verdict.limit, Limit) else len(names)


def _judged_text(verdict: Verdict) -> str:
    if verdict.by_fact:
        return verdict.by_fact
    if isinstance(verdict.found, Estimate) and isinstance(verdict.limit, Limit):
        return quantity_text(verdict.limit.quantity, verdict.found, verdict.limit)
    return NOT_MEASURED


def _row(name: str, value: str, limit: str, mark: str) -> str:
    columns = ((quantity_title(name), _NAME), (value, _VALUE), (limit, _LIMIT))
    return f"{''.join(f'{_cut(text, width - 1):<{width}}' for text, width in columns)}{mark}".rstrip()


def _other_load(step: StepRecord) -> str:
    doing = step.measured.facts.get(FactName.BEHAVIOUR, UNKNOWN)
    rate, on = step.measured.values.get("rate_per_min"), step.measured.values.get("on_ratio")
    if doing in (UnitBehaviour.FLASHING, UnitBehaviour.IRREGULAR) and isinstance(rate, Estimate):
        lit = f", {quantity_text('on_ratio', on)} lit" if isinstance(on, Estimate) else ""
        return f"{quantity_text('rate_per_min', rate)}{lit} on {one_line(step.load_text)}"
    return f"{behaviour_text(doing)} on {one_line(step.load_text)}"


def _volts(record: TestRecord) -> str:
    return f", {record.system_v:g} V system" if record.supply_v is None else f" at {record.supply_v:g} V"


def _wrapped(text: str, width: int) -> tuple[str, ...]:
    return tuple(textwrap.wrap(text, width)) or ("",)


def _cut(line: str, width: int) -> str:
    return line if len(line) <= width else f"{line[: width - 3]}..."
