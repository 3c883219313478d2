"""Looking back: one test opened again, and the session to choose it from."""

from __future__ import annotations

import asyncio
import io
from collections.abc import Awaitable, Callable
from dataclasses import replace
from pathlib import Path

import pytest
from bench_port import bench_port, run_on, setup
from kept_captures import SHORT, captured
from sample_records import HOSTILE, cases, record, renamed
from stub_screen import StubApp, press, text_of
from textual.pilot import Pilot

from bench.grade import Grade
from bench.judging.traces import run_traces
from bench.outcome import Conclusion, Outcome
from bench.ports.replay import MAGIC
from bench.procedure import Procedure
from bench.record import TestRecord
from bench.tui import state
from bench.tui.look_back import LookBack
from bench.tui.one_test import OneTest
from bench.tui.session_rows import clock_text, row, totals

# --- one test


def opened(tested: state.Tested, script: Callable[[OneTest, Pilot[None]], Awaitable[None]], size: tuple[int, int] = (120, 40)) -> None:
    """Run the script on the screen of this test, once its trace was read."""

    async def main() -> None:
        app = StubApp(lambda at: OneTest(at, tested))
        async with app.run_test(size=size) as pilot:
            await pilot.pause()
            await app.workers.wait_for_complete()
            await pilot.pause()
            screen = app.screen
            assert isinstance(screen, OneTest)
            await script(screen, pilot)

    asyncio.run(main())


def test_one_test_opened_again(capture: Path) -> None:
    live = renamed(captured()[0], "unit [b]7[/b]")

    async def script(screen: OneTest, pilot: Pilot[None]) -> None:
        shown = text_of(pilot.app)
        for words in ("GOOD", "unit [b]7[/b]", "Run: ", "volts at the unit", "current, A", "lamps", "cursor 1", "whole flashes: Tab"):
            assert words in shown
        shown = await press(pilot, "tab")
        assert "flash 1 of" in shown and "period" in shown and "lowest drop" in shown
        assert screen.trace.view.holds(screen.trace.cursor_s)
        shown = await press(pilot, "tab", "tab", "shift+tab")
        assert "flash 2 of" in shown

    opened(state.Tested(live, None, capture), script)


def test_zoom_and_pan(capture: Path) -> None:
    async def script(screen: OneTest, pilot: Pilot[None]) -> None:
        run, first = screen.trace.run, screen.trace.view
        assert run is not None and run.on_s is not None
        assert first.begin_s < run.on_s < first.end_s
        await press(pilot, "up")
        assert screen.trace.view.span_s == pytest.approx(first.span_s / 2.0)
        await press(pilot, "down")
        assert screen.trace.view.begin_s == pytest.approx(first.begin_s)
        await press(pilot, "right")
        assert screen.trace.view.begin_s == pytest.approx(first.begin_s + first.span_s / 4.0)
        await press(pilot, "left", "left", "left", "left", "left", "left")
        assert screen.trace.view.begin_s == run.begin_s
        await press(pilot, "end")
        assert screen.trace.view.span_s == pytest.approx(run.end_s - run.begin_s)
        await press(pilot, *["up"] * 20)
        shown = text_of(pilot.app)
        assert screen.trace.view.span_s < 0.01 and "–" not in shown, "single samples are read close by"

    opened(state.Tested(captured()[0], None, capture), script)


def test_by_a_flash(capture: Path) -> None:
    async def script(screen: OneTest, pilot: Pilot[None]) -> None:
        run = screen.trace.run
        assert run is not None
        await press(pilot, "tab", "tab", "tab")
        before = screen.trace.view
        await press(pilot, "ctrl+right")
        assert screen.trace.view.begin_s - before.begin_s == pytest.approx(run.cycles[2].period_s, rel=0.02)
        await press(pilot, "ctrl+left")
        assert screen.trace.view.begin_s == pytest.approx(before.begin_s, abs=0.02)

    opened(state.Tested(captured()[0], None, capture), script)


def test_two_cursors(capture: Path) -> None:
    async def script(screen: OneTest, pilot: Pilot[None]) -> None:
        trace = screen.trace
        await press(pilot, "tab", "home", *["shift+right"] * 10)
        assert trace.second_s is not None
        assert trace.cursor_s - trace.second_s == pytest.approx(10 * trace.cell_s)
        shown = text_of(pilot.app)
        assert "cursor 2" in shown and "between" in shown
        shown = await press(pilot, "end")
        assert "a minute, if that is one period" in shown
        await press(pilot, *["right"] * 8, "shift+left")
        assert trace.view.holds(trace.cursor_s), "a cursor out of sight is brought back"

    opened(state.Tested(captured()[0], None, capture), script)


