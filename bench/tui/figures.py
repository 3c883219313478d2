"""The two values of a run that are watched from afar, flash rate and contact drop: large figures, each over its band.

Hollow figures are provisional: completed flashes are there, but fewer than the averaging rule asks for. Solid ones count.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from rich.text import Text
from textual.widget import Widget

from bench.grade.speech import speech_of
from bench.limits import Limit
from bench.procedure import RunStep
from bench.render.values import in_unit, value_text
from bench.rounding import against, last_place, rounded, unit_text
from bench.tui.gauge import gauge_of, word_of
from bench.tui.gauge_rows import Row
from bench.tui.large import large, outlined
from bench.tui.state import Underway
from bench.tui.wrapped import cut, padded
from bench.uncertainty import Estimate, NotMeasured
from bench.verdict import Conformity, spoiling

FIGURE_ROWS = 8
LINES = FIGURE_ROWS + 2
SHORT_LINES = FIGURE_ROWS + 1
"""Where every line counts, title and band share one."""
LEAST_WIDTH = 34
"""Of one figure: `123.4` in the narrow letters, and its band."""
_APART = 3
_WORD = 16
_LAST_PLACE: Mapping[str, int] = {"1/min": -1, "mV": 0}
"""Power of ten of the last digit of a large figure, unless its side of a limit needs more, or it is not known so well."""


@dataclass(frozen=True, slots=True)
class Figure:
    """A quantity on the load at hand: its `row` (limit and verdict) if this step judges it, what was `found`, and whether that counts.

    `is_spoilt`: the bench is at fault, so that nothing is judged.
    """

    quantity: str
    unit: str
    row: Row | None
    found: Estimate | NotMeasured | None
    counts: bool
    is_spoilt: bool = False

    @property
    def limit(self) -> Limit | None:
        """The limit, its edges told in the figure's unit."""
        requirement = self.row.requirement if self.row is not None else None
        return replace(requirement, unit=self.unit) if isinstance(requirement, Limit) else None


def figures_of(test: Underway, rows: Sequence[Row]) -> tuple[Figure, Figure]:
    """Flash rate and contact drop of the step at hand. `rows`: all requirements, with what is judged of them by now."""
    step = next((run for run in test.procedure.runs if test.step is not None and run.name == test.step.name), None)
    rates = [row.requirement.quantity for row in rows if isinstance(row.requirement, Limit) and "rate" in row.requirement.quantity]
    names = (_judged(step, "rate_per_min", rates), "drop_v")
    units = ("1/min", "mV")
    rate, drop = (_figure(test, step, name, unit, rows) for name, unit in zip(names, units, strict=True))
    return rate, drop


def _judged(step: RunStep | None, name: str, limited: Sequence[str]) -> str:
    """The rate that this step judges: by another name with a lamp out or a further one, and as the limits take the mean."""
    judged = step.judge if step is not None else ()
    ours = [one for one in judged if one.endswith("rate_per_min") or one == "rate_total_per_min"]
    return next((one for one in (*limited, *ours) if one in ours), name)


def _figure(test: Underway, step: RunStep | None, name: str, unit: str, rows: Sequence[Row]) -> Figure:
    ours = [row for row in rows if isinstance(row.requirement, Limit) and row.requirement.quantity == name and not row.depth]
    row = min(ours, key=_strictness, default=None) if step is not None and name in step.judge else None
    measured, own = test.values, "rate_per_min" if name.endswith("rate_per_min") else name
    few = test.live is None or test.live.cycles < 2
    found = None if few or measured is None else measured.values.get(own)
    return Figure(name, unit, row, found, test.provisional is None, measured is not None and bool(spoiling(measured.bench_faults)))


def _strictness(row: Row) -> tuple[int, float]:
    """The worst verdict first, then the narrowest band."""
    limit, verdict = row.requirement, row.verdict
    assert isinstance(limit, Limit)
    worst = tuple(Conformity).index(verdict.conformity) if verdict is not None else len(Conformity)
    low = 0.0 if limit.low is None else limit.low
    return worst, (float("inf") if limit.high is None else limit.high - low)


class Figures(Widget):
    """Both figures side by side; the rate alone where there is no room for two."""

    DEFAULT_CSS = "Figures { width: 1fr; height: auto; padding: 0 1; }"

    def __init__(self) -> None:
        super().__init__()
        self._shown: tuple[Figure, ...] = ()

    def show(self, figures: Sequence[Figure]) -> None:
        """These from now on. May be called once a frame: it draws only what has changed."""
        if tuple(figures) != self._shown:
            self._shown = tuple(figures)
            self.refresh()

    def render(self) -> Text:
        return Text("\n", no_wrap=True).join(figures_lines(self._shown, *self.content_size, self.app.theme_variables))


