"""A day at the screen: 50 units in a row, and ten cables that are pulled at random moments. No false fail, no growth.

The app itself is driven by its pilot, with a station in a thread and boards in virtual time; the real program does the same in real
time in `python -m reports.screen_figures --day`. All units are good ones: whatever becomes of the cable, none may fail.
"""

from __future__ import annotations

import asyncio
import os
import random
from collections import Counter
from importlib import resources
from pathlib import Path

from bench_port import BenchPort, bench_port
from screens import Sitting, at_screen

from bench.errors import PortError
from bench.outcome import Outcome
from bench.ports import Port
from bench.record import TestRecord
from bench.record_json import from_json
from bench.tui.choices import Choices
from bench.tui.state import Phase
from reports.process_load import memory_mb

UNITS, PULLS = 50, 10
KINDS = ("NC", "EL", "HWp", "EL2")
EARLY = 10
"""After so many units whatever is made once has been made."""
MOST_GROWTH_MB = 12.0
"""From then to the end. The session's forty records and setups stay in memory for looking back: some 4 MB."""
LATEST_S = 4.0


class Cable:
    """What is opened: a board with a good unit, unless the cable is out. Plugging it in brings the next board."""

    def __init__(self, chance: random.Random) -> None:
        self._chance = chance
        self.out = False
        self.port: BenchPort | None = None

    def open(self, address: str) -> Port:
        if self.out:
            raise PortError(f"opening {address}: no such device; plug the board in")
        self.port = bench_port(self._chance.choice(KINDS), seed=self._chance.randrange(1000))
        return self.port

    def pull_after(self, seconds: float) -> None:
        """Pulled so long after now, of the board's time."""
        assert self.port is not None
        port = self.port

        def pull() -> None:
            port.unplugged = self.out = True

        port.at = {port.now_s() + seconds: pull}


def test_fifty_units_and_ten_pulled_cables(tmp_path: Path) -> None:
    chance = random.Random(7)
    cable = Cable(chance)
    pulls = set(chance.sample(range(UNITS), PULLS))
    told: list[tuple[TestRecord, bool]] = []
    memory: list[float] = []

    async def tested(sitting: Sitting, unit: str, pulled: bool) -> TestRecord:
        state = sitting.app.state
        await sitting.until(lambda: state.board is not None)
        await sitting.scan(unit)
        if pulled:
            cable.pull_after(chance.uniform(0.0, LATEST_S))
        await sitting.press("enter")
        await sitting.phase(Phase.VERDICT)
        record = state.session[-1].record
        assert record.unit == unit
        told.append((record, pulled))
        return record

    async def main() -> None:
        async with at_screen(cable.open, tmp_path, choices=few_flashes(tmp_path)) as sitting:
            state = sitting.app.state
            for number in range(UNITS):
                unit, pulled = f"{number}", number in pulls
                record = await tested(sitting, unit, pulled)
                if pulled:
                    await sitting.until(lambda: state.board is None)
                    cable.out = False
                await sitting.press("enter")
                assert state.number == ("" if record.interrupted is None else unit)  # which could be tested again, without typing
                memory.append(memory_mb(os.getpid()))

    asyncio.run(main())
    for record, pulled in told:
        broken_off = pulled and record.outcome is Outcome.BENCH_FAULT and record.interrupted
        assert record.outcome is Outcome.GOOD or broken_off, record.reason
        assert record.reason
    cut_short = [record for record, _ in told if record.interrupted is not None]
    assert len(cut_short) >= PULLS // 2, "the cables are pulled too late to try anything"
    assert [record.unit for record, _ in told] == [f"{number}" for number in range(UNITS)]
    on_disk = [from_json(path.read_text(encoding="ascii")) for path in tmp_path.rglob("[0-9]*.json")]
    assert Counter(map(_told, on_disk)) == Counter(_told(record) for record, _ in told)
    print(f"memory: {memory[EARLY - 1]:.1f} MB after {EARLY} units, {memory[-1]:.1f} MB at the end")
    assert memory[-1] - memory[EARLY - 1] < MOST_GROWTH_MB, memory


def few_flashes(folder: Path) -> Choices:
    """Limits and a procedure that ask for three flashes instead of eight, so that a day takes half a minute."""
    limits, quick = folder / "few.toml", folder / "short.toml"
    data = resources.files("bench") / "data"
    text = (data / "limits" / "un-r48.toml").read_text(encoding="utf-8")
    text = text.replace('name = "un-r48"', 'name = "few"')
    limits.write_text(text.replace("skip = 5", "skip = 1").replace("average = 3", "average = 2"), encoding="utf-8")
    text = (data / "procedures" / "quick.toml").read_text(encoding="utf-8")
    quick.write_text(text.replace("cycles = 8", "cycles = 3"), encoding="utf-8")
    return Choices(procedure=str(quick), limits=(str(limits),))


def _told(record: TestRecord) -> tuple[str, Outcome, str]:
    return record.unit, record.outcome, record.reason
