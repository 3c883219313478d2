"""The bench screen, the paths of a good day: keys in, what stands on the screen out. Boards are simulated, in virtual time."""

from __future__ import annotations

import asyncio
import time
from dataclasses import replace
from pathlib import Path

import pytest
from bench_port import bench_port
from screens import at_screen, real, run, shown
from textual.events import Key, Paste

from bench.record_json import from_json
from bench.tui.choices import Choices, KeptChoices, load
from bench.tui.main_screen import MainScreen
from bench.tui.overlays import KEYS
from bench.tui.requests import Chosen, PracticeBegun
from bench.tui.search_line import SearchLine
from bench.tui.state import Phase, Practising

HOSTILE = "[/b][red]x"


def test_a_unit_from_scan_to_the_next(tmp_path: Path) -> None:
    async def main() -> None:
        async with at_screen("sim://bench-nc-2x21?seed=3", tmp_path) as at:
            await at.see("Scan or type the unit's number", "SIMULATED")
            await at.press("4", "7")
            await at.see("Number 47")
            await at.press("1", "1", "enter")
            await at.see("Unit 4711", "Enter starts the test", "procedure decide")
            at.let_pass(1.0)
            await at.press("enter")
            await at.phase(Phase.VERDICT)
            text = await at.see("GOOD", "GRADE", "flashes a minute", "Next:", "SIMULATED", "Kept as")
            assert "compliant" not in text.lower()
            await at.press("enter")
            await at.phase(Phase.READY)
            await at.see("1 test", "4711", "✓ GOOD")

    run(main)
    records = list((tmp_path / "practice").rglob("*.json"))
    assert [from_json(path.read_text()).unit for path in records] == ["4711"]


