"""The session's tests as rows, and how many there were of each grade."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from rich.text import Text

from bench.outcome import Outcome
from bench.plain import one_line
from bench.record import TestRecord
from bench.tui.signs import SIGNS, Sign, sign_of
from bench.tui.state import Tested
from bench.tui.wrapped import cut, padded

_NUMBER, _NUMBER_WIDE = 14, 24
_WIDE = 100
_TOTALS = {Outcome.NOT_FOR_LOAD: "not for this load"}  # shorter, so that all the counts have room
_APART = 2
_FILL: Mapping[str, str] = {"good": "█", "bad": "▓", "doubt": "▒", "fault": "░"}
_WORD = 18  # cells for mark and word where the longest would leave no room for the reason


def titles(width: int) -> str:
    """What stands above the rows, without their first two cells."""
    number = _NUMBER_WIDE if width >= _WIDE else _NUMBER
    return f"{'time':<5}  {'unit':<{number}}  {'grade':<5}  {'outcome':<{_outcome_width(width)}}  why"


def _outcome_width(width: int) -> int:
    """Cells for mark and word: all of the longest word where there is room, else so many that each can be told from the others."""
    return 2 + max(len(sign.word) for sign in SIGNS.values()) if width >= _WIDE else _WORD


def row(record: TestRecord, width: int, colours: Mapping[str, str], chosen: bool = False) -> Text:
    """One line: time, number, grade, outcome, reason. An arrow marks the chosen one."""
    sign = sign_of(record)
    number = _NUMBER_WIDE if width >= _WIDE else _NUMBER
    line = Text("▸ " if chosen else "  ")
    line.append(f"{clock_text(record.when)}  ")
    line.append(f"{padded(one_line(record.unit), number)}  ", "bold" if chosen else "")
    line.append(f"{padded(one_line(record.conclusion.letter) or '-', 5)}  ", "bold")
    line.append(f"{padded(f'{sign.mark} {sign.word}', _outcome_width(width))}  ", f"bold {colours.get(sign.variable, 'default')}")
    line.append(cut(one_line(record.reason), max(width - line.cell_len, 0)))
    if chosen:
        line.append(" " * max(width - line.cell_len, 0))
        line.stylize("reverse")
    return line


def clock_text(when: str) -> str:
    """`14:05` of a time with date; as much as there is of anything else."""
    text = one_line(when)
    return (text[11:16] if len(text) >= 16 and text[10] == "T" else text[:5]).ljust(5)


def totals(tests: Sequence[Tested]) -> str:
    """`12 tests:  A 5   B 3   R 1   bench fault 1   not decided 1`; every one is counted once."""
    grades: Counter[str] = Counter()
    others: Counter[str] = Counter()
    for tested in tests:
        letter = one_line(tested.record.conclusion.letter)
        if letter:
            grades[letter] += 1
        else:
            others[_TOTALS.get(tested.record.outcome, tested.record.outcome.value)] += 1
    counted = [f"{name} {count}" for some in (grades, others) for name, count in sorted(some.items())]
    return f"{len(tests)} {'test' if len(tests) == 1 else 'tests'}:  {'   '.join(counted)}" if tests else ""


def counts_lines(tests: Sequence[Tested], width: int, colours: Mapping[str, str]) -> list[Text]:
    """The totals, a bar with a length for each count, and what the grades mean. It reads without colours: letter, count, blocks."""
    counts = Counter(_kind(tested.record) for tested in tests)
    kinds = sorted(counts, key=lambda kind: (not kind.letter, kind.name))
    labels = {kind: f"{kind.name} {counts[kind]} " for kind in kinds}
    room = width - sum(len(label) for label in labels.values()) - _APART * (len(kinds) - 1)
    bar = Text(no_wrap=True)
    for kind in kinds:
        style = f"bold {colours.get(kind.sign.variable, '')}".rstrip()
        bar.append(" " * _APART if bar else "").append(labels[kind], style)
        bar.append(_FILL[kind.sign.variable] * max(counts[kind] * room // len(tests), 1), style)
    bar.truncate(width, overflow="ellipsis")
    number = f"{len(tests)} {'test' if len(tests) == 1 else 'tests'}"
    means = ", ".join(f"{kind.letter}: {kind.means}" for kind in kinds if kind.letter and kind.means)
    return [Text(cut(f"{number}{f':  grade {means}' if means else ':'}", width), colours.get("quiet", "")), bar]


@dataclass(frozen=True)
class _Counted:
    """What a test is counted as: its grade, or the outcome of one without."""

    name: str
    letter: str
    means: str
    sign: Sign


def _kind(record: TestRecord) -> _Counted:
    sign, letter, grade = sign_of(record), one_line(record.conclusion.letter), record.conclusion.grade
    name = letter or _TOTALS.get(record.outcome, record.outcome.value)
    return _Counted(name, letter, one_line(grade.title) if grade is not None and letter else "", sign)
