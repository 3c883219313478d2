"""The bench screen, every path of a day's work: keys in, what stands on the screen out. Boards are simulated, in virtual time."""

from __future__ import annotations

import asyncio
from dataclasses import replace
from pathlib import Path

import pytest
from bench_port import BenchPort, bench_port
from screens import at_screen, run, shown
from stations import Heard, long_test, ports_at
from textual.events import Key, Paste

import bench
from bench.ports import Port, PortError
from bench.record_json import from_json
from bench.session import Live
from bench.station import Attach, Present
from bench.station.process import station_in_thread
from bench.tui.app import BenchApp
from bench.tui.caution import Caution
from bench.tui.choices import Choices, load
from bench.tui.run import run_screen
from bench.tui.state import Phase

QUICK = Path(bench.__file__).parent / "data" / "procedures" / "quick.toml"
HOSTILE = "[/b][red]x"


def real(kind: str = "EL", supply_v: float = 12.8) -> BenchPort:
    port = bench_port(kind, supply_v=supply_v)
    port.real = True
    return port


def test_a_unit_from_scan_to_the_next(tmp_path: Path) -> None:
    async def main() -> None:
        async with at_screen("sim://bench-nc-2x21?seed=3", tmp_path) as at:
            await at.see("Scan or type the unit's number", "SIMULATED")
            await at.press("4", "7")
            await at.see("Number 47")
            await at.press("1", "1", "enter")
            await at.see("Unit 4711", "Enter starts the test", "quick test")
            at.let_pass(1.0)
            await at.press("enter")
            await at.phase(Phase.VERDICT)
            text = await at.see("PASS", "GRADE", "flashes a minute", "Next:", "SIMULATED", "Kept as")
            assert "compliant" not in text.lower()
            await at.press("enter")
            await at.phase(Phase.READY)
            await at.see("1 tested in this session", "4711", "✓ PASS")

    run(main)
    records = list((tmp_path / "practice").rglob("*.json"))
    assert [from_json(path.read_text()).unit for path in records] == ["4711"]


@pytest.mark.parametrize(
    ("address", "word", "words"),
    [
        ("sim://bench-nc-2x21?fault=contact-eroded&seed=4", "FAIL", ("Loses too much voltage",)),
        ("sim://bench-nc-2x21?fault=lamp-dead&seed=4", "BENCH FAULT", ("lamp",)),
    ],
)
def test_verdicts_say_what_and_why(address: str, word: str, words: tuple[str, ...], tmp_path: Path) -> None:
    async def main() -> None:
        async with at_screen(address, tmp_path, choices=Choices(limits=("sae-j945",))) as at:
            await at.graded("4711")
            await at.see(word, *words, "Next:")

    run(main)


@pytest.mark.parametrize("key", ["f1", "f2", "f3", "f4"])
def test_a_number_can_be_scanned_from_anywhere(key: str) -> None:
    async def main() -> None:
        async with at_screen(bench_port("EL")) as at:
            await at.press(key)
            await at.until(lambda: at.app.screen is not at.app.work)
            await at.press("8", "1", "5")
            await at.see("Number 815")
            await at.press("enter")
            await at.until(lambda: at.app.screen is at.app.work)
            assert at.app.state.number == "815"

    run(main)


@pytest.mark.parametrize("key", ["f1", "f2", "f3", "f4"])
def test_escape_goes_back(key: str) -> None:
    async def main() -> None:
        async with at_screen(bench_port("EL")) as at:
            await at.press(key)
            await at.until(lambda: at.app.screen is not at.app.work)
            await at.press(key)
            assert len(at.app.screen_stack) == 3, "one of a kind"
            await at.press("escape")
            await at.until(lambda: at.app.screen is at.app.work)

    run(main)


def test_nothing_outside_is_read_as_markup(tmp_path: Path) -> None:
    async def main() -> None:
        async with at_screen(bench_port("EL"), tmp_path) as at:
            await at.press(*HOSTILE)
            await at.see(f"Number {HOSTILE}")
            await at.press("enter")
            await at.see(f"Unit {HOSTILE}")
            at.let_pass(1.0)
            await at.press("enter")
            await at.phase(Phase.VERDICT)
            await at.see(f"Unit {HOSTILE}.")
            await at.press("f5")
            await at.see(HOSTILE)
            await at.press("escape", "f4")
            await at.see(HOSTILE)

    run(main)