def test_one_run_after_another(tmp_path: Path) -> None:
    buffer = io.BytesIO()
    (step,) = SHORT.runs
    twice = Procedure("twice", "", "", (step, replace(step, name="again", title="Once more", judge=())))
    live = run_on(bench_port("EL"), twice, capture=buffer)
    path = tmp_path / "two.capture"
    path.write_bytes(buffer.getvalue())

    async def script(screen: OneTest, pilot: Pilot[None]) -> None:
        assert "Run 1 of 2" in text_of(pilot.app)
        shown = await press(pilot, "tab", "pagedown")
        assert "Run 2 of 2: Once more" in shown
        assert "Run 2 of 2" in await press(pilot, "pagedown")
        assert "Run 1 of 2" in await press(pilot, "pageup")

    opened(state.Tested(live, None, path), script)


def test_a_run_carried_on_live_tells_time_from_the_same_supply(tmp_path: Path) -> None:
    (step,) = SHORT.runs
    out = replace(step, name="one-out", title="One lamp out, live", loads="one-out", live=True, cycles=6, judge=())
    plan = Procedure("live", "", "", (step, out))
    buffer = io.BytesIO()
    live = run_on(bench_port("EL"), plan, capture=buffer)
    path = tmp_path / "live.capture"
    path.write_bytes(buffer.getvalue())
    before, after = run_traces(path, setup(), plan)
    on_s = before.on_s
    assert on_s is not None and after.on_s == on_s
    assert after.begin_s >= before.end_s
    assert not after.note

    async def script(screen: OneTest, pilot: Pilot[None]) -> None:
        shown = await press(pilot, "pagedown")
        assert "Run 2 of 2: One lamp out, live, 21 W" in shown
        assert screen.trace.view.begin_s == after.begin_s
        assert f"└{round(after.begin_s - on_s) + 1}" in shown, "seconds since the supply came"
        assert "lost" not in shown

    opened(state.Tested(live, None, path), script)


def test_what_cannot_be_shown_is_said_in_one_line(tmp_path: Path) -> None:
    async def missing(screen: OneTest, pilot: Pilot[None]) -> None:
        shown = await press(pilot, "tab", "up", "right", "home", "shift+left", "pagedown", "end", "ctrl+left")
        assert "can't be read" in shown

    opened(state.Tested(captured()[0], None, tmp_path / "[b]gone.capture"), missing, (200, 40))

    async def not_kept(screen: OneTest, pilot: Pilot[None]) -> None:
        assert "the disk is full" in text_of(pilot.app)

    opened(state.Tested(captured()[0], None, None, "the disk is full"), not_kept)

    async def unknown(screen: OneTest, pilot: Pilot[None]) -> None:
        assert "no trace of this test was kept" in text_of(pilot.app)

    opened(state.Tested(captured()[0]), unknown, (80, 24))
    empty = tmp_path / "empty.capture"
    empty.write_bytes(MAGIC)

    async def holds_nothing(screen: OneTest, pilot: Pilot[None]) -> None:
        assert "it does not say what was tested" in text_of(pilot.app)

    opened(state.Tested(captured()[0], None, empty), holds_nothing)


def test_leaving_while_the_trace_is_read(capture: Path) -> None:
    async def main() -> None:
        app = StubApp(lambda at: OneTest(at, state.Tested(captured()[0], None, capture)))
        async with app.run_test() as pilot:
            await pilot.press("escape")
            await app.workers.wait_for_complete()
            await pilot.pause()
            assert not isinstance(app.screen, OneTest)

    asyncio.run(main())


@pytest.mark.parametrize("size", [(80, 24), (60, 16), (30, 10), (200, 60)])
def test_any_size(capture: Path, size: tuple[int, int]) -> None:
    async def script(screen: OneTest, pilot: Pilot[None]) -> None:
        shown = await press(pilot, "tab", "home", "shift+right")
        assert all(len(line) <= size[0] for line in shown.split("\n"))
        assert "GOOD" in shown

    opened(state.Tested(captured()[0], None, capture), script, size)


# --- the session


def listed(tests: list[state.Tested], size: tuple[int, int] = (120, 40), folder: Path | None = None, keys: tuple[str, ...] = ()) -> str:
    async def main() -> str:
        app = StubApp(LookBack)
        app.state.session = tests
        app.state.folder = folder
        async with app.run_test(size=size) as pilot:
            await pilot.pause()
            return await press(pilot, *keys) if keys else text_of(app)

    return asyncio.run(main())


