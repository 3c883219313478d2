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
from bench.tui.large import large
from bench.tui.signs import Sign, meaning_of, sign_of
from bench.tui.state import Tested
from bench.tui.wrapped import cut, wrapped

_WORD_PART = 0.42  # of the height, for the large word
_LETTER_PART = 0.34  # of the width, for the grade
_GAP = 3
_ROOMY = 24  # lines from which some stay blank; on a small terminal all are needed for what there is to read


@dataclass(frozen=True, slots=True)
class Passage:
    """Something to read beside the grade. `rank`: what is left out first where there is no room (the highest)."""

    text: str
    style: str
    rank: int
    lead: str = ""


class VerdictView(Widget):
    """Grade, word and sign as large as fits, the reason, what to do next; small, what was tested, and where that is kept."""

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
        colours = {} if self.app.no_color else self.app.theme_variables
        return Text("\n").join(verdict_lines(self._tested, self.size.width, self.size.height, colours))


def verdict_lines(tested: Tested, width: int, height: int, colours: Mapping[str, str]) -> list[Text]:
    """At most `height` lines of at most `width` cells. `colours`: those of the theme by name."""
    sign, letter = sign_of(tested.record), one_line(tested.record.conclusion.letter)
    coloured = f"bold {colours.get(sign.variable, '')}".rstrip()
    lines = [Text(row.center(width).rstrip(), coloured) for row in _word_rows(sign, letter, width, height)]
    roomy = height >= _ROOMY
    lines = [Text(), *lines, Text()] if roomy else lines
    meaning = f"{sign.mark} {sign.word}: {meaning_of(tested.record)}"
    lines += [Text(cut(meaning, width).center(width).rstrip(), coloured), *([Text()] if roomy else [])]
    lines += _beside(_large_grade(sign, letter, width, height - len(lines)), tested, width, height - len(lines), coloured)
    return lines[:height]


def _word_rows(sign: Sign, letter: str, width: int, height: int) -> list[str]:
    """The word, with its mark if that costs no height. Without a grade the mark stands large in the grade's place."""
    budget = max(int(_WORD_PART * height), min(height - 4, 7))
    bare = large(sign.word, width, budget)
    marked = large(f"{sign.mark} {sign.word}", width, budget) if letter else []
    rows = marked if len(marked) >= len(bare) else bare
    return rows or [cut(sign.word, width)]


def _large_grade(sign: Sign, letter: str, width: int, height: int) -> list[str]:
    """The grade, and that it is one; or the sign's mark, if no grade was given."""
    rows = large(letter or sign.mark, int(_LETTER_PART * width), height - 1) or [letter or sign.mark]
    across = max(len(rows[0]), len("GRADE"))
    caption = ["GRADE".center(across)] if letter else ["NO GRADE".center(max(across, 8))]
    across = max(across, len(caption[0]))
    return [row.center(across) for row in (*caption, *rows)]


def _beside(left: list[str], tested: Tested, width: int, height: int, coloured: str) -> list[Text]:
    """The large grade to the left, and beside it what there is to read."""
    across = len(left[0]) if left else 0
    room = width - across - 3 * _GAP
    read = _fitted(passages(tested), room, height)
    lines = []
    for number in range(min(max(len(left), len(read)), height)):
        line = Text(" " * _GAP)
        line.append(left[number] if number < len(left) else " " * across, coloured)
        if number < len(read):
            line.append(" " * _GAP)
            line.append_text(read[number])
        line.rstrip()
        lines.append(line)
    return lines


def passages(tested: Tested) -> list[Passage]:
    """What there is to read, in order."""
    record = tested.record
    found = [Passage(one_line(record.reason), "bold", 0), Passage(one_line(record.conclusion.advice), "bold", 1, "Next: ")]
    if record.is_simulated:
        first, _, rest = SIMULATED.partition(" ")
        found.append(Passage(rest, "", 2, f"{first.upper()} "))
    found.append(_kept(tested))
    found += [Passage(text, "", 5) for text in _facts(record)]
    if record.outcome in (Outcome.GOOD, Outcome.NOT_FOR_LOAD):
        found.append(Passage(NO_INSPECTION, "italic", 4))
    return found


def _kept(tested: Tested) -> Passage:
    if tested.keeping:
        return Passage("Keeping the record ...", "", 5)
    if tested.not_kept or tested.record_path is None:
        return Passage(one_line(tested.not_kept), "bold", 3, "NOT KEPT  ")
    return Passage(f"Kept as {one_line(tested.record_path.name)}", "", 5)


def _facts(record: TestRecord) -> list[str]:
    limits = " + ".join(one_line(used.name) for used in record.limit_sets) or "no limits"
    letter = one_line(record.conclusion.letter)
    grade = f"Grade {letter}: {one_line(record.grade.title)}. " if record.grade is not None and letter else ""
    rated = one_line(record.rated_load)
    load = f"rated load {rated}" if record.measured.facts.get(FactName.RATING) == RatingState.KNOWN else "rated load not known"
    how = f"{record.system_v:g} V, on {one_line(record.load)}, {load}, procedure {one_line(record.procedure.name)}"
    return [f"Unit {one_line(record.unit)}. {grade}{how}, judged by {limits}."]


def _fitted(found: list[Passage], width: int, height: int) -> list[Text]:
    """The passages as lines; what is least needed is left out where they are too many, blank lines first."""
    cuts = {passage: wrapped(passage.lead + passage.text, width) for passage in found}
    kept = list(found)
    while sum(len(cuts[p]) for p in kept) > height and len(kept) > 1:
        kept.remove(max(kept, key=lambda p: p.rank))
    spare = height - sum(len(cuts[p]) for p in kept)
    lines: list[Text] = []
    for number, passage in enumerate(kept):
        # Reason and next step stand apart first; the small print where there is plenty of room.
        if spare > 0 and (number in (1, 2) or (number > 2 and spare > len(kept))):
            lines.append(Text())
            spare -= 1
        for first, line in enumerate(cuts[passage]):
            text = Text(line, passage.style)
            if not first and passage.lead:
                text.stylize("bold reverse", 0, len(passage.lead.rstrip()))
            lines.append(text)
    return [*lines[: height - 1], Text(cut(f"{lines[height - 1].plain} …", width))] if len(lines) > height > 0 else lines
