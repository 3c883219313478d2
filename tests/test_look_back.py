"""Looking back: what a capture shows of its runs, one test opened again, and the list of the session's tests."""

from __future__ import annotations

import asyncio
import io
import json
from collections.abc import Awaitable, Callable
from dataclasses import replace
from functools import cache
from pathlib import Path

import pytest
from bench_port import bench_port, run_on, setup
from sample_records import HOSTILE, cases, record
from stub_screen import StubApp, press, text_of
from textual.pilot import Pilot

from bench.files import procedure
from bench.grade import Grade
from bench.ports.replay import MAGIC, NOTE, CaptureError, CaptureWriter, read_capture
from bench.procedure import Procedure
from bench.record import TestRecord
from bench.session import judge_capture
from bench.session.traces import RunTrace, run_traces
from bench.transitions import SupplyEdge, Transition
from bench.tui import state
from bench.tui.cursor_readings import between_line, cursor_line, flash_at, flash_lines, rate_text, reading_text, since_on, titles_line
from bench.tui.look_back import LookBack, clock_text, totals
from bench.tui.one_test import OneTest

SHORT = Procedure("quick", "", "", procedure("quick").steps)


@cache
def captured() -> tuple[TestRecord, bytes]:
    buffer = io.BytesIO()
    return run_on(bench_port("EL"), SHORT, capture=buffer), buffer.getvalue()


@pytest.fixture
def capture(tmp_path: Path) -> Path:
    path = tmp_path / "one.capture"
    path.write_bytes(captured()[1])
    return path


def the_run(path: Path) -> RunTrace:
    (run,) = run_traces(path, setup(), SHORT)
    return run


# --- traces


def test_the_runs_of_a_capture(capture: Path) -> None:
    run = the_run(capture)
    (step,) = captured()[0].steps
    assert (run.name, run.title, run.load, run.note) == (step.name, step.title, step.load_text, "")
    assert len(run.cycles) >= step.cycles
    makes = [change.t_s for change in run.changes if isinstance(change, Transition) and change.closed]
    assert makes[: len(run.cycles)] == [cycle.begun.t_s for cycle in run.cycles]
    edges = [change for change in run.changes if isinstance(change, SupplyEdge)]
    assert [edge.on for edge in edges] == [True, False]
    assert run.on_s == edges[0].t_s
    for name, trace in run.traces.items():
        assert run.begin_s <= trace.t_s[0] and trace.t_s[-1] < run.end_s, name
        assert (trace.t_s[1:] > trace.t_s[:-1]).all()
    assert set(run.traces) == set(run.units) == set(run.accuracies)


def test_looking_on_changes_no_verdict(capture: Path) -> None:
    live = captured()[0]
    again = judge_capture(capture, setup(), SHORT, when=live.when, software=live.software)
    assert again.outcome is live.outcome
    assert [step.cycles for step in again.steps] == [step.cycles for step in live.steps]


def test_a_capture_cut_in_the_middle_gives_what_is_there(tmp_path: Path) -> None:
    data = captured()[1]
    path = tmp_path / "cut.capture"
    path.write_bytes(data[: int(0.6 * len(data))])
    whole_path = tmp_path / "whole.capture"
    whole_path.write_bytes(data)
    cut, whole = the_run(path), the_run(whole_path)
    assert "ends in the middle" in cut.note
    assert 0 < len(cut.cycles) < len(whole.cycles)
    count = len(cut.traces["v_out"].t_s)
    assert (cut.traces["v_out"].values == whole.traces["v_out"].values[:count]).all()


@pytest.mark.parametrize("share", [0.0, 0.001, 0.01, 0.1, 0.3, 0.9])
def test_a_capture_cut_anywhere_is_no_crash(tmp_path: Path, share: float) -> None:
    data = captured()[1]
    path = tmp_path / "cut.capture"
    path.write_bytes(data[: max(len(MAGIC), int(share * len(data)))])
    assert len(run_traces(path, setup(), SHORT)) <= 1


