"""A limit set for people: every number with its source and how well it is known."""

from __future__ import annotations

from collections.abc import Iterator

from rich.console import Group, RenderableType
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from bench.conditions import demand_texts
from bench.limits import AllOf, AnyOf, Condition, Limit, LimitSet, Requirement
from bench.measure import QUANTITIES
from bench.plain import one_line
from bench.render.names import averaging_text
from bench.render.tables import table
from bench.render.values import limit_text, source_text


def limit_set_report(limit_set: LimitSet) -> RenderableType:
    """Return everything the set says, for a rich console."""
    averaging = limit_set.averaging
    facts = Table.grid(padding=(0, 2))
    for name, value in (
        ("Edition", limit_set.edition),
        ("Body", limit_set.body),
        ("For units", f"{limit_set.rest} at rest, {limit_set.load} load"),
        ("Flash rate", averaging_text(averaging)),
        ("", source_text(averaging.source)),
    ):
        facts.add_row(Text(name, style="dim"), Text(one_line(value)))
    made = table("Requirement", "Limit", "Source")
    for requirement, depth in _flat(limit_set.requirements):
        source = getattr(requirement, "source", None)
        indented = Padding(Text(one_line(requirement.title)), (0, 0, 0, 2 * depth))
        made.add_row(indented, Text(one_line(_asked_text(requirement))), Text("" if source is None else one_line(source_text(source))))
    more = [_condition_text(c) for c in limit_set.conditions] + [f"Note: {note}" for note in limit_set.notes]
    head = Text(f"{one_line(limit_set.name)}: {one_line(limit_set.title)}", style="bold")
    return Group(head, facts, Text(), made, *(Text(one_line(line)) for line in more), Text())


def _asked_text(requirement: Requirement) -> str:
    in_doubt = isinstance(requirement, Limit) and requirement.doubtful
    return limit_text(requirement) + (", in doubt: fails no unit" if in_doubt else "")


def _condition_text(condition: Condition) -> str:
    """Return the condition, what of it is checked and for which limits, and where it comes from."""
    demands = demand_texts(condition)
    parts = [condition.text, f"checked: {', '.join(demands)}" if demands else "not checked"]
    if condition.quantities:
        parts.append(f"only for: {', '.join(QUANTITIES[quantity].full_title for quantity in condition.quantities)}")
    return f"Condition: {'; '.join(parts)} ({source_text(condition.source)})"


def _flat(requirements: tuple[Requirement, ...], depth: int = 0) -> Iterator[tuple[Requirement, int]]:
    for requirement in requirements:
        yield requirement, depth
        if isinstance(requirement, AnyOf):
            yield from _flat(requirement.alternatives, depth + 1)
        elif isinstance(requirement, AllOf):
            yield from _flat(requirement.limits, depth + 1)
