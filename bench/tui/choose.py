"""Choosing what is tested: a row for each question, arrows for the answers, and in words what they mean."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import ClassVar

from rich.cells import cell_len
from rich.text import Text
from textual.binding import BindingType
from textual.widget import Widget

from bench.tui.choice_rows import ChoiceRow, choice_rows
from bench.tui.choices import Choices
from bench.tui.frame import BenchScreen, KeyHint
from bench.tui.requests import Chosen
from bench.tui.state import State
from bench.tui.wrapped import cut, padded, wrapped

_TITLE = 15
_ANSWER = 19
_BELOW = 6


class ChoiceList(Widget):
    """The rows, the one at hand explained, and what all of it comes to."""

    DEFAULT_CSS = "ChoiceList { width: 1fr; height: 1fr; padding: 0 2; }"

    def __init__(self, state: State) -> None:
        super().__init__()
        self.choices = state.choices
        self._description, self._fitted = state.description, state.fitted
        self._rows = choice_rows()
        self._at = 0

    @property
    def refusal(self) -> str:
        """Why these choices cannot be tested; empty if they can."""
        return self.choices.refusal(self._description, self._fitted)

    def move(self, by: int) -> None:
        """To another row; the list ends at both ends."""
        self._at = min(max(self._at + by, 0), len(self._rows) - 1)
        self.refresh()

    def turn(self, by: int) -> None:
        """To another answer in the row at hand."""
        self.choices = self._rows[self._at].moved(self.choices, by)
        self.refresh()

    def render(self) -> Text:
        width, height = self.content_size
        lines = choice_lines(self._rows, self._at, self.choices, self.refusal, width, height, self.app.theme_variables)
        return Text("\n", no_wrap=True).join(lines)


def choice_lines(
    rows: tuple[ChoiceRow, ...], at: int, choices: Choices, refusal: str, width: int, height: int, colours: Mapping[str, str]
) -> list[Text]:
    """At most `height` lines; the rows scroll where they have no room, what stands below them stays."""
    number, options = rows[at].now(choices)
    place = f"{number + 1} of {len(options)}" if len(options) > 1 else "no other choice here"
    means = wrapped(f"{options[number].means} ({place})" if options[number].means else f"({place})", width)
    verdict = [("! " if first == 0 else "  ") + line for first, line in enumerate(wrapped(f"Not possible: {refusal}", width - 2))]
    below = [Text(line) for line in means[:2]] + [Text()] * (2 - min(len(means), 2))
    below += [Text(line, "bold") for line in wrapped(f"So: {choices.summary()}.", width)[:2]]
    below += [Text(line, f"bold {colours.get('fault', '')}".rstrip()) for line in verdict[:3]] if refusal else []
    room = max(height - max(len(below), _BELOW) - 1, 1)
    first = min(max(at - room // 2, 0), max(len(rows) - room, 0))
    shown = [_row_line(row, first + n == at, choices, width, colours) for n, row in enumerate(rows[first : first + room])]
    rule = Text("─" * width, colours.get("quiet", ""))
    return [*shown, rule, *below][: max(height, 1)]


def _row_line(row: ChoiceRow, here: bool, choices: Choices, width: int, colours: Mapping[str, str]) -> Text:
    number, options = row.now(choices)
    option = options[number]
    arrows = ("◄", "►") if here and len(options) > 1 else (" ", " ")
    line = Text(("► " if here else "  ") + padded(row.title, _TITLE) + " ", no_wrap=True)
    line.append(f"{arrows[0]} {option.text} {arrows[1]}", "bold reverse" if here else "bold")
    line.append(" " * max(_ANSWER - cell_len(option.text), 0))
    left = width - line.cell_len - 2
    if left > 12 and option.means and len(options) > 1:
        line.append(f"  {cut(option.means, left)}", colours.get("quiet", ""))
    line.truncate(width)
    return line


class Choose(BenchScreen):
    """What is tested, on what, by which limits. Nothing is taken over before Enter."""

    HINTS: ClassVar[tuple[KeyHint, ...]] = (
        ("↑ ↓", "row"),
        ("← →", "choose"),
        ("Enter", "take it"),
        ("Esc", "leave it as it was"),
        ("F1", "help"),
    )
    BINDINGS: ClassVar[list[BindingType]] = [
        ("up", "move(-1)"),
        ("down", "move(1)"),
        ("home", "move(-99)"),
        ("end", "move(99)"),
        ("left", "turn(-1)"),
        ("right", "turn(1)"),
        ("enter", "take"),
    ]

    def body(self) -> Iterable[Widget]:
        yield ChoiceList(self.state)

    def at_scan(self) -> tuple[bool, str]:
        """Take over what was changed; what can't be done stays open, with its reason."""
        chosen = self.query_one(ChoiceList)
        if chosen.refusal:
            self.app.bell()
            return False, ""
        if chosen.choices == self.state.choices:
            return True, ""
        self.post_message(Chosen(chosen.choices, f"What was changed in F2 is kept: {chosen.choices.summary()}."))
        return True, ""

    def action_move(self, by: int) -> None:
        self.query_one(ChoiceList).move(by)

    def action_turn(self, by: int) -> None:
        self.query_one(ChoiceList).turn(by)

    def action_take(self) -> None:
        """Takes the choices over and goes back; what can't be done stays, with its reason."""
        chosen = self.query_one(ChoiceList)
        if chosen.refusal:
            self.app.bell()
            return
        self.post_message(Chosen(chosen.choices))
        self.dismiss()
