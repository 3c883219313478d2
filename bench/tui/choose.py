"""Choosing what is tested, on one page: favourites, kinds of unit, a row for each question, the limit sets by family; with a search."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import ClassVar

from rich.cells import cell_len
from rich.text import Text
from textual import on
from textual.binding import Binding, BindingType
from textual.containers import Horizontal
from textual.events import Resize
from textual.widget import Widget
from textual.widgets import Input, OptionList, Static
from textual.widgets.option_list import Option

from bench.tui.choice_rows import ChoiceRow, Kind, choice_rows
from bench.tui.choices import MOST_FAVOURITES, Choices
from bench.tui.frame import BenchScreen, KeyHint
from bench.tui.requests import Chosen, FavouritesChanged
from bench.tui.search_line import SearchLine
from bench.tui.state import State
from bench.tui.wrapped import cut, padded, wrapped

_TITLE, _ANSWER, _WHOLE, _MARK = 15, 19, 38, 22
_BELOW = 5


class ChoiceList(OptionList):
    """The rows under their headings. Left and right belong to the row at hand, and Enter to the page."""

    DEFAULT_CSS = """
    ChoiceList { width: 1fr; height: 1fr; border: none; padding: 0 1; background: $background; scrollbar-size-vertical: 1; }
    ChoiceList:focus { border: none; background-tint: $background; }
    ChoiceList > .option-list--option-highlighted, ChoiceList:focus > .option-list--option-highlighted {
        color: $foreground; background: $band-ground; text-style: bold;
    }
    ChoiceList > .option-list--option { padding: 0; }
    ChoiceList > .option-list--option-disabled { color: $quiet; text-style: bold; }
    """
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("left", "screen.turn(-1)", show=False),
        Binding("right", "screen.turn(1)", show=False),
        Binding("enter", "screen.take", show=False),
    ]


class Choose(BenchScreen):
    """What is tested, on what, by which limits. Nothing is taken over before Enter."""

    KEY = "F2"
    HINTS: ClassVar[tuple[KeyHint, ...]] = (
        ("↑↓←→", "choose"), ("Enter", "take it"), ("F7", "search"), ("F6", "favourite"), ("Esc", "back"), ("F1", "help"),
    )  # fmt: skip
    BINDINGS: ClassVar[list[BindingType]] = [("f7", "search"), ("f6", "favourite")]
    DEFAULT_CSS = f"""
    Choose Horizontal {{ height: 1; padding: 0 2; display: none; }}
    Choose Horizontal Static {{ width: 8; color: $quiet; }}
    Choose SearchLine {{ width: 1fr; background: $band-ground; }}
    Choose #means {{ height: {_BELOW + 1}; padding: 0 2; }}
    """

    def __init__(self, state: State) -> None:
        super().__init__(state)
        self.choices = state.choices
        self._favourites = state.favourites
        self._rows: tuple[ChoiceRow, ...] = ()
        self._shown: list[ChoiceRow | None] = []

    def body(self) -> Iterable[Widget]:
        yield Horizontal(Static("search"), SearchLine())
        yield ChoiceList()
        yield Static(id="means", markup=False)

    def on_mount(self) -> None:
        self.app.theme_changed_signal.subscribe(self, lambda _: self._show())
        self._rows = choice_rows(self.choices, self._favourites)
        # At a question, not at a whole set-up: Enter by itself changes nothing.
        self._fill(next(row.title for row in self._rows if row.kind is Kind.ANSWER))
        self.query_one(ChoiceList).focus()

    def on_resize(self, _: Resize) -> None:
        self._show()

    # -- what is shown

    @property
    def row(self) -> ChoiceRow | None:
        """The row at hand; None where nothing was found."""
        at = self.query_one(ChoiceList).highlighted
        return self._shown[at] if at is not None and at < len(self._shown) else None

    @property
    def wanted(self) -> Choices:
        """What Enter takes."""
        return self.row.taken(self.choices) if self.row is not None else self.choices

    def _fill(self, keep: str = "") -> None:
        """All rows that the search finds, under their headings; the row of the title `keep` stays at hand."""
        words = self.query_one(SearchLine).value.split()
        self._shown = []
        for row in self._rows:
            if row.holds(words, self.choices):
                before = next((other.group for other in reversed(self._shown) if other is not None), None)
                self._shown += [row] if row.group == before else [None, row]
        chosen = self.query_one(ChoiceList)
        chosen.clear_options()
        chosen.add_options([Option("", disabled=row is None) for row in self._shown])
        titles = [row.title if row is not None else "" for row in self._shown]
        chosen.highlighted = titles.index(keep) if keep and keep in titles else 1 if self._shown else None
        self._show()

    def _show(self) -> None:
        if not self._rows:
            return
        chosen, colours = self.query_one(ChoiceList), self.app.theme_variables
        width = max(self.size.width - 3, 10)
        for number, row in enumerate(self._shown):
            if row is None:
                following = self._shown[number + 1]
                line = Text(following.group.upper() if following is not None else "")
            else:
                line = row_line(row, row is self.row, self.choices, width, colours)
            chosen.replace_option_prompt_at_index(number, line)
        self.query_one("#means", Static).update(Text("\n", no_wrap=True).join(self._means(self.size.width - 4, colours)))

    def _means(self, width: int, colours: Mapping[str, str]) -> list[Text]:
        """The row at hand in words, what all of it comes to, and why it can't be, if so."""
        row, lines = self.row, [Text("─" * width, colours.get("quiet", ""))]
        if row is None:
            return [*lines, Text("Nothing is called so. Esc: all rows again.")]
        number, options = row.now(self.choices)
        place = f"{number + 1} of {len(options)}" if len(options) > 1 else "no other choice here"
        means = options[number].means + (f" ({place})" if row.kind is Kind.ANSWER else "")
        lines += [Text(line) for line in wrapped(means, width)[:2]]
        favourite = "★ " if self.wanted in self._favourites else ""
        lines += [Text(line, "bold") for line in wrapped(f"Enter takes: {favourite}{self.wanted.summary()}.", width)[:2]]
        if refusal := self._refusal():
            words = wrapped(f"! Not possible: {refusal}", width)
            lines += [Text(line, f"bold {colours.get('fault', '')}".rstrip()) for line in words]
        return lines[: _BELOW + 1]

    def _refusal(self) -> str:
        return self.wanted.refusal(self.state.description, self.state.fitted)

    @on(OptionList.OptionHighlighted)
    def show_row(self) -> None:
        """Explain the row at hand."""
        chosen = self.query_one(ChoiceList)
        if chosen.highlighted == 1:
            chosen.scroll_home(animate=False)  # else its heading stays out of sight
        self._show()

    # -- keys

    def at_scan(self) -> tuple[bool, str]:
        """Take over what was changed; what can't be done stays open, with its reason."""
        if self.choices.refusal(self.state.description, self.state.fitted):
            self.app.bell()
            return False, ""
        if self.choices == self.state.choices:
            return True, ""
        self.post_message(Chosen(self.choices, f"What was changed in F2 is kept: {self.choices.summary()}."))
        return True, ""

    def action_turn(self, by: int) -> None:
        """To another answer in the row at hand."""
        if self.row is not None:
            self.choices = self.row.moved(self.choices, by)
            self._show()

    def action_take(self) -> None:
        """Take the choices over and go back; what can't be done stays, with its reason."""
        if self._refusal():
            self.app.bell()
            return
        self.post_message(Chosen(self.wanted))
        self.dismiss()

    def action_favourite(self) -> None:
        """Keep what Enter would take among the favourites, or no more."""
        favourites, one = self._favourites, self.wanted
        others = tuple(other for other in favourites if other != one)
        self._favourites = others if one in favourites else (*favourites, one)[-MOST_FAVOURITES:]
        self.post_message(FavouritesChanged(self._favourites))
        self._rows = choice_rows(self.choices, self._favourites)
        self._fill(self.row.title if self.row is not None else "")

    # -- the search

    def action_search(self) -> None:
        self.query_one(Horizontal).display = True
        self.query_one(SearchLine).focus()

    @on(Input.Changed)
    def find(self) -> None:
        """List the rows that the words find."""
        self._fill()

    @on(SearchLine.Searched)
    def to_found(self) -> None:
        """Go from the search to the rows that it found."""
        self.query_one(ChoiceList).focus()

    def step_back(self) -> bool:
        """Esc closes the search first."""
        line = self.query_one(SearchLine)
        if not self.query_one(Horizontal).display:
            return False
        title = self.row.title if self.row is not None else ""
        self.query_one(Horizontal).display = False
        with line.prevent(Input.Changed):
            line.value = ""
        self._fill(title)
        self.query_one(ChoiceList).focus()
        return True


def row_line(row: ChoiceRow, here: bool, choices: Choices, width: int, colours: Mapping[str, str]) -> Text:
    """One row: an arrow where it is at hand, its title, its answer, and what that means as far as there is room."""
    number, options = row.now(choices)
    option = options[number]
    line = Text("► " if here else "  ", no_wrap=True)
    means = option.means
    if row.kind is Kind.WHOLE:
        line.append(padded(row.title, min(max(_WHOLE, cell_len(row.title)), width - 2)), "bold")
    elif row.kind is Kind.MARK:
        line.append(f"[{'x' if number else ' '}] {padded(row.title, _MARK)}", "bold" if number else "")
    else:
        arrows = ("◄", "►") if here and len(options) > 1 else (" ", " ")
        line.append(padded(row.title, _TITLE) + " ").append(f"{arrows[0]} {option.text} {arrows[1]}", "bold reverse" if here else "bold")
        line.append(" " * max(_ANSWER - cell_len(option.text), 0))
        means = option.means if len(options) > 1 else ""
    left = width - line.cell_len - 2
    if left > 12 and means:
        line.append(f"  {cut(means, left)}", "" if here else colours.get("quiet", ""))
    line.truncate(width)
    return line
