"""Between tests: what to do now, in letters that read from two metres, the last outcome, and how the day has gone."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from rich.text import Text
from textual.widget import Widget

from bench.plain import one_line, sentence
from bench.tui.grid import Page, PageGrid
from bench.tui.large import large
from bench.tui.outcome_page import outcome_side
from bench.tui.session_rows import counts_lines, row
from bench.tui.signs import sign_of
from bench.tui.state import State
from bench.tui.wrapped import cut, wrapped

_WIDEST = 100


class ReadyView(Widget):
    """What to do now, beside the last outcome; below, how many there were of each grade, and the last units."""

    DEFAULT_CSS = "ReadyView { width: 1fr; height: 1fr; color: $foreground; }"

    def __init__(self, state: State) -> None:
        super().__init__()
        self._state = state

    def render(self) -> Text:
        colours = {} if self.app.no_color else self.app.theme_variables
        return Text("\n").join(ready_lines(self._state, *self.size, colours))


def ready_lines(state: State, width: int, height: int, colours: Mapping[str, str]) -> list[Text]:
    """The page as lines of at most `width` cells. `colours`: those of the theme by name."""
    grid = PageGrid(width, height)
    call, style, texts = what_now(state, colours)
    words = large(call, grid.across, grid.word_rows) or [cut(call, grid.across)]
    (first, first_style), *rest = texts
    lines = wrapped(first, grid.across)
    beside = [Text(line, first_style) for line in lines[1:]]
    if state.message:
        rest = [(one_line(state.message), f"bold {colours.get('accent', '')}".rstrip()), *rest]
    for text, text_style in rest:
        beside += [*([Text()] if beside else []), *(Text(line, text_style) for line in wrapped(text, min(grid.beside, _WIDEST)))]
    return Page(
        [Text(letters, style) for letters in words],
        Text(lines[0] if lines else "", first_style),
        _last_outcome(state, grid, colours),
        beside,
        list(_session_lines(state, grid, colours)),
    ).lines(grid)


def _last_outcome(state: State, grid: PageGrid, colours: Mapping[str, str]) -> list[Text]:
    """The unit that was tested last, its grade or sign large, and its outcome in words."""
    if not state.session:
        return []
    record = state.session[-1].record
    sign = sign_of(record)
    style = f"bold {colours.get(sign.variable, '')}".rstrip()
    side = outcome_side(record, grid, style)
    head = Text(cut(f"{sign.mark} {sign.word}", grid.side), style)
    return [head, *side[-(grid.middle_rows - 1) :]] if len(side) > grid.middle_rows - 1 else [head, *side]


def what_now(state: State, colours: Mapping[str, str]) -> tuple[str, str, Sequence[tuple[str, str]]]:
    """The large word, its style, and what is said below it. What is being typed is as large as anything."""
    fault, accent = (f"bold {colours.get(name, '')}".rstrip() for name in ("fault", "accent"))
    if state.typed.strip():
        return one_line(state.typed), accent, (("Enter takes this number, Esc takes it back.", "bold"),)
    if state.board is None and not state.absent:
        return "LOOKING", "bold", (("Looking for the board ...", ""),)
    if state.board is None:
        texts = (
            (sentence(state.absent), "bold"),
            ("Searching. Testing resumes when the board answers. F3 practises on a simulated one meanwhile.", ""),
        )
        return "NO BOARD", fault, texts
    if not state.number:
        return "NEXT UNIT", "bold", (("Scan or type the unit's number, then press Enter.", "bold"), (_set_up_text(state), ""))
    do = "Enter starts the test." if state.simulated else "Put it in the socket, hands off the lamps: Enter starts the test."
    return one_line(state.number), "bold", ((do, "bold"), (_set_up_text(state), ""))


def _set_up_text(state: State) -> str:
    return f"Test set-up: {state.choices.summary()}. Press F2 to change it."


def _session_lines(state: State, grid: PageGrid, colours: Mapping[str, str]) -> Iterator[Text]:
    """How many of each grade, as a bar, with what the grades mean; and the newest units, as many as there is room for."""
    if not state.session:
        return
    counts = counts_lines(state.session, grid.across, colours)
    yield from counts[: max(grid.list_rows - 1, 1)]
    for tested in list(reversed(state.session))[: max(grid.list_rows - len(counts), 0)]:
        yield row(tested.record, grid.across, colours)
