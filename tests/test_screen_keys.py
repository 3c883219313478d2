"""Keys of the real screen: what Esc, F12, F5 and F6 do where, scans while choices are open, and a day that a restart has not forgotten."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from pathlib import Path

from sample_records import cases, renamed
from screens import Sitting, at_screen, real, run, shown

from bench.record_json import to_json
from bench.station import PRACTICE
from bench.tui.choices import Choices
from bench.tui.choose import Choose
from bench.tui.details import Details
from bench.tui.kept_day import tests_of as kept_tests_of
from bench.tui.look_back import LookBack
from bench.tui.state import Phase, Tested

BENCH = "sim://bench-nc-2x21?seed=3&pace=real"


async def in_a_run(at: Sitting) -> None:
    """A test whose lamps are lit."""
    await at.scan("4711")
    await at.press("enter")
    await at.until(lambda: at.app.state.test is not None and at.app.state.test.live is not None)


def test_leaving_a_test_is_asked_and_any_other_key_goes_on() -> None:
    async def main() -> None:
        async with at_screen(BENCH) as at:
            await in_a_run(at)
            for key in ("f12", "ctrl+c", "ctrl+q"):
                await at.press(key)
                await at.see("F12 once more: all loads open, and leave", "any other key the test goes on")
                await at.press("up")
                assert "once more" not in shown(at.app) and at.app.state.runs
            await at.press("ctrl+c", "f12")
            await at.until(lambda: not at.app.is_running)

    run(main)


def test_between_tests_it_is_left_at_once() -> None:
    async def main() -> None:
        async with at_screen(BENCH) as at:
            await at.press("f12")
            await at.until(lambda: not at.app.is_running)

    run(main)


def test_escape_in_a_test_opens_all_loads_on_any_screen_and_with_anything_typed() -> None:
    async def main() -> None:
        for keys in (("7",), ("f1",), ("f4", "7")):
            async with at_screen(BENCH) as at:
                await in_a_run(at)
                await at.press(*keys)
                await at.see("Esc cancel: all loads open")
                await at.press("escape")
                await at.until(lambda: at.app.state.phase is Phase.VERDICT)
                await at.see("NOT DECIDED")

    run(main)


def test_a_page_is_closed_by_its_own_key_also_in_a_test() -> None:
    async def main() -> None:
        async with at_screen(BENCH) as at:
            await in_a_run(at)
            for key in ("f1", "f4"):
                await at.press(key)
                await at.see(f"{key.upper()} back")
                await at.press(key)
                assert at.at_work and at.app.state.runs

    run(main)


def test_in_looking_back_keys_act_on_the_chosen_test() -> None:
    async def main() -> None:
        async with at_screen(real()) as at:
            state = at.app.state
            state.session += [Tested(renamed(cases()[name], unit)) for name, unit in (("pass", "OLD-1"), ("fail", "NEW-2"))]
            await at.press("f4", "down", "f5")
            assert isinstance(at.app.screen, Details)
            await at.see("OLD-1")
            assert "NEW-2" not in shown(at.app)
            await at.press("escape")
            assert isinstance(at.app.screen, LookBack)
            await at.press("f6")
            assert (at.at_work, state.phase, state.number) == (True, Phase.READY, "OLD-1")

    run(main)


def test_a_scan_while_choices_are_open_keeps_what_was_changed_and_says_so() -> None:
    async def main() -> None:
        async with at_screen(real()) as at:
            await at.press("f2", "right")
            await at.scan("4711")
            await at.see("4711", "What was changed in F2 is kept: 24 V")
            assert at.app.state.choices.system_v == 24.0 and at.at_work

    run(main)


def test_a_scan_leaves_choices_open_that_can_not_be() -> None:
    async def main() -> None:
        async with at_screen(real(), choices=Choices(lamps=(1, 0, 0))) as at:
            await at.press("f2", "down", "left")
            await at.scan("4711")
            await at.see("Not possible", "Unit 4711")
            assert isinstance(at.app.screen, Choose) and at.app.state.number == "4711"
            await at.press("right")
            await at.press("enter")
            assert at.at_work and at.app.state.choices.lamps == (1, 0, 0)

    run(main)


def test_a_practice_bench_that_was_not_started_is_not_started_by_a_scan() -> None:
    async def main() -> None:
        async with at_screen(real()) as at:
            await at.press("f3", "down")
            await at.scan("4711")
            await at.see("was not started")
            assert at.app.state.practice is None

    run(main)


def day_of(folder: Path, *units: str) -> None:
    folder.mkdir(parents=True)
    for number, unit in enumerate(units):
        one = replace(renamed(cases()["pass"], unit), when=f"2026-11-25T08:0{number}:00+01:00")
        (folder / f"08000{number}-{unit}.json").write_text(to_json(one))


def test_what_was_tested_on_the_day_is_read_again(tmp_path: Path) -> None:
    day_of(tmp_path / "2026-11-25", "B1", "A2")
    day_of(tmp_path / PRACTICE / "2026-11-25", "P0")
    (tmp_path / "2026-11-25" / "torn.json").write_text('{"format"')
    (tmp_path / "2026-11-25" / "080000-B1.capture").touch()
    found, unread = kept_tests_of(tmp_path, "2026-11-25")
    assert [tested.record.unit for tested in found] == ["B1", "P0", "A2"]
    assert [tested.capture_path is not None for tested in found] == [True, False, False]
    assert unread == "1 record of today can't be read (torn.json): not counted here."
    assert kept_tests_of(tmp_path, "2026-11-24") == ([], "")
    assert kept_tests_of(tmp_path, "2026-11-25", lambda: True)[0] == []


def test_a_screen_that_is_started_again_knows_the_day(tmp_path: Path) -> None:
    today = tmp_path / datetime.now().astimezone().date().isoformat()
    day_of(today, "B1", "A2")
    (today / "torn.json").write_text("")

    async def main() -> None:
        async with at_screen(real(), tmp_path) as at:
            await at.see("2 tests:", "B1", "A2")
            await at.press("f4")
            await at.see("1 record of today can't be read (torn.json)")

    run(main)
