"""The gauges of a test that is over: what failed first and large, each limit named once; then what is near, open, and inside."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from rich.text import Text

from bench.limits import Limit
from bench.outcome.wording import charge_text, lower
from bench.plain import one_line
from bench.record import TestRecord
from bench.render.names import verdict_word
from bench.tui.gauge import RowWidths, gauge_line, gauge_of, title_of, word_of
from bench.tui.gauge_rows import Row, merged, rows_of_verdict
from bench.tui.signs import CONFORMITY_SIGNS
from bench.tui.wrapped import cut, padded, wrapped
from bench.uncertainty import Estimate, NotMeasured
from bench.verdict import Conformity, Verdict

_LARGE_ROWS = 2
_WIDEST = 100


def judged_lines(record: TestRecord, width: int, height: int, colours: Mapping[str, str]) -> list[Text]:
    """At most `height` lines: a gauge for each limit that failed, large where there is room, then a line for each other row.

    The last line counts what has no room.
    """
    rows = ordered_rows(record)
    tall = next((tall for tall in (_LARGE_ROWS, 1) if _failed_lines(rows, record, width, tall) < height), 0)
    lines: list[Text] = []
    for number, row in enumerate(rows):
        new = list(_lines_of(row, record, width, tall, colours))
        more = number < len(rows) - 1
        if len(lines) + len(new) > height - more:
            left = len(rows) - number
            lines.append(Text(cut(f"and {left} more: F5 shows the whole report", width), colours.get("quiet", "")))
            break
        lines += new
    return lines[: max(height, 0)]


def least_lines(record: TestRecord, width: int) -> int:
    """For what failed, each with its gauge, and to count the rest."""
    return 1 + _failed_lines(ordered_rows(record), record, width, 1)


def _failed_lines(rows: Sequence[Row], record: TestRecord, width: int, tall: int) -> int:
    return sum(len(list(_lines_of(row, record, width, tall, {}))) for row in rows if _is_failed(row))


def _is_failed(row: Row) -> bool:
    return row.verdict is not None and row.verdict.conformity is Conformity.FAIL and not row.depth


def ordered_rows(record: TestRecord) -> list[Row]:
    """Every requirement once, the worst first, and of these what the reason names; the parts of an alternative stay behind it."""
    order = tuple(Conformity)

    def rank(verdict: Verdict) -> tuple[int, bool]:
        return order.index(verdict.conformity), not _is_said(Row(verdict.limit, verdict), record)

    return list(merged(row for verdict in sorted(record.verdicts, key=rank) for row in rows_of_verdict(verdict)))


def _lines_of(row: Row, record: TestRecord, width: int, tall: int, colours: Mapping[str, str]) -> Iterator[Text]:
    verdict = row.verdict
    if verdict is not None and verdict.conformity is Conformity.NOT_MEASURED:
        yield _open_line(row, verdict, width, colours)
        return
    if verdict is None or not _is_failed(row):
        yield gauge_line(row, RowWidths.of(width), colours)
        return
    word, style = word_of(row, colours)
    said = _is_said(row, record)
    if not said:
        yield from (Text(line, "bold") for line in wrapped(f"{word[:1]} {one_line(charge_text(verdict))}.", width))
    if isinstance(row.requirement, Limit) and isinstance(verdict.found, Estimate) and not verdict.by_fact:
        # Where the sentence above has said it, the gauge needs no more than its name.
        name = padded(title_of(row.requirement), RowWidths.of(width).title) + " " if said else ""
        across = min(width, _WIDEST) - len(name) - len(word) - 2
        tall = max(tall, said)  # of what is said above, the gauge is all that is here
        for number in range(tall):
            line = gauge_of(row.requirement, verdict.found, across, style, colours.get("quiet", ""))
            last = number == tall - 1
            yield Text.assemble((name if last else " " * len(name), "bold"), line, "  ", (word if last else "", style))


def _is_said(row: Row, record: TestRecord) -> bool:
    """Whether the reason names it already, with figure and limit."""
    return row.verdict is not None and one_line(lower(charge_text(row.verdict))) in one_line(record.reason)


def _open_line(row: Row, verdict: Verdict, width: int, colours: Mapping[str, str]) -> Text:
    """What could not be judged, and why."""
    sign = CONFORMITY_SIGNS[Conformity.NOT_MEASURED]
    why = verdict.why_open or (verdict.found.reason if isinstance(verdict.found, NotMeasured) else "")
    title = padded("  " * row.depth + title_of(row.requirement), RowWidths.of(width).title)
    words = f"{sign.mark} {verdict_word(verdict).upper()}{f': {one_line(why)}' if why else ''}"
    return Text.assemble(f"{title} ", (cut(words, width - len(title) - 1), colours.get(sign.variable, "")))
