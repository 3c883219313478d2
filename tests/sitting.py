"""A desk whose orders are written down and whose clock is set by hand: for the tests of the desk."""

from __future__ import annotations

from dataclasses import replace

from sample_records import cases

from bench.files import procedure
from bench.procedure import Procedure
from bench.record import TestRecord
from bench.setup import Setup
from bench.simboard.rig import rig_description
from bench.station import (
    Order,
    Present,
)
from bench.tui.choices import Choices
from bench.tui.desk import Desk
from bench.tui.state import Phase, State


def passed() -> TestRecord:
    return cases()["pass"]


def failed() -> TestRecord:
    return cases()["fail"]


REAL = Present("/dev/ttyUSB0", "makebreak,rig-328,4001,1.0", False, rig_description(1))
SIMULATED = replace(REAL, address="sim://bench-el-plain", simulated=True)


class Sitting:
    """A desk with everything it says written down, and a clock that is set by hand."""

    def __init__(self, board: Present | None = REAL) -> None:
        self.orders: list[Order] = []
        self.now_s = 0.0
        self.state = State(None, Choices())
        self.desk = Desk(self.state, self.orders.append, lambda: self.now_s, self.plan)
        self.refusal: Exception | None = None
        if board is not None:
            self.desk.hear(board)

    def phase(self) -> Phase:
        return self.state.phase

    def plan(self, state: State) -> tuple[Setup, Procedure]:
        if self.refusal is not None:
            raise self.refusal
        return Setup(state.number), procedure("quick")

    def scan(self, number: str) -> None:
        self.desk.type(number)
        self.desk.enter()
        self.now_s += 1.0

    def start(self, number: str = "4711") -> None:
        self.scan(number)
        self.desk.enter()
        assert self.phase() is Phase.RUNNING
