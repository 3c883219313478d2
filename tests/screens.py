"""The bench screen under a pilot, with a station in a thread beside it: what it shows, as text; and waiting for what must come."""

from __future__ import annotations

import asyncio
import time
from collections.abc import AsyncIterator, Callable, Coroutine
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

from bench_port import BenchPort, bench_port
from stations import ports_at
from textual.pilot import Pilot

from bench.errors import PortError
from bench.ports import Port
from bench.station.process import station_in_thread
from bench.tui.app import BenchApp
from bench.tui.choices import Choices
from bench.tui.state import Phase
from reports.patience import Patience

PATIENCE_S = 20.0


def shown(app: BenchApp) -> str:
    """The screen as lines of text."""
    return "\n".join(strip.text.rstrip() for strip in app.screen._compositor.render_strips())


class Sitting:
    """Somebody at the bench: `press` and `scan` keys, `until` something is so, `see` words on the screen."""

    def __init__(self, app: BenchApp, pilot: Pilot[None], let_pass: Callable[[float], None]) -> None:
        self.app = app
        self.pilot = pilot
        self.let_pass = let_pass

    @property
    def at_work(self) -> bool:
        """Whether no other screen lies over the work."""
        return self.app.screen is self.app.work

    async def press(self, *keys: str) -> None:
        await self.pilot.press(*keys)

    async def scan(self, number: str) -> None:
        """As a scanner types: all at once, then Enter."""
        await self.pilot.press(*("space" if c == " " else c for c in number), "enter")
        # Two Enters are a scanner's if they come at once.
        self.let_pass(1.0)

    async def until(self, what: Callable[[], object]) -> None:
        patience = Patience(PATIENCE_S)
        while not what():
            assert patience.is_left, f"it never came; the screen shows\n{shown(self.app)}"
            await self.pilot.pause(0.01)

    async def see(self, *words: str) -> str:
        """Wait until all of these words stand on the screen."""
        await self.until(lambda: all(word in " ".join(shown(self.app).split()) for word in words))
        return shown(self.app)

    async def phase(self, phase: Phase) -> None:
        await self.until(lambda: self.app.state.phase is phase and (phase is not Phase.VERDICT or self.app.state.test is None))

    async def graded(self, number: str) -> None:
        """One unit from scan to verdict."""
        await self.scan(number)
        await self.press("enter")
        await self.phase(Phase.VERDICT)


@asynccontextmanager
async def at_screen(
    bench: BenchPort | str | Callable[[str], Port],
    folder: Path | None = None,
    *,
    size: tuple[int, int] = (120, 40),
    choices: Choices | None = None,
    wait: bool = True,
    dark: bool = True,
) -> AsyncIterator[Sitting]:
    """The screen with this bench, or with a board at this address; `wait` until it answers."""

    def opener(address: str) -> Port:
        if not isinstance(bench, BenchPort):
            assert callable(bench)
            return bench(address)
        if bench.unplugged:
            raise PortError(f"opening {address}: there is no such port")
        return bench

    with ports_at(opener) as own:
        address = bench if isinstance(bench, str) else own
        passed: list[float] = []
        app = BenchApp(
            lambda: station_in_thread(folder, silent_screen_s=PATIENCE_S),
            address,
            folder=folder,
            choices=choices,
            watch_terminal=False,
            dark=dark,
            clock=lambda: time.monotonic() + sum(passed),
        )
        async with app.run_test(size=size) as pilot:
            sitting = Sitting(app, pilot, passed.append)
            try:
                if wait:
                    await sitting.until(lambda: app.state.board is not None)
                    await pilot.pause()
                yield sitting
            finally:
                app.station.close("the test is over")


def run(main: Callable[[], Coroutine[Any, Any, None]]) -> None:
    asyncio.run(main())


def real(kind: str = "EL", supply_v: float = 12.8) -> BenchPort:
    port = bench_port(kind, supply_v=supply_v)
    port.real = True
    return port
