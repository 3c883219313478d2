"""The whole report of a test, to be read on the screen."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import ClassVar

from rich.console import Group, RenderableType
from rich.text import Text
from textual.binding import BindingType

from bench.plain import one_line
from bench.record import SimulationRecord, TestRecord
from bench.render.report import report
from bench.tui.frame import BACK, KeyHint
from bench.tui.long_text import ReadingScreen
from bench.tui.signs import meaning_of, sign_of
from bench.tui.state import State, Tested

_READING = (("↑ ↓", "line"), ("PgUp PgDn", "page"))
_ENDS = ("Home End", "begin, end")
_UNTOLD = "not told yet"


class Details(ReadingScreen):
    """The report; Tab adds what every uncertainty is made of."""

    KEY = "F5"
    BINDINGS: ClassVar[list[BindingType]] = [("tab", "budget")]

    def __init__(self, state: State, tested: Tested) -> None:
        self._tested = tested
        self._budget = False
        super().__init__(state)

    @property
    def hints(self) -> Sequence[KeyHint]:
        tab = ("Tab", "without uncertainties" if self._budget else "with uncertainties")
        return (*_READING, tab, BACK, _ENDS, ("F6", "test it again"))

    @property
    def shown_test(self) -> Tested | None:
        return self._tested

    def action_budget(self) -> None:
        """The parts of every uncertainty, shown or not."""
        self._budget = not self._budget
        self.show_page()
        self.refresh_frame()

    def page_text(self) -> RenderableType:
        practice = self.state.practice
        record = self._tested.record
        if practice is not None and practice.mystery:
            record = unnamed(record)
        return Group(head(self._tested, self.app.theme_variables.get(sign_of(record).variable, "")), report(record, self._budget))


def head(tested: Tested, colour: str) -> Text:
    """The outcome and what it means, what to do next, where the record is."""
    record = tested.record
    sign = sign_of(record)
    where = f"NOT KEPT: {tested.not_kept}" if tested.not_kept else f"Kept as {tested.record_path}"
    kept = "Keeping the record ..." if tested.keeping else where
    return Text.assemble(
        (f"{sign.mark} {sign.word}: {meaning_of(record)}\n", f"bold {colour}".rstrip()),
        ("Next: ", "bold"),
        f"{one_line(record.conclusion.advice)}\n{one_line(kept)}\n",
    )


def unnamed(record: TestRecord) -> TestRecord:
    """The record without the name of the simulated unit, while a learner is still to find out what it is."""
    if record.board is None:
        return record
    return replace(record, board=replace(record.board, address=_UNTOLD, simulation=SimulationRecord(_UNTOLD)))
