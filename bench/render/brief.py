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
from bench.record import StepRecord, TestRecord
from bench.render.made_on import first_change_text, instrument_text, older_text
from bench.render.values import limit_text, quantity_text
from bench.render.words import behaviour_text
from bench.uncertainty import Estimate
from bench.verdict import Conformity, Verdict

MOST_LINES = 14
_NAME = 17
_NOT_ASKED = "no limit named"
_VALUE, _LIMIT = 24, 18
_STARTS = {"start_s": "Starting time", "first_extinction_s": "First extinction", "first_light_s": "First light"}
_FIGURES = (("Flash rate", ("rate_per_min", "rate_total_per_min")), ("On-time", ("on_ratio",)), ("Starting time", tuple(_STARTS)),
            ("Contact drop", ("drop_v", "drop_largest_v")))  # fmt: skip
MARKS = {
    Conformity.PASS: "kept",
    Conformity.CONDITIONAL_PASS: "too near to be sure",
    Conformity.CONDITIONAL_FAIL: "too near to be sure",
    Conformity.FAIL: "NOT KEPT",
    Conformity.NOT_MEASURED: "open",
}
_BASES = {"read": "read in the source", "own": "the shop's own", "summary": "after a summary", "memory": "from memory"}


@dataclass(frozen=True)
class _Part:
    """Lines that stand or go together; `rank`: the highest goes first."""

    lines: tuple[str, ...]
    rank: int


def brief_lines(record: TestRecord, width: int = 80, kept_in: str = "") -> list[str]:
    """At most MOST_LINES lines of at most `width` characters. `kept_in`: where the whole record is, if it was kept."""
    parts = list(_parts(record, width))
    if kept_in:
        parts.insert(-1, _Part((_cut(f"{'Record':<{_NAME}}{one_line(kept_in)}", width),), 4))
    while sum(len(part.lines) for part in parts) > MOST_LINES and len(parts) > 1:
        parts.remove(max(parts, key=lambda part: part.rank))
    lines = [line for part in parts for line in part.lines]
    return lines if len(lines) <= MOST_LINES else [*lines[: MOST_LINES - 1], "..."]


def _parts(record: TestRecord, width: int) -> Iterator[_Part]:
    conclusion = record.conclusion
    letter = f"   GRADE {one_line(conclusion.letter)}" if conclusion.letter else ""
    yield _Part((_cut(f"{conclusion.outcome.value.upper()}{letter}   {one_line(record.unit)}", width),), 0)
    yield _Part(_wrapped(one_line(conclusion.reason), width), 0)
    yield _Part(_wrapped(f"Next: {one_line(conclusion.advice)}", width), 1)
    if record.recording is not None and (instrument := instrument_text(record.recording)):
        # Said before the figures, for it decides how wide they are.
        lines = textwrap.wrap(f"{'Instrument':<{_NAME}}{one_line(instrument)}", width, subsequent_indent=" " * _NAME)
        yield _Part(tuple(lines), 2)
    for title, names in _FIGURES:
        line = _figure(record, title, names)
        if line:
            # A figure that nothing was asked of can be spared first.
            yield _Part((_cut(line, width),), 5 if _NOT_ASKED in line else 3)
    for title, roles in (("One lamp out", "one-out"), ("A further lamp", "trailer")):
        step = next((step for step in record.steps if step.name == roles), None)
        if step is not None:
            yield _Part((_cut(f"{title:<{_NAME}}{_other_load(step)}", width),), 4)
    for step in record.steps:
        if step.supply_v is not None and record.supply_v is not None and step.supply_v != record.supply_v:
            yield _Part((_cut(f"{f'At {step.supply_v:g} V':<{_NAME}}{_other_load(step)}", width),), 4)
    tested = f"{one_line(record.load)}{_volts(record)}, {one_line(record.procedure.name)}, {one_line(record.when)}"
    yield _Part((_cut(f"{'Tested':<{_NAME}}{tested}", width),), 1)
    if record.judged_again is not None:
        again = f"from the capture {one_line(record.judged_again.capture)}, {one_line(record.judged_again.when)}"
        yield _Part((_cut(f"{'Judged again':<{_NAME}}{again}", width),), 4)
        changed = [one for one in record.judged_again.compared or () if one.sha256_now != one.sha256]
        for one in changed:
            yield _Part((_cut(f"{'First judged by':<{_NAME}}{one_line(first_change_text(one))}", width),), 2)
    # Figures for another system were not asked of this unit at all.
    broken = [c.text for c in record.conditions if c.kept is Kept.NOT_KEPT and not c.condition.system_v]
    if broken:
        yield _Part(_wrapped(f"Conditions not kept: {one_line('; '.join(dict.fromkeys(broken)))}", width), 2)
    unproved = [f"{p.item} ({p.text})" for p in record.measured.proofs if not p.proved and p.item in PROVED_BY_RUNS]
    if unproved and conclusion.outcome.on_unit:
        yield _Part(_wrapped(f"Not proved in this test: {one_line('; '.join(unproved))}", width), 2)
    if conclusion.basis:
        word, _, confidence = conclusion.basis.partition(" ")
        sure = f" (confidence {confidence})" if confidence else ""
        yield _Part((_cut(f"{'Weakest basis':<{_NAME}}{_BASES[word]}{sure}, of the figures that decided", width),), 2)
    if text := older_text(record):
        yield _Part(_wrapped(text, width), 2)
    if record.is_simulated:
        yield _Part(("Simulated board: no real unit was tested.",), 2)
    yield _Part((_cut("No inspection of a vehicle: a licensed inspection decides. All figures: --full", width),), 1)


def _figure(record: TestRecord, title: str, names: tuple[str, ...]) -> str:
    """One figure with its limit and mark; that of a limit that speaks against the unit first, then the one that lies nearest."""
    charged = _by_rule(record, names)
    if isinstance(found := record.measured.values.get(charged), Estimate):
        return _row(_STARTS.get(charged, title), quantity_text(charged, found), "the grade rule's", "NOT KEPT")
    verdicts = [v for v in record.verdicts if isinstance(v.limit, Limit) and v.limit.quantity in names]
    worst = min(verdicts, key=lambda v: (tuple(Conformity).index(v.conformity), _place(v, names), _room(v)), default=None)
    if worst is not None:
        assert isinstance(worst.limit, Limit)
        return _row(_STARTS.get(worst.limit.quantity, title), _judged_text(worst), limit_text(worst.limit), MARKS[worst.conformity])
    for name in names:
        found = record.measured.values.get(name)
        if isinstance(found, Estimate):
            return _row(_STARTS.get(name, title), quantity_text(name, found), _NOT_ASKED, "")
    return ""


def _by_rule(record: TestRecord, names: tuple[str, ...]) -> str:
    """That of these quantities by which the grade rule rejects the unit, though every limit named on it is kept; else empty."""
    grade = record.conclusion.grade
    if grade is None or grade.outcome != "not good":
        return ""
    failed = {v.limit.quantity for v in record.verdicts if isinstance(v.limit, Limit) and v.conformity is Conformity.FAIL}
    return next((name for name in names if name in grade.charged and name not in failed), "")


def _room(verdict: Verdict) -> float:
    """How far inside its limit the value lies, in its own units; what was not measured lies furthest."""
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
    return "not measured"


def _row(title: str, value: str, limit: str, mark: str) -> str:
    return f"{title:<{_NAME}}{_cut(value, _VALUE - 1):<{_VALUE}}{_cut(limit, _LIMIT - 1):<{_LIMIT}}{mark}".rstrip()


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