def session_of(*records: TestRecord) -> list[state.Tested]:
    return [state.Tested(one) for one in records]


def test_the_newest_comes_first_with_sign_word_grade_and_reason() -> None:
    older, newer = record(unit="OLD"), renamed(captured()[0], "NEW")
    shown = listed(session_of(older, newer), folder=Path("/shop/records"))
    assert shown.index("NEW") < shown.index("OLD")
    assert "✓ GOOD" in shown
    assert "2 tests:" in shown
    assert "Earlier days: the records in /shop/records" in shown
    assert "no folder was named" in listed(session_of(older))
    assert "Nothing has been tested today yet." in listed([])


def test_every_case_has_its_line_and_nothing_is_markup() -> None:
    shown = listed(session_of(*cases().values()), size=(100, 30))
    for word in ("✓ GOOD", "✗ NOT GOOD", "? NOT DECIDED", "! BENCH FAULT"):
        assert word in shown
    assert "[/b]" in shown and "\x1b" not in shown
    assert HOSTILE not in shown


def test_no_more_rows_are_made_than_fit() -> None:
    many = session_of(*(record(unit=f"N{number:03d}") for number in range(300)))
    shown = listed(many, size=(80, 24))
    assert "N299" in shown and shown.count("DEMO") == 0
    assert 8 <= sum(f"N{number:03d}" in shown for number in range(300)) <= 16
    assert "▸ 12:00  N298" in listed(many, (80, 24), keys=("down",))
    assert "▸ 12:00  N000" in listed(many, (80, 24), keys=("end",))
    assert "▸ 12:00  N299" in listed(many, (80, 24), keys=("end", "home", "up"))
    paged = listed(many, (80, 24), keys=("pagedown", "pagedown", "pageup"))
    assert paged.count("▸") == 1


def test_totals_count_each_test_once() -> None:
    graded = replace(record(), conclusion=Conclusion(Outcome.GOOD, "", "", Grade("A", "as new", "default")))
    elsewhere = replace(record(), conclusion=Conclusion(Outcome.NOT_FOR_LOAD, "", ""))
    tests = session_of(graded, graded, record(interrupted="cancelled by hand"), elsewhere)
    text = totals(tests)
    assert text.startswith("4 tests:")
    assert "A 2" in text and "not decided 1" in text and "not for this load 1" in text
    counted = [int(part.rsplit(" ", 1)[1]) for part in text.split(":", 1)[1].split("   ") if part.strip()]
    assert sum(counted) == 4
    assert totals([]) == ""


@pytest.mark.parametrize("width", [80, 99, 100, 160])
def test_every_word_can_be_told_from_the_others_in_a_row(width: int) -> None:
    rows = {}
    for outcome in Outcome:
        one = replace(record(), conclusion=Conclusion(outcome, "Why it is so.", ""))
        rows[outcome] = row(one, width, {}).plain
        assert "Why it is so." in rows[outcome] and len(rows[outcome]) <= width
    assert len(set(rows.values())) == len(Outcome)
    assert "GOOD, NOT" in rows[Outcome.NOT_FOR_LOAD], "never only good"


def test_the_time_of_day() -> None:
    assert clock_text("2026-11-25T14:05:09+01:00") == "14:05"
    assert clock_text("") == "     "
    assert clock_text("odd") == "odd  "


def test_enter_opens_the_chosen_one(capture: Path) -> None:
    async def main() -> None:
        app = StubApp(LookBack)
        app.state.session = [state.Tested(captured()[0], None, capture), *session_of(record(unit="LAST"))]
        async with app.run_test() as pilot:
            await pilot.pause()
            await pilot.press("down", "enter")
            await app.workers.wait_for_complete()
            shown = await press(pilot)
            assert isinstance(app.screen, OneTest)
            assert "lamps" in shown
            shown = await press(pilot, "escape")
            assert "2 tests:" in shown

    asyncio.run(main())


def test_a_test_that_comes_meanwhile_does_not_move_the_choice() -> None:
    async def main() -> None:
        app = StubApp(LookBack)
        app.state.session = session_of(record(unit="A1"), record(unit="A2"), record(unit="A3"))
        async with app.run_test() as pilot:
            await pilot.pause()
            await press(pilot, "down")
            app.state.session += session_of(record(unit="A4"))
            screen = app.screen
            assert isinstance(screen, LookBack)
            screen.refresh_state()
            assert "▸ 12:00  A2" in await press(pilot)

    asyncio.run(main())