def test_a_wrong_scan_is_said_and_nothing_is_lost() -> None:
    async def main() -> None:
        async with at_screen(bench_port("EL")) as at:
            await at.scan("4711")
            await at.scan("9" * 60)
            await at.see("Not taken: 60 characters came", "Unit 4711")

    run(main)


def test_a_scanner_types_all_at_once_and_its_enter_does_not_overtake(tmp_path: Path) -> None:
    """Keys as they come from a terminal: the whole scan in one read."""

    async def main() -> None:
        async with at_screen(bench_port("EL"), tmp_path) as at:
            for number in ("4711", "4712"):
                for key in (*number, "enter"):
                    at.app.post_message(Key(key, None if key == "enter" else key))
                await at.see(f"Unit {number}")
                assert at.app.state.phase is Phase.READY and not at.app.state.typed

    run(main)


def test_pasted_text_is_a_number_too() -> None:
    async def main() -> None:
        async with at_screen(bench_port("EL")) as at:
            at.app.post_message(Paste("47 11"))
            await at.see("Number 47 11")
            at.app.post_message(Paste("-b\n"))
            await at.see("Unit 47 11-b", "Enter starts the test")

    run(main)


def test_a_missing_board_is_said_and_found_when_it_comes() -> None:
    there: list[BenchPort] = []

    def opener(address: str) -> Port:
        if not there:
            raise PortError("opening /dev/ttyUSB0: no such file; serial ports here: none")
        return there[0]

    async def main() -> None:
        async with at_screen(opener, wait=False) as at:
            await at.see("opening /dev/ttyUSB0: no such file", "NO BOARD", "looked for all the time")
            await at.scan("4711")
            await at.press("enter")
            await at.see("No test without a board")
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
            await at.see("NOT FINISHED", "cancelled by the operator")
            assert port.all_open
            await at.press("enter")
            assert at.app.state.number == "4711"

    run(main)
    assert [from_json(path.read_text()).interrupted for path in tmp_path.rglob("*.json")] == ["cancelled by the operator"]


def test_the_learner_s_own_hands(tmp_path: Path) -> None:
    """A practice with prompts: the knob by keys, cooling that may pass, and it is marked as simulated all the while."""
    # In real time, and long: nothing passes while the test looks.
    plan = tmp_path / "cold.toml"
    plan.write_text(QUICK.read_text(encoding="utf-8").replace("cool_s = 10 ", "cool_s = 60 "), encoding="utf-8")
    own = replace(Choices(), procedure=str(plan))

    async def main() -> None:
        async with at_screen("sim://NONE", tmp_path, choices=own, wait=False) as at:
            at.app.practise("sim://bench-el-plain?supply=12.5&pace=real", True, False)
            await at.until(lambda: at.app.state.board is not None)
            assert at.app.state.number == "practice 1"
            await at.press("enter")
            await at.see("Turn it UP by", "Up and Down keys", "SIMULATED")
            for _ in range(3):
                await at.press("up")
            await at.see("everything is open", "let the time pass at once")
            await at.press("enter")
            await at.until(lambda: at.app.state.test is None or at.app.state.test.waiting is None)
            await at.press("escape")
            await at.phase(Phase.VERDICT)

    run(main)


def test_choices_stay(tmp_path: Path) -> None:
    async def main() -> None:
        async with at_screen(bench_port("EL"), tmp_path) as at:
            await at.press("f2")
            await at.until(lambda: at.app.screen is not at.app.work)
            at.app.choose(replace(at.app.state.choices, system_v=24.0))
            await at.press("escape")
            await at.see("24 V")

    run(main)
    assert load(tmp_path / "choices.json") == (replace(Choices(), system_v=24.0), "")

    async def again() -> None:
        async with at_screen(bench_port("EL"), tmp_path) as at:
            await at.see("24 V")

    run(again)


def test_damaged_choices_are_said_and_the_usual_taken(tmp_path: Path) -> None:
    (tmp_path / "choices.json").write_text("{")

    async def main() -> None:
        async with at_screen(bench_port("EL"), tmp_path, wait=False) as at:
            await at.see("are damaged")

    run(main)