def side_by_side(width: int) -> int:
    """How many figures there is room for."""
    return 2 if width >= 2 * LEAST_WIDTH + _APART else 1 if width >= LEAST_WIDTH else 0


def figures_lines(figures: Sequence[Figure], width: int, height: int, colours: Mapping[str, str]) -> list[Text]:
    """As many as fit, each `height` lines tall."""
    shown = figures[: side_by_side(width)]
    if not shown:
        return []
    each = (width - _APART * (len(shown) - 1)) // len(shown)
    columns = [list(_lines(figure, each, height, colours)) for figure in shown]
    return [Text(" " * _APART, no_wrap=True).join(row) for row in zip(*columns, strict=True)]


def _lines(figure: Figure, width: int, height: int, colours: Mapping[str, str]) -> Iterator[Text]:
    title = speech_of(figure.quantity).title
    if height >= LINES:
        yield _spread(Text(title, "bold"), Text(_uncertainty(figure), colours.get("quiet", "")), width)
    drawn = _drawn(figure, width)
    style = _style(figure, colours)
    for number, row in enumerate([*drawn, *[""] * FIGURE_ROWS][:FIGURE_ROWS]):
        unit = f" {unit_text(figure.unit)}" if drawn and number == FIGURE_ROWS - 2 else ""
        yield Text.assemble((padded(row + unit, width), style))
    yield _band(figure, "" if height >= LINES else title, width, colours)


def _drawn(figure: Figure, width: int) -> Sequence[str]:
    if not isinstance(figure.found, Estimate):
        return ()
    text, room = figure_text(figure), width - len(unit_text(figure.unit)) - 1
    return (large(text, room, FIGURE_ROWS - 1) if figure.counts else outlined(text, room)) or [text]


def figure_text(figure: Figure) -> str:
    """The value alone, with as many digits as can be read from afar, and more where its side of the limit needs them."""
    assert isinstance(figure.found, Estimate)
    found, limit = in_unit(figure.found, figure.unit), figure.limit
    expanded = found.expanded()
    place = max(_LAST_PLACE[figure.unit], last_place(expanded)) if expanded else _LAST_PLACE[figure.unit]
    edges = (
        ()
        if limit is None
        else (in_unit(replace(figure.found, value=e), figure.unit).value for e in (limit.low, limit.high) if e is not None)
    )
    return max((rounded(found.value, expanded, place), *(against(found.value, edge, expanded, place) for edge in edges)), key=len)


def _uncertainty(figure: Figure) -> str:
    if isinstance(figure.found, Estimate):
        return value_text(in_unit(figure.found, figure.unit), figure.limit).partition(" ")[2]
    return ""


def _style(figure: Figure, colours: Mapping[str, str]) -> str:
    return word_of(figure.row, colours)[1] if figure.counts and figure.row is not None and figure.row.verdict is not None else "bold"


def _status(figure: Figure, colours: Mapping[str, str]) -> tuple[str, str]:
    """Return the status in a word."""
    quiet = colours.get("quiet", "")
    if not isinstance(figure.found, Estimate):
        return "not yet", quiet
    if not figure.counts:
        return "provisional", quiet
    if figure.row is None:
        return "no limit", quiet
    return word_of(figure.row, colours, figure.is_spoilt)


def _band(figure: Figure, title: str, width: int, colours: Mapping[str, str]) -> Text:
    """The gauge and the word; before them the title where it has no line of its own."""
    word, style = _status(figure, colours)
    head = f"{title} " if title else ""
    across = width - len(head) - (len(word) + 1 if title else _WORD)
    line = Text(head, "bold")
    if figure.limit is not None and across >= 9:
        found = figure.found if isinstance(figure.found, Estimate) else None
        line.append_text(gauge_of(figure.limit, found, across, style, colours.get("quiet", "")))
    return _spread(line, Text(word, style), width)


def _spread(left: Text, right: Text, width: int) -> Text:
    """Left and right in a line of exactly `width` cells; the left is cut."""
    room = max(width - right.cell_len - 1, 0)
    if left.cell_len > room:
        left = Text(cut(left.plain, room), left.style)
    gap = max(width - left.cell_len - right.cell_len, 0)
    line = Text.assemble(left, " " * gap, right, no_wrap=True)
    line.truncate(width)
    return line