def test_a_damaged_or_missing_capture_is_one_line(tmp_path: Path, capture: Path) -> None:
    with pytest.raises(CaptureError, match=r"nothing\.capture: can't be read"):
        run_traces(tmp_path / "nothing.capture", setup(), SHORT)
    data = bytearray(captured()[1])
    data[len(data) // 2] ^= 1
    capture.write_bytes(bytes(data))
    with pytest.raises(CaptureError, match="damaged"):
        run_traces(capture, setup(), SHORT)


def test_notes_that_mean_nothing_are_one_line(tmp_path: Path) -> None:
    path = tmp_path / "odd.capture"
    odd = (
        {"note": "board"}, {"note": "board", "lines": ["board x"], "board": {}}, {"note": "run", "step": "rated"}, {"note": "bench fault"},
    )  # fmt: skip
    for note in odd:
        buffer = io.BytesIO()
        CaptureWriter(buffer).note(note, 0.0)
        path.write_bytes(buffer.getvalue())
        with pytest.raises(CaptureError) as caught:
            run_traces(path, setup(), SHORT)
        assert "\n" not in str(caught.value)
    entries = [json.loads(entry.payload) for entry in read_capture(path) if entry.kind == NOTE]
    assert entries == [{"note": "bench fault"}]


def test_samples_are_held_of_so_much_time_only(capture: Path) -> None:
    (run,) = run_traces(capture, setup(), SHORT, most_s=1.0)
    assert "too long" in run.note
    assert run.end_s < 3.0
    assert len(run.cycles) == len(the_run(capture).cycles)


# --- readings


def test_readings_single_samples_near_and_extents_far(capture: Path) -> None:
    run = the_run(capture)
    cycle = run.cycles[3]
    lit_s, dark_s = (cycle.begun.t_s + cycle.broke.t_s) / 2.0, (cycle.broke.t_s + cycle.ended.t_s) / 2.0
    sample = run.traces["v_out"].values[run.traces["v_out"].t_s.searchsorted(lit_s)]
    assert float(reading_text(run, "v_out", lit_s, 1e-5)) == pytest.approx(float(sample), abs=0.05)
    assert float(reading_text(run, "v_out", dark_s, 1e-5)) == pytest.approx(0.0, abs=0.05)
    low, high = reading_text(run, "v_out", cycle.broke.t_s, 0.1).split("–")
    assert float(low) < 0.1 and float(high) > 10.0
    assert reading_text(run, "v_drop", dark_s, 1e-5).startswith(">"), "the drop amplifier is out of its range there"
    assert reading_text(run, "v_drop", cycle.broke.t_s, 0.1).endswith(" and up")
    assert reading_text(run, "nothing", lit_s, 1e-5) == ""
    assert reading_text(run, "v_out", run.end_s + 100.0, 1e-5) == ""


def test_lines_stand_in_columns_and_none_is_cut(capture: Path) -> None:
    run = the_run(capture)
    t_s = run.cycles[2].begun.t_s + 0.1
    for width in (20, 40, 78, 118):
        lines = [
            titles_line(run, width), cursor_line(run, "1", t_s, 0.01, width), between_line(run, t_s, t_s + 0.3, 0.01, width),
        ]  # fmt: skip
        assert len({len(line) for line in lines}) == 1
        assert len(lines[0]) <= max(width, 18)
    assert titles_line(run, 78).split()[:4] == ["at,", "s", "out,", "V"]
    assert cursor_line(run, "1", t_s, 0.01, 78).split()[2] == f"{since_on(run, t_s):.3f}"


def test_between_the_cursors(capture: Path) -> None:
    run = the_run(capture)
    lit_s, dark_s = run.cycles[2].begun.t_s + 0.1, run.cycles[2].broke.t_s + 0.1
    parts = between_line(run, dark_s, lit_s, 1e-3, 78).split()
    assert parts[0] == "between"
    assert float(parts[1]) == pytest.approx(dark_s - lit_s, abs=1e-3)
    assert float(parts[2]) == pytest.approx(-12.5, abs=0.6)
    assert parts[4] == "-", "where a reading is out of range there is no difference"
    assert "a minute" in rate_text(0.0, 0.5, 0.001) and "120" in rate_text(0.0, 0.5, 0.001)
    assert rate_text(0.5, 0.5, 0.001) == "both cursors stand at the same place"


def test_the_figures_of_a_flash_are_those_of_its_cycle(capture: Path) -> None:
    run = the_run(capture)
    times, levels = flash_lines(run, 2)
    cycle = run.cycles[2]
    assert [part.split()[0] for part in times] == ["lit", "period", "rate", "lit"]
    assert float(times[0].split()[1]) == pytest.approx(cycle.on_s, rel=0.01)
    assert float(times[2].split()[1]) == pytest.approx(60.0 / cycle.period_s, rel=0.01)
    assert cycle.lit.drop is not None and cycle.lit.peak is not None
    assert float(levels[0].split()[2]) == pytest.approx(cycle.lit.drop.value, rel=0.05)
    assert float(levels[2].split()[1]) == pytest.approx(cycle.lit.peak.value, rel=0.05)
    dropless = replace(run, cycles=(replace(cycle, lit=replace(cycle.lit, drop=None)),))
    assert flash_lines(dropless, 0)[1][0] == "lowest drop not measured"
    assert flash_at(run.cycles, cycle.begun.t_s) == 2
    assert flash_at(run.cycles, -1.0) is None


# --- one test


def opened(tested: state.Tested, script: Callable[[OneTest, Pilot[None]], Awaitable[None]], size: tuple[int, int] = (120, 40)) -> None:
    """Run the script on the screen of this test, once its trace was read."""

    async def main() -> None:
        screen = OneTest(tested)
        app = StubApp(screen)
        async with app.run_test(size=size) as pilot:
            await pilot.pause()
            await app.workers.wait_for_complete()
            await pilot.pause()
            await script(screen, pilot)

    asyncio.run(main())


def test_one_test_opened_again(capture: Path) -> None:
    live = replace(captured()[0], unit="unit [b]7[/b]")

    async def script(screen: OneTest, pilot: Pilot[None]) -> None:
        shown = text_of(pilot.app)
        for words in ("PASS", "unit [b]7[/b]", "Run: ", "volts at the unit", "current, A", "lamps", "cursor 1", "whole flashes: Tab"):
            assert words in shown
        shown = await press(pilot, "tab")
        assert "flash 1 of" in shown and "period" in shown and "lowest drop" in shown
        assert screen.trace.view.holds(screen.trace.cursor_s)
        shown = await press(pilot, "tab", "tab", "shift+tab")
        assert "flash 2 of" in shown

    opened(state.Tested(live, setup(), SHORT, None, capture), script)


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

    opened(state.Tested(captured()[0], setup(), SHORT, None, capture), script)


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

    opened(state.Tested(captured()[0], setup(), SHORT, None, capture), script)


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

    opened(state.Tested(captured()[0], setup(), SHORT, None, capture), script)


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

    opened(state.Tested(live, setup(), twice, None, path), script)


def test_what_cannot_be_shown_is_said_in_one_line(tmp_path: Path) -> None:
    async def missing(screen: OneTest, pilot: Pilot[None]) -> None:
        shown = await press(pilot, "tab", "up", "right", "home", "shift+left", "pagedown", "end", "ctrl+left")
        assert "can't be read" in shown

    opened(state.Tested(captured()[0], setup(), SHORT, None, tmp_path / "[b]gone.capture"), missing, (200, 40))

    async def not_kept(screen: OneTest, pilot: Pilot[None]) -> None:
        assert "the disk is full" in text_of(pilot.app)

    opened(state.Tested(captured()[0], setup(), SHORT, None, None, "the disk is full"), not_kept)

    async def unknown(screen: OneTest, pilot: Pilot[None]) -> None:
        assert "no trace of this test was kept" in text_of(pilot.app)

    opened(state.Tested(captured()[0], setup(), SHORT), unknown, (80, 24))
    empty = tmp_path / "empty.capture"
    empty.write_bytes(MAGIC)

    async def holds_nothing(screen: OneTest, pilot: Pilot[None]) -> None:
        assert "the capture holds no run" in text_of(pilot.app)

    opened(state.Tested(captured()[0], setup(), SHORT, None, empty), holds_nothing)


def test_leaving_while_the_trace_is_read(capture: Path) -> None:
    async def main() -> None:
        app = StubApp(OneTest(state.Tested(captured()[0], setup(), SHORT, None, capture)))
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
        assert "PASS" in shown

    opened(state.Tested(captured()[0], setup(), SHORT, None, capture), script, size)


# --- the session


def listed(tests: list[state.Tested], size: tuple[int, int] = (120, 40), folder: Path | None = None, keys: tuple[str, ...] = ()) -> str:
    async def main() -> str:
        app = StubApp(LookBack())
        app.state.session = tests
        app.state.folder = folder
        async with app.run_test(size=size) as pilot:
            await pilot.pause()
            return await press(pilot, *keys) if keys else text_of(app)

    return asyncio.run(main())


def session_of(*records: TestRecord) -> list[state.Tested]:
    return [state.Tested(one, setup(), SHORT) for one in records]


def test_the_newest_comes_first_with_sign_word_grade_and_reason() -> None:
    older, newer = record(unit="OLD"), replace(captured()[0], unit="NEW")
    shown = listed(session_of(older, newer), folder=Path("/shop/records"))
    assert shown.index("NEW") < shown.index("OLD")
    assert "✓ PASS" in shown
    assert "This session   2 tests:" in shown
    assert "Earlier days: the records in /shop/records" in shown
    assert "no folder was named" in listed(session_of(older))
    assert "Nothing has been tested in this session yet." in listed([])


def test_every_case_has_its_line_and_nothing_is_markup() -> None:
    shown = listed(session_of(*cases().values()), size=(100, 30))
    for word in ("PASS", "FAIL", "CONDITIONAL FAIL", "NOT MEASURED", "BENCH FAULT", "NOT FINISHED"):
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
    graded = replace(record(), grade=Grade("A", "as new", "default"))
    tests = session_of(graded, graded, record(interrupted="cancelled by hand", values={}), record())
    text = totals(tests)
    assert text.startswith("4 tests:")
    assert "A 2" in text
    counted = [int(part.rsplit(" ", 1)[1]) for part in text.split(":", 1)[1].split("   ") if part.strip()]
    assert sum(counted) == 4
    assert totals([]) == ""


def test_the_time_of_day() -> None:
    assert clock_text("2026-11-25T14:05:09+01:00") == "14:05"
    assert clock_text("") == "     "
    assert clock_text("odd") == "odd  "


def test_enter_opens_the_chosen_one(capture: Path) -> None:
    async def main() -> None:
        app = StubApp(LookBack())
        app.state.session = [state.Tested(captured()[0], setup(), SHORT, None, capture), *session_of(record(unit="LAST"))]
        async with app.run_test() as pilot:
            await pilot.pause()
            await pilot.press("down", "enter")
            await app.workers.wait_for_complete()
            shown = await press(pilot)
            assert isinstance(app.screen, OneTest)
            assert "lamps" in shown
            shown = await press(pilot, "escape")
            assert "This session" in shown

    asyncio.run(main())


def test_a_test_that_comes_meanwhile_does_not_move_the_choice() -> None:
    async def main() -> None:
        app = StubApp(LookBack())
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
