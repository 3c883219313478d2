"""Between tests: what to do now, in letters that read from two metres, and how the day has gone."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from rich.text import Text
from textual.widget import Widget

from bench.plain import one_line, sentence
from bench.tui.large import large
from bench.tui.session_rows import row, totals
from bench.tui.state import State, Tested
from bench.tui.wrapped import cut, wrapped

_LARGE_PART = 0.4
_MARGIN = 3


class ReadyView(Widget):
    """What to do now; below, the session's totals and its last units."""

    DEFAULT_CSS = "ReadyView { width: 1fr; height: 1fr; color: $foreground; }"

    def __init__(self, state: State) -> None:
        super().__init__()
        self._state = state

    def render(self) -> Text:
        state = self._state
        colours = self.app.theme_variables
        width, height = self.size
        below = [*session_lines(state.session, width - 2 * _MARGIN, min(6, height // 3), colours)]
        above = list(self._above(state, width, height - len(below) - 1, colours))
        lines = above[: height - len(below) - 1]
        lines += [Text()] * (height - len(lines) - len(below))
        return Text("\n").join((*lines, *(_indented(line) for line in below)))

    def _above(self, state: State, width: int, height: int, colours: Mapping[str, str]) -> Iterator[Text]:
        call, style, texts = what_now(state, colours)
        rows = large(call, width - 2 * _MARGIN, max(int(_LARGE_PART * height), 5)) or [call]
        yield Text()
        for letters in rows:
            yield _indented(Text(letters, style))
        yield Text()
        for text, text_style in texts:
            for line in wrapped(text, min(width - 2 * _MARGIN, 100)):
                yield _indented(Text(line, text_style))
            yield Text()
        if state.message:
            for line in wrapped(one_line(state.message), min(width - 2 * _MARGIN, 100)):
                yield _indented(Text(line, f"bold {colours['accent']}"))


def what_now(state: State, colours: Mapping[str, str]) -> tuple[str, str, Sequence[tuple[str, str]]]:
    """The large word, its style, and what is said below it. What is being typed is as large as anything."""
    if state.typed.strip():
        return one_line(state.typed), f"bold {colours['accent']}", (("Enter takes this number, Esc takes it back.", "bold"),)
    if state.board is None and not state.absent:
        return "LOOKING", "bold", (("Looking for the board ...", ""),)
    if state.board is None:
        texts = (
            (sentence(state.absent), "bold"),
            ("Searching. Testing resumes when the board answers. F3 practises on a simulated one meanwhile.", ""),
        )
        return "NO BOARD", f"bold {colours['fault']}", texts
    if not state.number:
        return "NEXT UNIT", "bold", (("Scan or type the unit's number, then press Enter.", "bold"), (_set_up_text(state), ""))
    do = "Enter starts the test." if state.simulated else "Put it in the socket, hands off the lamps: Enter starts the test."
    return one_line(state.number), "bold", ((do, "bold"), (_set_up_text(state), ""))


def _set_up_text(state: State) -> str:
    return f"Test set-up: {state.choices.summary()}. Press F2 to change it."


def session_lines(session: Sequence[Tested], width: int, most: int, colours: Mapping[str, str]) -> Iterator[Text]:
    """The totals, and the newest units, as many as fit into `most` lines."""
    if not session or most < 1:
        return
    yield Text(cut(totals(session), width), "bold")
    for tested in list(reversed(session))[: most - 1]:
        yield row(tested.record, width, colours)


def _indented(line: Text) -> Text:
    return Text(" " * _MARGIN).append_text(line)
