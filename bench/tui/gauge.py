"""Every measurement of a running test on a line: value, uncertainty, a gauge against its band, and its status in a word."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from rich.text import Text
from textual.widget import Widget

from bench.limits import AllOf, AnyOf, FactLimit, Limit, LimitSet, Requirement
from bench.measure import QUANTITIES, Measured
from bench.plain import one_line
from bench.render.names import NOT_MEASURED
from bench.render.values import limit_text, quantity_text
from bench.tui.gauge_rows import Row, merged, placed, rows_of, rows_of_verdict
from bench.tui.gauge_scale import gauge
from bench.tui.signs import CONFORMITY_SIGNS
from bench.tui.wrapped import cut, padded
from bench.uncertainty import Estimate, NotMeasured
from bench.verdict import Conformity, Verdict, spoiling

WORDS: Mapping[Conformity, str] = {
    Conformity.PASS: "inside",
    Conformity.CONDITIONAL_PASS: "near the edge",
    Conformity.CONDITIONAL_FAIL: "near the edge",
    Conformity.FAIL: "outside",
    Conformity.NOT_MEASURED: "not yet",
}
FACT_WORDS: Mapping[Conformity, str] = {Conformity.PASS: "as asked", Conformity.FAIL: "not as asked", Conformity.NOT_MEASURED: "not yet"}
TIMES = ("start_s", "first_light_s", "first_extinction_s", "start_largest_s")
"""What happens once, at the start: all of it on one line."""
_TIMES_APART = 3
BESIDES = ("steady_a", "inrush_first_a", "lamp_v", "period_spread", "bounce_make_s", "temperature_c")
"""What no limit judges and still tells the operator much, in this order."""


@dataclass(frozen=True, slots=True)
class RowWidths:
    """Widths of a row's parts; `limit` is 0 where the limit's text has no room (its ends stand in the gauge)."""

    title: int
    value: int
    limit: int
    gauge: int
    word: int = 15

    @classmethod
    def of(cls, width: int) -> RowWidths:
        """Return the widths that fit into `width` cells."""
        if width >= 104:
            title, limit = min(26 + (width - 104) // 3, 38), 14
            return cls(title, 21, limit, min(width - title - 21 - limit - 15 - 4, 60))
        return cls(24, 18, 0, max(width - 24 - 18 - 15 - 3, 9))


class Gauges(Widget):
    """A row for each requirement, always in the same order; below, what is measured besides, as far as there is room."""

    DEFAULT_CSS = "Gauges { width: 1fr; height: 1fr; }"

    def __init__(self) -> None:
        super().__init__()
        self._expected: tuple[Row, ...] = ()
        self._rows: tuple[Row, ...] = ()
        self._elsewhere: frozenset[object] = frozenset()
        self._measured: Measured | None = None
        self._flashes = 0
        self._shown: tuple[Sequence[Verdict], Measured | None, int] | None = None

    def expect(self, limit_sets: Sequence[LimitSet]) -> None:
        """These limits will be judged: shows their bands, all values still to come."""
        self._expected = merged(row for one in limit_sets for requirement in one.requirements for row in rows_of(requirement))
        self._rows, self._measured, self._flashes, self._shown = self._expected, None, 0, None
        self.refresh()

    def show(self, verdicts: Sequence[Verdict], measured: Measured | None, flashes: int) -> None:
        """How the test stands now. May be called once a frame: it draws only what has changed."""
        before = self._shown
        if before is not None and before[0] is verdicts and before[1] is measured and before[2] == flashes:
            return
        self._shown = (verdicts, measured, flashes)
        judged = merged(row for verdict in verdicts for row in rows_of_verdict(verdict))
        self._rows = placed(self._expected, judged)
        self._measured, self._flashes = measured, flashes
        self.refresh()

    @property
    def rows(self) -> tuple[Row, ...]:
        """Every requirement, with what is judged of it by now."""
        return self._rows

    def leave_out(self, rows: Iterable[Row]) -> None:
        """These are shown elsewhere on the page."""
        keys = frozenset(row.key for row in rows)
        if keys != self._elsewhere:
            self._elsewhere = keys
            self.refresh()

    @property
    def lines_wanted(self) -> int:
        """For all rows, their heading, the times, and two lines of what is measured besides."""
        return sum(not is_time(row) and row.key not in self._elsewhere for row in self._rows) + 4

    def render(self) -> Text:
        rows = [row for row in self._rows if row.key not in self._elsewhere]
        lines = gauge_lines(rows, self._measured, self._flashes, *self.content_size, colours=self.app.theme_variables)
        return Text("\n", no_wrap=True).join(lines)


def gauge_lines(
    rows: Sequence[Row], measured: Measured | None, flashes: int, width: int, height: int, colours: Mapping[str, str]
) -> list[Text]:
    """At most `height` lines: the times in one, then a row each. The heading goes first where there is no room, then what is not judged."""
    columns = RowWidths.of(width)
    spoilt = measured is not None and bool(spoiling(measured.bench_faults))
    times = times_line([row for row in rows if is_time(row)], measured, width, colours)
    rows, height = [row for row in rows if not is_time(row)], height - 1
    lines = [gauge_line(row, columns, colours, spoilt) for row in rows]
    if len(lines) > height > 0:
        return [times, *lines[: height - 1], Text(cut(_left_out(rows[height - 1 :]), width))]
    if height < 1:
        return [times][: height + 1]
    if len(lines) + 1 < height:
        lines.insert(0, _heading(columns, flashes, colours))
    lines.insert(0, times)
    judged = {row.requirement.quantity for row in rows if isinstance(row.requirement, Limit)}
    besides = [name for name in BESIDES if name not in judged]
    return [*lines, *_besides(besides, measured, width, height + 1 - len(lines), colours)]


def _left_out(rows: Sequence[Row]) -> str:
    """How many rows have no room, and the worst of them: nothing bad may hide."""
    judged = [row for row in rows if row.verdict is not None and row.verdict.conformity is not Conformity.NOT_MEASURED]
    worst = min(judged, key=lambda row: tuple(Conformity).index(row.verdict.conformity) if row.verdict else 0, default=None)
    if worst is None or worst.verdict is None:
        return f"and {len(rows)} more, not yet: they need a taller window"
    return f"and {len(rows)} more; the worst: {title_of(worst.requirement)} {word_of(worst, {})[0]}"


def is_time(row: Row) -> bool:
    """Whether the row is about the start, and so has its place in the line of the times."""
    return isinstance(row.requirement, Limit) and row.requirement.quantity in TIMES and not row.depth


def times_line(rows: Sequence[Row], measured: Measured | None, width: int, colours: Mapping[str, str]) -> Text:
    """`starting time 412 ms ✓   first light 2 ms ✓ ...`. Where they have no room, what is inside its limits goes first."""
    parts = [part for name in TIMES if (part := _time_part(name, rows, measured, colours)) is not None]
    while len(parts) > 1 and sum(text.cell_len for _, text in parts) + _TIMES_APART * (len(parts) - 1) > width:
        parts.remove(max(reversed(parts), key=lambda part: part[0]))
    line = Text(" " * _TIMES_APART).join(text for _, text in parts)
    line.truncate(width, overflow="ellipsis")
    return line


def _time_part(name: str, rows: Sequence[Row], measured: Measured | None, colours: Mapping[str, str]) -> tuple[int, Text] | None:
    """How good it is (the worst of its limits, by the order of `Conformity`), and its words; None for the longest of one start."""
    ours = [row for row in rows if isinstance(row.requirement, Limit) and row.requirement.quantity == name]
    if not ours and name == "start_largest_s":
        return None
    order = tuple(Conformity)
    judged = [(order.index(row.verdict.conformity), row) for row in ours if row.verdict is not None]
    rank, row = min(judged, key=lambda one: one[0], default=(len(order), None))
    found = row.verdict.found if row is not None and row.verdict is not None else None
    if found is None and measured is not None:
        found = measured.values.get(name)
    limit = replace(row.requirement, unit=QUANTITIES[name].shown_unit) if row is not None and isinstance(row.requirement, Limit) else None
    text = Text.assemble((f"{short_title(name)} ", colours.get("quiet", "")))
    if not isinstance(found, Estimate):
        is_lost = isinstance(found, NotMeasured) and found.fault != "none"
        return rank, text.append(*((NOT_MEASURED, colours.get("doubt", "")) if is_lost else ("not yet", "")))
    text.append(quantity_text(name, found, limit).partition(" ±")[0] + f" {QUANTITIES[name].shown_unit}", "bold")
    if row is not None:
        word, style = word_of(row, colours)
        text.append(f" {word if rank < order.index(Conformity.PASS) else word[:1]}", style)
    return rank, text


def title_of(requirement: Requirement) -> str:
    """Return the title of what a verdict judges."""
    return short_title(requirement.quantity) if isinstance(requirement, Limit) else one_line(requirement.title)


def short_title(quantity: str) -> str:
    """Return the name of a quantity, as everything calls it."""
    return QUANTITIES[quantity].title


def gauge_line(row: Row, columns: RowWidths, colours: Mapping[str, str], spoilt: bool = False) -> Text:
    """One row: title, value, gauge, word; or why there will be no value."""
    requirement, verdict = row.requirement, row.verdict
    found = verdict.found if verdict is not None else None
    title = "  " * row.depth + title_of(requirement)
    quiet = colours.get("quiet", "")
    if isinstance(found, NotMeasured) and found.fault != "none" and verdict is not None and not verdict.by_fact:
        room = columns.value + columns.limit + columns.gauge + columns.word + (3 if columns.limit else 2)
        why = padded(f"? {NOT_MEASURED}: {one_line(found.reason)}", room)
        return Text.assemble(padded(title, columns.title), " ", (why, colours.get("doubt", "")))
    value = _value(requirement, verdict)
    # A long number takes from the title, never the other way.
    over = max(len(value) - columns.value, 0)
    line = Text(padded(title, columns.title - over) + " " + padded(value, columns.value + over, right=True) + " ")
    if columns.limit:
        line.append(padded("" if isinstance(requirement, AnyOf | AllOf) else limit_text(requirement), columns.limit) + " ", quiet)
    word, style = word_of(row, colours, spoilt)
    if isinstance(requirement, Limit):
        line.append_text(gauge_of(requirement, found if isinstance(found, Estimate) else None, columns.gauge, style, quiet))
    else:
        line.append(" " * columns.gauge)
    line.append(" " + padded(word, columns.word), style)
    return line


def _value(requirement: Requirement, verdict: Verdict | None) -> str:
    if verdict is None:
        return "" if isinstance(requirement, AnyOf | AllOf) else "not yet"
    if verdict.by_fact:
        return one_line(verdict.by_fact)
    if isinstance(requirement, Limit):
        found = verdict.found
        return quantity_text(requirement.quantity, found, requirement) if isinstance(found, Estimate) else "not yet"
    return "not yet" if isinstance(requirement, FactLimit) else ""


def word_of(row: Row, colours: Mapping[str, str], spoilt: bool = False) -> tuple[str, str]:
    """Mark and word of how a row stands, and the colour that repeats them."""
    requirement, verdict, quiet = row.requirement, row.verdict, colours.get("quiet", "")
    if verdict is None:
        return "  not yet", quiet
    if verdict.conformity is Conformity.NOT_MEASURED:
        return ("! bench fault", colours.get("fault", "")) if spoilt else ("  not yet", quiet)
    sign = CONFORMITY_SIGNS[verdict.conformity]
    words = WORDS if isinstance(requirement, Limit) and not verdict.by_fact else FACT_WORDS
    return f"{sign.mark} {words.get(verdict.conformity, WORDS[verdict.conformity])}", f"bold {colours.get(sign.variable, '')}".rstrip()


def gauge_of(limit: Limit, found: Estimate | None, width: int, style: str, quiet: str) -> Text:
    """The gauge of a limit, with its edges beside the posts."""
    return gauge(
        limit.low,
        limit.high,
        width,
        None if found is None else found.value,
        0.0 if found is None else found.expanded(),
        (_edge(replace(limit, high=None)), _edge(replace(limit, low=None))),
        style,
        quiet,
    )


def _edge(one_sided: Limit) -> str:
    """The number of a limit with one end: the second word of `min 60 /min`; empty without an end."""
    return "" if one_sided.low is None and one_sided.high is None else limit_text(one_sided).split()[1]


def _heading(columns: RowWidths, flashes: int, colours: Mapping[str, str]) -> Text:
    counted = "no flash yet" if not flashes else "1 flash counted" if flashes == 1 else f"{flashes} flashes counted"
    limit = padded("limit", columns.limit) + " " if columns.limit else ""
    value = padded("value ± 95 %", columns.value, right=True)
    allowed = padded("┃ allowed ┃".center(columns.gauge), columns.gauge)
    text = f"{padded(counted, columns.title)} {value} {limit}{allowed} {padded('  status', columns.word)}"
    return Text(text, colours.get("quiet", ""))


def _besides(names: Sequence[str], measured: Measured | None, width: int, height: int, colours: Mapping[str, str]) -> list[Text]:
    """Values that no row above shows, two or more to a line."""
    if measured is None or height < 1:
        return []
    side_by_side = max(width // 39, 1)
    each = width // side_by_side
    cells = []
    for name in names:
        found = measured.values.get(name)
        value = quantity_text(name, found) if isinstance(found, Estimate) else "not yet"
        if not isinstance(found, NotMeasured) or found.fault == "none":
            cells.append((padded(short_title(name), each - 20), padded(value, 17, right=True) + "   "))
    lines = []
    for first in range(0, len(cells), side_by_side):
        line = Text(no_wrap=True)
        for title, value in cells[first : first + side_by_side]:
            line.append(title, colours.get("quiet", "")).append(value)
        lines.append(line)
    return lines[:height]