@pytest.mark.parametrize(
    ("address", "word", "words"),
    [
        ("sim://bench-nc-2x21?fault=contact-eroded&seed=4", "NOT GOOD", ("loses too much",)),
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


@pytest.mark.parametrize("key", ["f2", "f3"])
def test_escape_goes_back(key: str) -> None:
    async def main() -> None:
        async with at_screen(bench_port("EL")) as at:
            await at.press(key)
            await at.until(lambda: at.app.screen is not at.app.work)
            await at.press("escape")
            await at.until(lambda: at.app.screen is at.app.work)
            await at.press(key, key)
            assert len(at.app.screen_stack) <= 3, "one of a kind, and some keys close what they opened"

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


def test_a_scan_into_the_search_is_the_unit_and_starts_nothing() -> None:
    async def main() -> None:
        async with at_screen(bench_port("EL")) as at:
            await at.press("f2")
            await at.until(lambda: at.app.screen is not at.app.work)
            await at.press("f7", "u")
            for key in ("4", "7", "1", "1", "enter"):
                at.app.post_message(Key(key, None if key == "enter" else key))
            await at.see("Unit 4711", "Enter starts the test")
            assert at.app.screen is at.app.work and at.app.state.phase is Phase.READY

    run(main)


def test_escape_closes_the_search_and_backspace_is_its_own() -> None:
    async def main() -> None:
        async with at_screen(bench_port("EL")) as at:
            await at.press("f2")
            await at.until(lambda: at.app.screen is not at.app.work)
            choose = at.app.screen
            await at.press("f7", "u", "x", "backspace")
            assert choose.query_one(SearchLine).value == "u" and not at.app.state.typed
            await at.press("escape")
            assert at.app.screen is choose and choose.query_one(SearchLine).value == ""
            await at.press("4")
            await at.see("Number 4")  # without a search what is typed is a number
            await at.press("escape", "escape")
            await at.until(lambda: at.app.screen is at.app.work)

    run(main)


def test_favourites_stay(tmp_path: Path) -> None:
    async def main() -> None:
        async with at_screen(bench_port("EL"), tmp_path) as at:
            await at.press("f2")
            await at.until(lambda: at.app.screen is not at.app.work)
            await at.press("f6")
            await at.until(lambda: at.app.state.favourites)

    run(main)
    kept, _ = load(tmp_path / "choices.json")
    assert kept == KeptChoices(Choices(), (Choices(),))


def test_choices_stay(tmp_path: Path) -> None:
    async def main() -> None:
        async with at_screen(bench_port("EL"), tmp_path) as at:
            await at.press("f2")
            await at.until(lambda: at.app.screen is not at.app.work)
            at.app.take_choices(Chosen(replace(at.app.state.choices, system_v=24.0)))
            await at.press("escape")
            await at.see("24 V")

    run(main)
    assert load(tmp_path / "choices.json") == (KeptChoices(replace(Choices(), system_v=24.0)), "")

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


def test_news_that_come_while_the_screen_is_taken_down_are_not_drawn(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    async def unmount_slowly(work: MainScreen) -> None:
        until_s = time.monotonic() + 0.3
        while time.monotonic() < until_s:
            work.state.message = "something new"
            work.post_message(Chosen(work.state.choices))
            await asyncio.sleep(0.02)

    monkeypatch.setattr(MainScreen, "on_unmount", unmount_slowly, raising=False)

    async def main() -> None:
        # On the way out, an exception in a timer of the application is raised again.
        async with at_screen(bench_port("EL"), tmp_path) as at:
            await at.see("Scan or type the unit's number")

    run(main)


def test_practice_and_back_to_the_board(tmp_path: Path) -> None:
    async def main() -> None:
        async with at_screen(real(), tmp_path) as at:
            assert "SIMULATED" not in shown(at.app)
            at.app.practise(PracticeBegun(Practising("sim://bench-nc-6v", False, False)))
            await at.see("SIMULATED", "6 V", "changed to 6 V")
            at.app.practise(PracticeBegun(Practising("sim://bench-nc-welded?seed=2", False, True)))
            await at.see("SIMULATED", "practice 1", "12 V")
            await at.press("enter")
            await at.phase(Phase.VERDICT)
            await at.see("SIMULATED")
            at.app.leave_practice()
            await at.until(lambda: at.app.state.board is not None and not at.app.state.simulated)
            await at.see("Scan or type the unit's number")
            assert "SIMULATED" not in shown(at.app).splitlines()[0]
            assert "12 V" in shown(at.app).splitlines()[1]
            assert not (tmp_path / "choices.json").exists(), "what was chosen for practice is not kept"

    run(main)


@pytest.mark.parametrize("size", [(80, 24), (100, 30), (200, 60), (40, 12)])
def test_every_size_shows_what_counts(size: tuple[int, int], tmp_path: Path) -> None:
    async def main() -> None:
        async with at_screen("sim://bench-nc-2x21?seed=3", tmp_path, size=size) as at:
            await at.graded("4711")
            text = await at.see("GOOD")
            assert max(map(len, text.splitlines())) <= size[0]
            for key in map(str.lower, KEYS):
                await at.press(key)
                await at.pilot.pause()
                assert max(map(len, shown(at.app).splitlines())) <= size[0]
                await at.press("escape")
            await at.pilot.resize_terminal(120, 40)
            await at.see("no limit is broken")

    run(main)


def test_light_and_dark_dots_and_blocks() -> None:
    async def main() -> None:
        async with at_screen(bench_port("EL")) as at:
            themes = [at.app.theme]
            inks = [at.app.state.ink.name]
            for _ in range(3):
                await at.press("f8", "f9")
                themes.append(at.app.theme)
                inks.append(at.app.state.ink.name)
            assert themes == ["bench-dark", "bench-light", "bench-dark", "bench-light"]
            assert inks == ["blocks", "full blocks", "braille", "blocks"]

    run(main)


def test_without_colour_everything_is_still_said(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("NO_COLOR", "1")

    async def main() -> None:
        async with at_screen("sim://bench-nc-2x21?fault=contact-eroded&seed=4", tmp_path) as at:
            await at.graded("4711")
            await at.see("✗ NOT GOOD", "SIMULATED")
            for strip in at.app.screen._compositor.render_strips():
                for segment in strip:
                    style = segment.style
                    for colour in (style.color, style.bgcolor) if style is not None else ():
                        triplet = colour.triplet if colour is not None else None
                        assert triplet is None or max(triplet) - min(triplet) < 3, f"{segment.text!r} is coloured"

    run(main)
