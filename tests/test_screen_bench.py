"""The bench screen and the bench behind it: boards that come and go, hands that are needed, ends of every kind."""

from __future__ import annotations

import asyncio
from dataclasses import replace
from pathlib import Path

import pytest
from bench_port import BenchPort, bench_port
from screens import at_screen, real, run, shown
from stations import Heard, long_test, ports_at

import bench
from bench.errors import PortError
from bench.ports import Port
from bench.record_json import from_json
from bench.session import Live
from bench.station import Attach, Present
from bench.station.process import station_in_thread
from bench.tui.app import BenchApp
from bench.tui.caution import Caution
from bench.tui.choices import Choices
from bench.tui.program import run_screen
from bench.tui.requests import PracticeBegun
from bench.tui.state import Phase, Practising

QUICK = Path(bench.__file__).parent / "data" / "procedures" / "quick.toml"


def test_a_missing_board_is_said_and_found_when_it_comes() -> None:
    there: list[BenchPort] = []

    def opener(address: str) -> Port:
        if not there:
            raise PortError("opening /dev/ttyUSB0: no such file; serial ports here: none")
        return there[0]

    async def main() -> None:
        async with at_screen(opener, wait=False) as at:
            await at.see("opening /dev/ttyUSB0: no such file", "NO BOARD", "Testing resumes when the board answers")
            await at.scan("4711")
            await at.press("enter")
            await at.see("No test yet: no board answers.")
            there.append(bench_port("EL"))
            await at.see("Enter starts the test")
            await at.press("enter")
            await at.phase(Phase.VERDICT)

    run(main)


def test_a_cable_pulled_in_the_middle_and_put_back(tmp_path: Path) -> None:
    port = bench_port("EL")

    async def main() -> None:
        async with at_screen(port, tmp_path) as at:
            port.at[port.line.now_s + 6.0] = lambda: setattr(port, "unplugged", True)
            await at.graded("4711")
            await at.see("BENCH FAULT", "the cable is out", "NO BOARD")
            await at.press("enter")
            await at.see("NO BOARD", "there is no such port")
            assert at.app.state.number == "4711"
            port.a_second_later()
            port.unplugged = False
            await at.see("Enter starts the test")
            await at.press("enter")
            await at.phase(Phase.VERDICT)
            assert [tested.record.interrupted is None for tested in at.app.state.session] == [False, True]

    run(main)


def test_a_real_board_begins_with_the_cautions() -> None:
    async def main() -> None:
        async with at_screen(real()) as at:
            assert "SIMULATED" not in shown(at.app)
            await at.scan("4711")
            await at.press("enter")
            await at.see("CAUTION, before current flows", "no rings or watch", "only the hand switch")
            await at.press("escape")
            assert at.app.state.phase is Phase.READY and not isinstance(at.app.screen, Caution)
            await at.press("enter")
            await at.until(lambda: isinstance(at.app.screen, Caution))
            await at.press("enter")
            await at.phase(Phase.VERDICT)
            await at.graded("4712")
            assert len(at.app.state.session) == 2, "they are asked for once a session"

    run(main)


def test_the_supply_is_called_for_until_it_is_right() -> None:
    port = real(supply_v=11.0)

    async def main() -> None:
        async with at_screen(port) as at:
            at.app.state.cautioned = True
            await at.scan("4711")
            await at.press("enter")
            await at.see("Set the supply to 13.16 V", "Turn it UP by", "goes on by itself")
            port.at[port.line.now_s] = lambda: port.board.set_supply(14.0)
            await at.see("Turn it DOWN by")
            port.at[port.line.now_s] = lambda: port.board.set_supply(12.8)
            await at.phase(Phase.VERDICT)

    run(main)


