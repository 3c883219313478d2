"""The verdict of a test over the whole screen: to be read from two metres, and never saying more than the record does."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from rich.text import Text
from textual.widget import Widget

from bench.measure import FactName, RatingState
from bench.outcome import Outcome
from bench.plain import one_line
from bench.record import TestRecord
from bench.render.cautions import NO_INSPECTION, SIMULATED
from bench.tui.grid import Page, PageGrid
from bench.tui.judged import judged_lines, least_lines
from bench.tui.large import large
from bench.tui.signs import Sign, meaning_of, sign_of
from bench.tui.state import Tested
from bench.tui.wrapped import cut, wrapped

_LETTER_ROWS = 7
_LEAST_LISTED = 1  # lines of gauges that the small print leaves


@dataclass(frozen=True, slots=True)
class Passage:
    """Something to read beside the grade. `rank`: what is left out first where there is no room (the highest)."""

    text: str
    style: str
    rank: int
    lead: str = ""


class VerdictView(Widget):
    """Word and sign large, the grade large with its meaning, the reason, what to do next; the gauges; small, what was tested."""

    DEFAULT_CSS = """
    VerdictView { width: 1fr; height: 1fr; color: $foreground; }
    VerdictView.good { background: $good-ground; }
    VerdictView.bad { background: $bad-ground; }
    VerdictView.doubt { background: $doubt-ground; }
    VerdictView.fault { background: $fault-ground; }
    """

    def __init__(self) -> None:
        super().__init__()
        self._tested: Tested | None = None

    def show(self, tested: Tested) -> None:
        """This test from now on. May be called once a frame: it draws only what has changed."""
        if tested is self._tested:
            return
        self._tested = tested
        variable = sign_of(tested.record).variable
        for name in ("good", "bad", "doubt", "fault"):
            self.set_class(name == variable, name)
        self.refresh()

    def render(self) -> Text:
        if self._tested is None:
            return Text()
        # Without colours those of the signs are greys on grey: the plain letters stand out more.
        colours = {} if self.app.no_color else _on_ground(self.app.theme_variables, sign_of(self._tested.record))
        return Text("\n").join(verdict_lines(self._tested, self.size.width, self.size.height, colours))


def _on_ground(colours: Mapping[str, str], sign: Sign) -> dict[str, str]:
    """The theme's colours on the ground of this sign: what would be faint on it is written as plain letters are."""
    plain = {name: colours["foreground"] for name in ("quiet", "good", "bad", "doubt", "fault") if name != sign.variable}
    return {**colours, **plain}


def verdict_lines(tested: Tested, width: int, height: int, colours: Mapping[str, str]) -> list[Text]:
    """The page as lines of at most `width` cells. `colours`: those of the theme by name."""
    record, grid = tested.record, PageGrid(width, height)
    sign, letter = sign_of(record), one_line(record.conclusion.letter)
    coloured = f"bold {colours.get(sign.variable, '')}".rstrip()
    meaning = Text(cut(f"{sign.mark} {sign.word}: {meaning_of(record)}", grid.across), coloured)
    small = _small_print(tested, grid)
    page = Page(
        [Text(row, coloured) for row in _word_rows(sign, letter, grid)],
        meaning,
        outcome_side(record, grid, coloured),
        _fitted(passages(tested), grid.beside, grid.middle_rows),
        judged_lines(record, grid.across, grid.list_rows - len(small), colours),
        small,
    )
    return page.lines(grid)


def _word_rows(sign: Sign, letter: str, grid: PageGrid) -> list[str]:
    """The word, with its mark if that costs no height. Without a grade the mark stands large in the grade's place."""
    bare = large(sign.word, grid.across, grid.word_rows)
    marked = large(f"{sign.mark} {sign.word}", grid.across, grid.word_rows) if letter else []
    rows = marked if len(marked) >= len(bare) else bare
    return rows or [cut(sign.word, grid.across)]


def outcome_side(record: TestRecord, grid: PageGrid, style: str) -> list[Text]:
    """The grade large, and what it means in a few words; or the sign's mark, if no grade was given."""
    sign, letter = sign_of(record), one_line(record.conclusion.letter)
    grade = record.conclusion.grade
    means = f": {one_line(grade.title)}" if grade is not None and letter else ""
    caption = wrapped(f"GRADE {letter}{means}" if letter else "NO GRADE", grid.side)
    # Two lines of meaning where the letter keeps its seven rows.
    caption = caption[: max(grid.middle_rows - _LETTER_ROWS, 1)]
    drawn = large(letter or sign.mark, grid.side, max(grid.middle_rows - len(caption), 0)) or [letter or sign.mark]
    return [Text(line, style) for line in (*caption, *drawn)]


def passages(tested: Tested) -> list[Passage]:
    """What there is to read beside the grade, in order."""
    record = tested.record
    found = [Passage(one_line(record.reason), "bold", 0), Passage(one_line(record.conclusion.advice), "bold", 2, "Next: ")]
    if record.is_simulated:
        first, _, rest = SIMULATED.partition(" ")
        found.append(Passage(rest, "", 3, f"{first.upper()} "))
    if not tested.keeping and (tested.not_kept or tested.record_path is None):
        found.append(Passage(one_line(tested.not_kept), "bold", 1, "NOT KEPT  "))
    return found


def _small_print(tested: Tested, grid: PageGrid) -> list[Text]:
    """What was tested and where it is kept, what a good outcome is not: at the foot, as far as the gauges leave room."""
    found = [Passage(f"{_facts(tested.record)}{_kept(tested)}", "", 1)]
    if tested.record.outcome in (Outcome.GOOD, Outcome.NOT_FOR_LOAD):
        found.insert(0, Passage(NO_INSPECTION, "italic", 0))
    room = grid.list_rows - max(least_lines(tested.record, grid.across), _LEAST_LISTED)
    return _fitted(found, grid.across, room, apart=False) if room > 0 else []


def _kept(tested: Tested) -> str:
    if tested.keeping:
        return " Keeping the record ..."
    return "" if tested.not_kept or tested.record_path is None else f" Kept as {one_line(tested.record_path.name)}"


def _facts(record: TestRecord) -> str:
    limits = " + ".join(one_line(used.name) for used in record.limit_sets) or "no limits"
    rated = one_line(record.rated_load)
    load = f"rated load {rated}" if record.measured.facts.get(FactName.RATING) == RatingState.KNOWN else "rated load not known"
    how = f"{record.system_v:g} V, on {one_line(record.load)}, {load}, procedure {one_line(record.procedure.name)}"
    return f"Unit {one_line(record.unit)}. {how}, judged by {limits}."


def _fitted(found: list[Passage], width: int, height: int, apart: bool = True) -> list[Text]:
    """The passages as lines; what is least needed is left out where they are too many, blank lines first."""
    cuts = {passage: wrapped(passage.lead + passage.text, width) for passage in found}
    kept = list(found)
    while sum(len(cuts[p]) for p in kept) > height and len(kept) > 1:
        kept.remove(max(kept, key=lambda p: p.rank))
    spare = height - sum(len(cuts[p]) for p in kept) if apart else 0
    lines: list[Text] = []
    for number, passage in enumerate(kept):
        if spare > 0 and number:
            lines.append(Text())
            spare -= 1
        for first, line in enumerate(cuts[passage]):
            text = Text(line, passage.style)
            if not first and passage.lead:
                text.stylize("bold reverse", 0, len(passage.lead.rstrip()))
            lines.append(text)
    return [*lines[: height - 1], Text(cut(f"{lines[height - 1].plain} …", width))] if len(lines) > height > 0 else lines[: max(height, 0)]
