"""The bench screen held still for a picture: a simulated board in virtual time that stops the clock at a chosen moment of a test."""

from __future__ import annotations

import threading
import time
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from pathlib import Path

from textual.pilot import Pilot

from bench.errors import PortError
from bench.ports import Port
from bench.ports.opening import add_kind, open_port
from bench.station.process import station_in_thread
from bench.tui.app import BenchApp
from bench.tui.choices import Choices
from bench.tui.raster import BLOCKS, Ink
from bench.tui.requests import PracticeBegun
from bench.tui.state import Phase, Practising
from reports.patience import Patience

KIND = "posed"
_PATIENCE_S = 60.0


class PosedPort:
    """A port whose time stands still from `hold_s` on, until it is let go. `real`: the board knows no words of simulated ones.

    `run_hold_s`: so long after a unit was switched on, with its lamps.
    """

    def __init__(self, inner: Port, real: bool) -> None:
        self.address = inner.address
        self.hold_s = self.run_hold_s = float("inf")
        self.held = threading.Event()
        self._go_on = threading.Event()
        self._inner = inner
        self._real = real
        self._loads_closed = False

    def write(self, data: bytes) -> None:
        self._loads_closed = self._loads_closed or b"ROUT:CLOS" in data
        if self._loads_closed and b"OUTP ON" in data:
            self.hold_s = min(self.hold_s, self.now_s() + self.run_hold_s)
        self._inner.write(data.replace(b"SIM:", b"XIM:") if self._real else data)

    def read(self, timeout_s: float) -> bytes:
        if self._inner.now_s() >= self.hold_s:
            self.held.set()
            self._go_on.wait()
        return self._inner.read(timeout_s)

    def now_s(self) -> float:
        return self._inner.now_s()

    def close(self) -> None:
        self._inner.close()

    def let_go(self) -> None:
        self.hold_s = self.run_hold_s = float("inf")
        self._go_on.set()


class Pose:
    """The app with its pilot and its board. `do` presses keys; `test` goes from a number to a verdict, or to a moment before it."""

    def __init__(self, app: BenchApp, pilot: Pilot[None]) -> None:
        self.app = app
        self.pilot = pilot
        self.port: PosedPort | None = None
        self.absent = ""
        self.real = False
        self.passed_s = 0.0

    def open(self, address: str) -> Port:
        if self.absent:
            raise PortError(self.absent)
        self.port = PosedPort(open_port(f"sim://{address.partition('://')[2]}"), self.real)
        return self.port

    async def until(self, holds: Callable[[], object]) -> None:
        patience, state = Patience(_PATIENCE_S), self.app.state
        while not holds():
            assert patience.is_left, f"what the picture is to show did not come: {state.phase}, {state.absent or state.message}"
            await self.pilot.pause(0.02)

    async def do(self, *keys: str) -> None:
        await self.pilot.press(*keys)
        await self.pilot.pause(0.05)

    async def scan(self, number: str) -> None:
        await self.pilot.press(*number, "enter")
        self.passed_s += 1.0

    async def attach(self, bench: str, own_hands: bool | None = None) -> None:
        """Another simulated bench; with `own_hands` given, as practice."""
        if own_hands is None:
            self.app.desk.attach(f"{KIND}://{bench}")
        else:
            self.app.practise(PracticeBegun(Practising(f"{KIND}://{bench}", own_hands, False)))
        await self.until(lambda: self.app.state.board is not None)

    async def start(self, number: str, hold_after_s: float | None = None, run_hold_s: float | None = None) -> None:
        """Begin a test. With a time of either kind, come back when the board's time stands still."""
        await self.scan(number)
        assert self.port is not None
        if hold_after_s is not None:
            self.port.hold_s = self.port.now_s() + hold_after_s
        if run_hold_s is not None:
            self.port.run_hold_s = run_hold_s
        await self.pilot.press("enter")
        if hold_after_s is not None or run_hold_s is not None:
            await self.until(self.port.held.is_set)
        await self.pilot.pause(0.3)

    async def verdict(self) -> None:
        await self.until(lambda: self.app.state.phase is Phase.VERDICT and self.app.state.test is None)
        self.passed_s += 1.0
        await self.pilot.pause(0.1)

    async def test(self, number: str) -> None:
        await self.start(number)
        await self.verdict()


@asynccontextmanager
async def posed(
    bench: str, folder: Path, size: tuple[int, int], *, dark: bool = True, ink: Ink = BLOCKS, choices: Choices | None = None,
    absent: str = "", real: bool = False,
) -> AsyncIterator[Pose]:  # fmt: skip
    """The screen at this simulated bench (as in `sim://`); `absent` says why there is no board, if so."""
    pose: Pose

    def clock() -> float:
        return time.monotonic() + pose.passed_s

    app = BenchApp(
        lambda: station_in_thread(folder, silent_screen_s=_PATIENCE_S),
        f"{KIND}://{bench}",
        folder=folder,
        choices=choices or Choices(),
        dark=dark,
        ink=ink,
        clock=clock,
        watch_terminal=False,
    )
    pose = Pose(app, None)  # type: ignore[arg-type]
    pose.absent, pose.real = absent, real
    add_kind(KIND, pose.open)
    async with app.run_test(size=size) as pilot:
        pose.pilot = pilot
        try:
            await pose.until(lambda: app.state.absent if absent else app.state.board)
            await pilot.pause(0.1)
            yield pose
        finally:
            if pose.port is not None:
                pose.port.let_go()
            app.station.close("the picture was taken")