def test_cancelling_while_the_supply_is_set_and_while_it_flashes(tmp_path: Path) -> None:
    port = real(supply_v=11.0)

    async def main() -> None:
        async with at_screen(port, tmp_path) as at:
            at.app.state.cautioned = True
            await at.scan("4711")
            await at.press("enter")
            await at.see("Turn it UP by")
            await at.press("escape")
            await at.phase(Phase.VERDICT)
            await at.see("NOT DECIDED", "cancelled by the operator")
            assert port.all_open
            await at.press("enter")
            assert at.app.state.number == "4711"

    run(main)
    assert [from_json(path.read_text()).interrupted for path in tmp_path.rglob("*.json")] == ["cancelled by the operator"]


def test_the_learner_s_own_hands(tmp_path: Path) -> None:
    """A practice with prompts: the knob by keys, cooling that may pass, and it is marked as simulated all the while.

    Played again where this computer was so busy that the simulated board, which lives in real time, heard nothing of it for a second.
    """
    # In real time, and long: nothing passes while the test looks.
    plan = tmp_path / "cold.toml"
    plan.write_text(QUICK.read_text(encoding="utf-8").replace("cool_s = 10 ", "cool_s = 60 "), encoding="utf-8")
    own = replace(Choices(), procedure=str(plan))

    async def main() -> None:
        async with at_screen("sim://NONE", keep, choices=own, wait=False) as at:
            at.app.practise(PracticeBegun(Practising("sim://bench-el-plain?supply=12.5&pace=real", True, False)))
            await at.until(lambda: at.app.state.board is not None)
            assert at.app.state.number == "practice 1"
            await at.press("enter")
            await at.see("Turn it UP by", "Up and Down keys", "SIMULATED")
            for _ in range(3):
                await at.press("up")
            await at.see("all loads off", "skip the wait")
            await at.press("enter")
            await at.until(lambda: at.app.state.test is None or at.app.state.test.waiting is None)
            await at.press("escape")
            await at.phase(Phase.VERDICT)

    for left in reversed(range(3)):
        keep = tmp_path / f"{left} left"
        try:
            return run(main)
        except AssertionError:
            records = [from_json(path.read_text()) for path in keep.rglob("*.json")]
            if not left or not any("heard nothing" in (record.interrupted or "") for record in records):
                raise


def test_a_test_that_is_not_kept_says_so(tmp_path: Path) -> None:
    blocked = tmp_path / "file"
    blocked.write_text("a file where a folder should be")

    async def main() -> None:
        async with at_screen(bench_port("EL"), blocked) as at:
            await at.graded("4711")
            await at.see("NOT KEPT")

    run(main)


def test_a_station_that_ends_is_replaced_and_work_goes_on(tmp_path: Path) -> None:
    async def main() -> None:
        async with at_screen("sim://bench-el-plain", tmp_path) as at:
            first = at.app.station
            await asyncio.to_thread(lambda: first._connection.close() or first._worker.join(120.0))  # type: ignore[func-returns-value]
            await at.until(lambda: at.app.station is not first and at.app.state.board is not None)
            await at.graded("4711")

    run(main)


def test_a_screen_that_breaks_leaves_nothing_closed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """An error of the screen, in the middle of a test: everything is opened, the record is kept and says so, the error is not hidden."""
    port = bench_port("EL")

    def broken(program: BenchApp, **_: object) -> None:
        heard = Heard(program.station)
        heard.tell(Attach(address))
        heard.wait(Present)
        heard.tell(long_test())
        heard.wait(Live)
        assert not port.all_open
        raise RuntimeError("a mistake in the screen")

    monkeypatch.setattr("bench.tui.program.Program.run", broken)
    monkeypatch.setattr("bench.tui.program.start_station", station_in_thread)
    with ports_at(lambda _: port) as address, pytest.raises(RuntimeError, match="a mistake in the screen"):
        run_screen(address, tmp_path, {})
    assert port.all_open
    assert [from_json(path.read_text()).interrupted for path in tmp_path.rglob("*-4711.json")] == ["the screen ended by an error"]


def test_leaving_ends_everything(tmp_path: Path) -> None:
    port = bench_port("EL")

    async def main() -> None:
        async with at_screen(port, tmp_path) as at:
            await at.press("f12")
            await at.until(lambda: not at.app.station._worker.is_alive())

    run(main)
    assert port.all_open
