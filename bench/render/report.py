"""The full report of a test for a terminal or a text file: outcome, reason, tables, sources, conditions, runs, bench, caution.

One renderable serves both. Nothing is told by colour alone, and every outside text goes through `one_line` into plain `Text`, so
that nothing in it is taken for markup or obeyed by a terminal.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from io import StringIO
from typing import TypeVar

from rich.console import Console, Group, RenderableType
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from bench.conditions import Kept
from bench.limits import Source
from bench.measure import QUANTITIES, UNKNOWN, FactName, RatingState
from bench.outcome import Outcome
from bench.plain import one_line, shortened
from bench.record import TestRecord
from bench.render.cautions import NO_INSPECTION, SIMULATED
from bench.render.facts import behaviour_text, fact_text
from bench.render.made_on import made_on
from bench.render.names import VERDICT_WORDS, basis_text, capitalised, grade_text, legend, limit_set_text, quantity_title
from bench.render.rows import JudgedRow, judged_rows, measured_rows, not_measured, shown
from bench.render.tables import table
from bench.render.values import quantity_text, source_text, value_text
from bench.rounding import uncertainty_text, unit_text
from bench.uncertainty import Estimate, Measurement
from bench.verdict import Conformity

T = TypeVar("T")
MOST_ROWS = 300
"""Rows of one part of the report: a record may hold 10 MB of them, and each takes a tenth of a millisecond or more."""
_MOST_CHARACTERS = 4000
_VALUE, _FREEDOM = "Value (95 %)", "Degrees of freedom"
_OF_A_RUN = ("rate_per_min", "on_ratio", "drop_v")
STYLES = {
    Conformity.PASS: "bold green",
    Conformity.CONDITIONAL_PASS: "green",
    Conformity.CONDITIONAL_FAIL: "yellow",
    Conformity.FAIL: "bold red",
    Conformity.NOT_MEASURED: "yellow",
}
OUTCOME_STYLES = {
    Outcome.GOOD: "bold green",
    Outcome.NOT_GOOD: "bold red",
    Outcome.NOT_FOR_LOAD: "yellow",
    Outcome.NOT_DECIDED: "yellow",
    Outcome.BENCH_FAULT: "bold magenta",
}


def report_text(record: TestRecord, width: int = 80, budget: bool = False) -> str:
    """Return the report as plain text without colours, no line longer than `width`."""
    out = StringIO()
    console = Console(file=out, width=width, no_color=True, force_terminal=False, highlight=False, emoji=False, legacy_windows=False)
    console.print(report(record, budget))
    return "\n".join(line.rstrip() for line in out.getvalue().splitlines()) + "\n"


def report(record: TestRecord, budget: bool = False) -> RenderableType:
    """Return the report, to be printed by a rich console; with `budget`, the parts of every uncertainty too."""
    parts = [
        _head(record), _judged(record), _sources(record), _conditions(record), _besides(record), _reasons(record), _runs(record),
        _proofs(record), _bench(record), _notes(record),
    ]  # fmt: skip
    if budget:
        parts.append(_budgets(record))
    parts.append(_lines([NO_INSPECTION], "Caution"))
    return Group(*(part for part in parts if part is not None))


def headline(record: TestRecord) -> RenderableType:
    """Return outcome, grade, unit, and in one sentence why."""
    outcome = record.outcome
    letter = grade_text(record.conclusion.grade)
    grade = f"   GRADE {one_line(letter)}" if letter else ""
    first = Text.assemble((outcome.value.upper(), OUTCOME_STYLES[outcome]), (grade, "bold"), f"   {one_line(record.unit)}")
    return Group(first, Text(one_line(record.reason)))


def _head(record: TestRecord) -> RenderableType:
    facts = Table.grid(padding=(0, 2))
    for name, value in _first(list(_facts(record)), lambda more: ("", more)):
        facts.add_row(Text(name, style="dim"), _text(value))
    return Group(headline(record), Text(), facts)


def _facts(record: TestRecord) -> Iterator[tuple[str, str]]:
    yield "Outcome", record.outcome.value
    yield "Next", record.conclusion.advice
    if record.conclusion.basis:
        yield "Basis", f"{basis_text(*record.conclusion.basis.split())}: the weakest of the figures that decided"
    if record.grade is not None:
        grade = record.grade
        yield "Grade", f"{grade.name}: {grade.title}; by the rule {grade.rule}"
        if grade.because:
            yield "Because", f"{'; '.join(grade.because)}."
        for text in grade.kept_from:
            yield "", f"{text[:1].upper()}{text[1:]}."
    rated = record.rated_load if record.measured.facts.get(FactName.RATING) == RatingState.KNOWN else "not known"
    yield "Test", f"{record.procedure.name}, {record.system_v:g} V system, on {record.load} (rated load {rated}), {record.when}"
    if record.measured.facts:
        yield "Seen", "; ".join(fact_text(fact, word) for fact, word in record.measured.facts.items() if fact != FactName.SYSTEM)
    if record.limit_sets:
        for number, used in enumerate(record.limit_sets):
            yield "" if number else "Limits", limit_set_text(used)
    yield from made_on(record)
    if record.is_simulated:
        yield "", SIMULATED
    if record.interrupted and record.interrupted.rstrip(".") not in record.reason:
        yield "Interrupted", record.interrupted


def _judged(record: TestRecord) -> RenderableType | None:
    every = judged_rows(record)
    if not every:
        return None
    numbers, rows = _numbered(every), every[:MOST_ROWS]
    made = table("Judged", _VALUE, "Limit", "Verdict", "Risk", "Src", numbers=(_VALUE, "Risk", "Src"), gap=1, widest="Judged")
    several = len(record.limit_sets) > 1
    limit_set = ""
    for row in rows:
        if several and row.limit_set != limit_set:
            limit_set = row.limit_set
            made.add_row(Text(one_line(limit_set), style="bold"))
        made.add_row(
            Padding(Text(one_line(row.title)), (0, 0, 0, 2 * row.depth)),
            Text(one_line(row.value)),
            Text(one_line(row.limit)),
            Text(row.verdict, style=STYLES[row.conformity]),
            Text(row.risk),
            Text("" if row.source is None else f"[{numbers[row.source]}]"),
        )
    if len(every) > len(rows):
        made.add_row(Text(_more(len(every))))
    verdicts = legend(VERDICT_WORDS, [row.verdict for row in rows])
    said = (
        "Value with its 95 % interval. Risk: probability that the true value lies on the other side of the limit. Guard band: 1.645 "
        "standard uncertainties on either side of it, more with few flashes. Src: number of the source, below."
        f"{f' {capitalised(verdicts)}.' if verdicts else ''}"
    )
    return Padding(Group(made, Text(said, style="dim")), (1, 0, 0, 0))


def _numbered(rows: Iterable[JudgedRow]) -> dict[Source, int]:
    sources = dict.fromkeys(row.source for row in rows if row.source is not None)
    return {source: number for number, source in enumerate(sources, 1)}


def _sources(record: TestRecord) -> RenderableType | None:
    numbers = _numbered(judged_rows(record))
    return _lines([f"[{number}] {source_text(source)}" for source, number in numbers.items()], "Sources", numbered=True)


def _besides(record: TestRecord) -> RenderableType | None:
    rows = measured_rows(record)
    if not rows:
        return None
    made = table("Also measured", _VALUE, "n", "Note", numbers=(_VALUE, "n"), gap=1, widest="Also measured")
    for row in rows:
        made.add_row(Text(row.title), Text(row.value), Text(str(row.n)), Text(one_line(row.note), style="dim"))
    return Padding(made, (1, 0, 0, 0))


def _reasons(record: TestRecord) -> RenderableType | None:
    return _lines([f"{'; '.join(titles)}: {reason}" for reason, titles in not_measured(record).items()], "Not measured, or left open")


def _bench(record: TestRecord) -> RenderableType | None:
    faults = [f"{fault.code}: {fault.text}" for fault in dict.fromkeys((*record.bench_faults, *record.measured.bench_faults))]
    damage = ", ".join(f"{count} {name.replace('_', ' ')}" for name, count in record.link.items() if count)
    return _lines([*faults, *([f"link, counted and left out: {damage}"] if damage else [])], "Bench (not counted against the unit)")


def _conditions(record: TestRecord) -> RenderableType | None:
    """Return the conditions of the limit sets against how the test was made: what was not kept first."""
    order = (Kept.NOT_KEPT, Kept.NOT_KNOWN, Kept.KEPT)
    rows = sorted(record.conditions, key=lambda c: order.index(c.kept))
    return _lines([f"{c.limit_set}, {c.kept.value}: {c.text}" for c in rows], "Conditions of the limit sets")


def _runs(record: TestRecord) -> RenderableType | None:
    """Return a table of every run that was made, judged or not."""
    figures = [quantity_title(name) for name in _OF_A_RUN]
    made = table("Run", "Load", "V", "Seen", *figures, numbers=("V", *figures), gap=1, widest="Run")
    for step in record.steps[:MOST_ROWS]:
        values = step.measured.values
        shown_values = (_figure(values, name) for name in _OF_A_RUN)
        seen = behaviour_text(step.measured.facts.get(FactName.BEHAVIOUR, UNKNOWN))
        doing = seen if step.interrupted is None else f"{seen}; broken off: {step.interrupted}"
        volts = "" if step.supply_v is None else f"{step.supply_v:g}"
        texts = (one_line(step.name), one_line(step.load_text), volts, one_line(doing), *shown_values)
        made.add_row(*(Text(text) for text in texts))
    if len(record.steps) > MOST_ROWS:
        made.add_row(Text(_more(len(record.steps))))
    return Padding(made, (1, 0, 0, 0)) if made.row_count else None


def _figure(values: Mapping[str, Measurement], name: str) -> str:
    found = values.get(name)
    return quantity_text(name, found) if isinstance(found, Estimate) else "-"


def _proofs(record: TestRecord) -> RenderableType | None:
    proofs = record.measured.proofs
    return _lines([f"{p.item}: {'proved' if p.proved else 'not proved'} ({p.text})" for p in proofs], "The bench in this test")


def _notes(record: TestRecord) -> RenderableType | None:
    return _lines(list(record.notes), "Notes")


def _budgets(record: TestRecord) -> RenderableType | None:
    made = table("Uncertainty budget", "u", "Type", _FREEDOM, numbers=("u", _FREEDOM), gap=1, widest="Uncertainty budget")
    for name, found in record.measured.values.items():
        if isinstance(found, Estimate):
            estimate = shown(name, found)
            made.add_row(Text(QUANTITIES[name].full_title, style="bold"), Text(value_text(estimate)))
            for part in estimate.budget[:MOST_ROWS]:
                dof = "∞" if part.dof == float("inf") else f"{part.dof:.0f}"
                u = f"{uncertainty_text(part.u)} {unit_text(estimate.unit)}".rstrip()
                made.add_row(Text("  " + one_line(part.source)), Text(u), Text(part.kind), Text(dof))
            if len(estimate.budget) > MOST_ROWS:
                made.add_row(Text("  " + _more(len(estimate.budget))))
    if not made.row_count:
        return None
    said = "u: standard uncertainty (k = 1). Type A: from the scatter of readings; type B: from what else is known, as a data sheet."
    return Padding(Group(made, Text(said, style="dim")), (1, 0, 0, 0))


def _lines(lines: list[str], title: str, numbered: bool = False) -> RenderableType | None:
    if not lines:
        return None
    grid = Table.grid(padding=(0, 1))
    for line in _first(lines, lambda more: f"- {more}" if numbered else more):
        mark, rest = line.split(" ", 1) if numbered else ("-", line)
        grid.add_row(Text(mark), _text(rest))
    return Group(Text(), Text(title, style="bold"), grid)


def _first(rows: Sequence[T], as_row: Callable[[str], T]) -> Sequence[T]:
    """Return the first MOST_ROWS rows, and one that says how many more there are; all rows where they are no more."""
    return rows if len(rows) <= MOST_ROWS else (*rows[:MOST_ROWS], as_row(_more(len(rows))))


def _more(count: int) -> str:
    return f"and {count - MOST_ROWS} more, which the record has"


def _text(text: str) -> Text:
    return Text(one_line(shortened(text, _MOST_CHARACTERS)), overflow="fold")
