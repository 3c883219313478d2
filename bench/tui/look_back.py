"""The units of the day, the newest first: each with its grade, its verdict and why; any of them can be opened again."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import ClassVar

from rich.text import Text
from textual.binding import Binding, BindingType
from textual.widget import Widget
from textual.widgets import Static

from bench.plain import one_line
from bench.tui.frame import BACK, BenchScreen, KeyHint
from bench.tui.session_rows import row, titles, totals
from bench.tui.state import State, Tested
from bench.tui.wrapped import wrapped


class SessionList(Widget):
    """The tests of the day, as many as fit; `chosen` counts from the newest."""

    DEFAULT_CSS = "SessionList { height: 1fr; padding: 0 1; }"

    def __init__(self) -> None:
        super().__init__()
        self.tests: Sequence[Tested] = ()
        self.chosen = 0
        self._top = 0

    @property
    def page(self) -> int:
        """How many tests fit below the titles."""
        return max(1, self.size.height - 1)

    def show(self, tests: Sequence[Tested]) -> None:
        """The tests, newest first. One that came meanwhile does not move the choice to another."""
        if self.tests and self.chosen and len(tests) > len(self.tests):
            self.chosen += len(tests) - len(self.tests)
        self.tests = tests
        self.choose(self.chosen)

    def choose(self, number: int) -> None:
        """Choose the test of this number, or the nearest there is."""
        self.chosen = min(max(number, 0), max(len(self.tests) - 1, 0))
        self._top = min(max(self._top, self.chosen - self.page + 1), self.chosen)
        self.refresh()

    def on_resize(self) -> None:
        self.choose(self.chosen)

    def render(self) -> Text:
        width = self.size.width
        if not self.tests:
            return Text("Nothing has been tested today yet.")
        lines = [Text.assemble((f"  {titles(width)}", "bold"))]
        colours = self.app.theme_variables
        for number in range(self._top, min(self._top + self.page, len(self.tests))):
            lines.append(row(self.tests[number].record, width, colours, number == self.chosen))
        return Text("\n", no_wrap=True).join(lines)


class LookBack(BenchScreen):
    """The tests of the day to choose from. What was tested on earlier days is in the records."""

    KEY = "F4"
    HINTS: ClassVar[Sequence[KeyHint]] = (
        ("↑↓", "choose"), ("Enter", "open"), BACK, ("F5", "its report"), ("F6", "test it again"), ("PgUp PgDn", "page"),
    )  # fmt: skip
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("up", "move(-1)", show=False),
        Binding("down", "move(1)", show=False),
        Binding("pageup", "page(-1)", show=False),
        Binding("pagedown", "page(1)", show=False),
        Binding("home", "to_end(True)", show=False),
        Binding("end", "to_end(False)", show=False),
        Binding("enter", "open", show=False),
    ]
    DEFAULT_CSS = """
    LookBack Static { height: 1; padding: 0 1; }
    LookBack #totals { height: 2; text-style: bold; }
    LookBack #why { height: 3; padding: 1 1 0 1; }
    LookBack #earlier { color: $quiet; }
    """

    def __init__(self, state: State) -> None:
        super().__init__(state)
        self.rows = SessionList()

    def body(self) -> Iterable[Widget]:
        yield Static(id="totals", markup=False)
        yield self.rows
        yield Static(id="why", markup=False)
        yield Static(id="earlier", markup=False)

    def on_mount(self) -> None:
        self.refresh_state()

    def refresh_state(self) -> None:
        if not self.is_attached:
            return
        tests = tuple(reversed(self.state.session))
        self.query_one("#totals", Static).update(Text(totals(tests)))
        folder = self.state.folder
        kept = f"the records in {one_line(str(folder))}" if folder is not None else "no records are kept (no folder was named)"
        self.query_one("#earlier", Static).update(Text(self.state.unread or f"Earlier days: {kept}"))
        self.rows.show(tests)
        self._explain()

    @property
    def shown_test(self) -> Tested | None:
        return self.rows.tests[self.rows.chosen] if self.rows.tests else None

    def _explain(self) -> None:
        """The whole reason of the chosen test, which its row may have cut."""
        tested = self.shown_test
        reason = one_line(tested.record.reason) if tested is not None else ""
        self.query_one("#why", Static).update(Text("\n".join(wrapped(reason, max(self.size.width - 2, 2))[:2])))

    def action_move(self, by: int) -> None:
        self._choose(self.rows.chosen + by)

    def action_page(self, by: int) -> None:
        self._choose(self.rows.chosen + by * self.rows.page)

    def action_to_end(self, first: bool) -> None:
        self._choose(0 if first else len(self.rows.tests))

    def _choose(self, number: int) -> None:
        self.rows.choose(number)
        self._explain()

    def action_open(self) -> None:
        from bench.tui.one_test import OneTest

        if (tested := self.shown_test) is not None:
            self.app.push_screen(OneTest(self.state, tested))