def test_practice_and_back_to_the_board() -> None:
    async def main() -> None:
        async with at_screen(real()) as at:
            assert "SIMULATED" not in shown(at.app)
            at.app.practise("sim://bench-nc-welded?seed=2", False, True)
            await at.see("SIMULATED", "practice 1")
            await at.press("enter")
            await at.phase(Phase.VERDICT)
            await at.see("SIMULATED")
            at.app.leave_practice()
            await at.until(lambda: at.app.state.board is not None and not at.app.state.simulated)
            await at.see("Scan or type the unit's number")
            assert "SIMULATED" not in shown(at.app).splitlines()[0]

    run(main)


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
            await asyncio.to_thread(lambda: first._connection.close() or first._worker.join(5.0))  # type: ignore[func-returns-value]
            await at.until(lambda: at.app.station is not first and at.app.state.board is not None)
            await at.graded("4711")

    run(main)


def test_a_screen_that_breaks_leaves_nothing_closed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """An error of the screen, in the middle of a test: everything is opened, the record is kept and says so, the error is not hidden."""
    port = bench_port("EL")

    def broken(program: BenchApp) -> None:
        heard = Heard(program.station)
        heard.tell(Attach(address))
        heard.wait(Present)
        heard.tell(long_test())
        heard.wait(Live)
        assert not port.all_open
        raise RuntimeError("a mistake in the screen")

    monkeypatch.setattr("bench.tui.run.Program.run", broken)
    monkeypatch.setattr("bench.tui.run.start_station", station_in_thread)
    with ports_at(lambda _: port) as address, pytest.raises(RuntimeError, match="a mistake in the screen"):
        run_screen(address, tmp_path, {})
    assert port.all_open
    assert [from_json(path.read_text()).interrupted for path in tmp_path.rglob("*-4711.json")] == ["the screen ended by an error"]


def test_leaving_ends_everything(tmp_path: Path) -> None:
    port = bench_port("EL")

    async def main() -> None:
        async with at_screen(port, tmp_path) as at:
            await at.press("f10")
            await at.until(lambda: not at.app.station._worker.is_alive())

    run(main)
    assert port.all_open


@pytest.mark.parametrize("size", [(80, 24), (100, 30), (200, 60), (40, 12)])
def test_every_size_shows_what_counts(size: tuple[int, int], tmp_path: Path) -> None:
    async def main() -> None:
        async with at_screen("sim://bench-nc-2x21?seed=3", tmp_path, size=size) as at:
            await at.graded("4711")
            text = await at.see("PASS")
            assert max(map(len, text.splitlines())) <= size[0]
            for key in ("f1", "f2", "f3", "f4", "f5"):
                await at.press(key)
                await at.pilot.pause()
                assert max(map(len, shown(at.app).splitlines())) <= size[0]
                await at.press("escape")
            await at.pilot.resize_terminal(120, 40)
            await at.see("every limit kept")

    run(main)


def test_light_and_dark_dots_and_blocks() -> None:
    async def main() -> None:
        async with at_screen(bench_port("EL")) as at:
            themes = [at.app.theme]
            inks = [at.app.ink]
            for _ in range(2):
                await at.press("f8", "f9")
                themes.append(at.app.theme)
                inks.append(at.app.ink)
            assert themes == ["bench-dark", "bench-light", "bench-dark"]
            assert inks == ["braille", "blocks", "braille"]

    run(main)


def test_without_colour_everything_is_still_said(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("NO_COLOR", "1")

    async def main() -> None:
        async with at_screen("sim://bench-nc-2x21?fault=contact-eroded&seed=4", tmp_path) as at:
            await at.graded("4711")
            await at.see("✗ FAIL", "SIMULATED")
            for strip in at.app.screen._compositor.render_strips():
                for segment in strip:
                    style = segment.style
                    for colour in (style.color, style.bgcolor) if style is not None else ():
                        triplet = colour.triplet if colour is not None else None
                        assert triplet is None or max(triplet) - min(triplet) < 3, f"{segment.text!r} is coloured"

    run(main)
