"""The trace as text: what the panes, the lamps and the time show of waveforms whose truth is known; live, and looked at in parts."""

from __future__ import annotations

import asyncio
import math
from collections.abc import Sequence

import numpy as np
import pytest
from stub_screen import StubApp, text_of
from waves import ACCURACY, CHANNELS, Wave, flashes

from bench.analysis import Pipeline
from bench.clock import ClockComparison
from bench.envelope import Bins, Envelope
from bench.judging.traces import RunTrace
from bench.measure import Conditions
from bench.samples import Trace
from bench.transitions import Change, Gap, Interruption, SupplyEdge, Transition
from bench.tui.canvas import Canvas
from bench.tui.panes import CURRENT_CHANNELS, GUTTER, LOST, panes_of, shares
from bench.tui.raster import BLOCKS, BRAILLE, Ink, text
from bench.tui.still_trace import StillTrace
from bench.tui.timeline import DROP_OUT, MARK, Window, draw_lamps, draw_time, stretches
from bench.tui.trace import KEPT_S, KeptBins, LiveTrace
from bench.tui.view import View, around, columns_of, inside, moved, whole, zoomed

UNITS = {name: "A" if name.startswith("i_") else "V" for name in CHANNELS}


def pieces(wave: Wave, scans: int = 385) -> list[tuple[Bins | None, Sequence[Change]]]:
    """The wave as a run would tell of it, some twenty times a second."""
    line = Pipeline(ACCURACY, dict.fromkeys(CHANNELS, 0.0), Conditions(filament=False), ClockComparison(0.005), 0.005)
    envelope = Envelope()
    return [(envelope.feed(block), line.feed(block)) for block in wave.blocks(scans)]


def run_of(wave: Wave) -> RunTrace:
    line = Pipeline(ACCURACY, dict.fromkeys(CHANNELS, 0.0), Conditions(filament=False), ClockComparison(0.005), 0.005)
    changes = [change for block in wave.blocks() for change in line.feed(block)]
    traces: dict[str, Trace] = {name: wave.trace(name, slot) for slot, name in enumerate(CHANNELS)}
    return RunTrace(
        "rated", "Rated load", "2 x 21 W", traces, tuple(changes), tuple(line.cycles), wave.applied_s, 0.0, wave.end_s,
        UNITS, ACCURACY, 0.005,
    )  # fmt: skip


def shown_live(wave: Wave, size: tuple[int, int] = (120, 40), until: int | None = None, ink: Ink = BLOCKS) -> list[str]:
    """The screen's lines after the pieces of the wave."""

    async def main() -> list[str]:
        trace = LiveTrace(ink)
        app = StubApp(lambda _: trace)
        async with app.run_test(size=size) as pilot:
            await pilot.pause()
            trace.begin(UNITS)
            for bins, changes in pieces(wave)[:until]:
                trace.add(bins, changes)
            await pilot.pause()
            return text_of(app).split("\n")

    return asyncio.run(main())


def rows_of(lines: Sequence[str], first: str) -> list[str]:
    return [line for line in lines if line.startswith(first)]


# --- live


def test_the_live_trace_says_what_it_shows() -> None:
    lines = shown_live(Wave(flashes(5), 3.5))
    shown = "\n".join(lines)
    for words in ("volts at the unit, V", "out, to the lamps", "in, from the supply", "current, A", "volts at the pilot terminal, V"):
        assert words in shown
    (lamps,), (seconds,) = rows_of(lines, "lamps"), rows_of(lines, "seconds")
    assert lamps.count(MARK) == 10
    assert lamps.count("0.35 s") == 5 and lamps.count("0.32 s") == 4
    assert "└0 supply on" in seconds
    assert "└2" in seconds


def test_a_dark_and_a_lit_lamp_do_not_look_the_same() -> None:
    (lamps,) = rows_of(shown_live(Wave([0.3, 1.3], 3.3)), "lamps")
    assert "lit 1.00 s" in lamps
    lit, dark = lamps.index("lit"), lamps.rindex("▁")
    assert lamps[lit - 4] == "█" and lit < dark


def test_peaks_beyond_the_scale_are_marked_and_told() -> None:
    lines = shown_live(Wave(flashes(5), 3.5, steady_a=3.6, inrush=9.0, noise=0.0))
    (title,) = rows_of(lines, "current, A")
    assert "▲ peaks are cut off: they reach 36 A" in title or "they reach 35 A" in title
    assert "▲" in lines[lines.index(title) + 1]


def test_a_gap_is_a_column_of_its_own_sign_from_top_to_bottom() -> None:
    lines = shown_live(Wave(flashes(5), 3.5, lost_s=((2.0, 2.1),)))
    columns = {line.index(LOST) for line in lines if LOST in line}
    assert len(columns) == 1
    assert sum(LOST in line for line in lines) > 30


def test_a_gap_shorter_than_a_column_is_seen_too() -> None:
    assert any(LOST in line for line in shown_live(Wave(flashes(5), 3.5, lost_s=((2.0, 2.004),))))


def test_a_column_keeps_its_look_while_it_moves() -> None:
    """However the stream is cut, and whatever comes later: the picture only moves, by whole cells."""
    wave = Wave(flashes(8), 5.6, noise=1.0)

    async def main() -> None:
        trace = LiveTrace()
        app = StubApp(lambda _: trace)
        async with app.run_test(size=(100, 30)) as pilot:
            await pilot.pause()
            trace.begin(UNITS)
            told = pieces(wave, scans=97)
            for bins, changes in told[:-60]:
                trace.add(bins, changes)
            before = plot(trace)
            for bins, changes in told[-60:]:
                trace.add(bins, changes)
            after = plot(trace)
            moves = [n for n in range(1, 60) if (before[:, n:-1] == after[:, : -n - 1]).all()]
            assert len(moves) == 1

    def plot(trace: LiveTrace) -> np.ndarray[tuple[int, ...], np.dtype[np.uint32]]:
        canvas = trace.draw(30, 100, BLOCKS)
        return canvas.codes[2:8, GUTTER:]

    asyncio.run(main())


def test_only_rows_that_changed_are_made_again() -> None:
    async def main() -> None:
        trace = LiveTrace()
        app = StubApp(lambda _: trace)
        async with app.run_test(size=(100, 30)) as pilot:
            await pilot.pause()
            trace.begin(UNITS)
            for bins, changes in pieces(Wave([], 5.0)):
                trace.add(bins, changes)
            strips = list(trace._strips)
            trace.redraw()
            assert all(a is b for a, b in zip(strips, trace._strips, strict=True))

    asyncio.run(main())


def test_a_new_run_forgets_the_last_one() -> None:
    async def main() -> None:
        trace = LiveTrace()
        app = StubApp(lambda _: trace)
        async with app.run_test() as pilot:
            await pilot.pause()
            trace.begin(UNITS)
            for bins, changes in pieces(Wave([0.3, 9.0], 2.0)):
                trace.add(bins, changes)
            trace.begin(UNITS)
            await pilot.pause()
            assert "no samples have come" in text_of(app)
            for bins, changes in pieces(Wave(flashes(1), 1.5)):
                trace.add(bins, changes)
            await pilot.pause()
            assert "no samples have come" not in text_of(app)

    asyncio.run(main())


@pytest.mark.parametrize("size", [(80, 24), (80, 8), (40, 5), (20, 3), (12, 2), (9, 1), (200, 60)])
@pytest.mark.parametrize("ink", [BRAILLE, BLOCKS], ids=lambda ink: ink.name)
def test_any_size_is_drawn(size: tuple[int, int], ink: Ink) -> None:
    lines = shown_live(Wave(flashes(3), 2.5), size=size, ink=ink)
    assert all(len(line) <= size[0] for line in lines)
    shown = "\n".join(lines)
    assert any(0x2800 < ord(c) < 0x2900 for c in shown) == (ink is BRAILLE and size[0] > 12 and size[1] > 2)


def test_small_panes_still_name_what_they_show() -> None:
    lines = shown_live(Wave(flashes(3), 2.5), size=(80, 12))
    starts = [line[: GUTTER - 1].strip() for line in lines]
    assert "lamps" in starts and "pilot" not in "\n".join(lines)
    assert any(line.startswith("volts at the unit, V") for line in lines) and any(line.startswith("current, A") for line in lines)
    starts = [line[: GUTTER - 1].strip() for line in shown_live(Wave(flashes(3), 2.5), size=(80, 8))]
    assert "volts" in starts and "current" in starts
    assert any("▄▄ out, to the lamps   ▖▖ in, from the supply" in line for line in lines)


def test_a_minute_is_kept_and_no_more() -> None:
    kept = KeptBins()
    per_minute = round(KEPT_S / 0.004)
    for first in range(0, 3 * per_minute, 50):
        values = np.arange(first, first + 50, dtype=np.float64)
        kept.add(Bins(first, 0.004, {"v_out": values}, {"v_out": values + 1.0}))
    assert (kept.first, kept.end) == (2 * per_minute, 3 * per_minute)
    low, high = kept.between("v_out", 3 * per_minute - 3, 3 * per_minute + 2)
    assert low[:3].tolist() == [3.0 * per_minute - 3, 3.0 * per_minute - 2, 3.0 * per_minute - 1]
    assert high[0] == low[0] + 1.0
    assert np.isnan(low[3:]).all()
    assert np.isnan(kept.between("v_out", kept.first - 5, kept.first)[0]).all()
    assert np.isnan(kept.between("nothing", kept.first, kept.end)[0]).all()


def test_kept_bins_survive_a_jump_of_any_length() -> None:
    for jump in (1, 7_000, 20_000, 40_000, 10_000_000):
        kept = KeptBins()
        one = np.array([1.0, 2.0])
        kept.add(Bins(0, 0.004, {"v_out": one}, {"v_out": one}))
        kept.add(Bins(2 + jump, 0.004, {"v_out": one}, {"v_out": one}))
        low, _ = kept.between("v_out", 2 + jump - 1, 2 + jump + 2)
        assert math.isnan(low[0]) and low[1:].tolist() == [1.0, 2.0]


# --- panes, lamps, time


def test_panes_share_the_height() -> None:
    for height in range(60):
        shared = shares(panes_of(UNITS), height)
        assert sum(rows for _, rows in shared) == (height if height else 0)
        assert all(rows >= 1 for _, rows in shared)
        if height >= 2:
            assert [pane.short for pane, _ in shared][:2] == ["volts", "current"]
    assert [pane.short for pane in panes_of({"v_in": "V", "v_out": "V"})] == ["volts"]
    assert [pane.curves[0].channel for pane in panes_of({"v_out": "V", "i_load_low": "A"})] == ["v_out", CURRENT_CHANNELS[1]]
    assert panes_of({}) == ()


def lamps_row(changes: Sequence[Change], cells: int = 40, cell_s: float = 0.1, until_s: float = 4.0) -> str:
    canvas = Canvas(1, GUTTER + cells)
    window = Window(0.0, cell_s, cells, until_s, 0.0)
    draw_lamps(canvas, 0, window, stretches(changes, until_s), changes)
    return text(canvas.codes[0])[GUTTER:]


def test_lamps_between_transitions() -> None:
    row = lamps_row([Transition(0.5, True, 1e-6), Transition(1.0, False, 1e-6), Transition(3.0, True, 1e-6)])
    assert row[:5] == "     ", "nothing is known before the first change"
    assert row[5] == row[10] == row[30] == MARK
    assert row[6:10] == "████", "no room to say how long"
    assert " dark 2.00 s " in row
    assert row[31:] == "█" * 9


def test_the_lamps_of_a_gap_are_not_known() -> None:
    row = lamps_row([Transition(0.5, True, 1e-6), Gap(1.0, 1.45, True), SupplyEdge(2.0, False, 1e-6)])
    assert row[6:10] == "████"
    assert row[10:15] == LOST * 5
    assert row[15:20] == "█████"
    assert set(row[21:]) == {"▁"}


def test_a_drop_out_has_a_sign_of_its_own() -> None:
    row = lamps_row([Transition(0.5, True, 1e-6), Interruption(1.0, True, 0.001)])
    assert (row[5], row[10]) == (MARK, DROP_OUT)


def test_seen_from_far_single_marks_are_left_out() -> None:
    changes = [Transition(0.1 * k, k % 2 == 0, 1e-6) for k in range(40)]
    assert MARK not in lamps_row(changes)


def time_row(window: Window, changes: Sequence[Change]) -> str:
    canvas = Canvas(1, GUTTER + window.cells)
    draw_time(canvas, 0, window, changes)
    return text(canvas.codes[0])[GUTTER:]


def test_time_is_told_from_the_supply_on_and_no_number_is_cut() -> None:
    edges = [SupplyEdge(1.0, True, 1e-6), SupplyEdge(9.5, False, 1e-6)]
    row = time_row(Window(0.0, 0.1, 100, 10.0, 1.0), edges)
    assert row[10:22] == "└0 supply on"
    assert row[30] == "└" and row[31] == "2"
    assert row.endswith("supply off┘    ")
    assert "8" not in row, "there is no room for it beside the words"
    assert time_row(Window(0.0, 0.1, 100, 10.0, None), []).strip() == ""


# --- parts of a run


def test_views_stay_inside_the_run() -> None:
    run = run_of(Wave(flashes(5), 4.0))
    everything = whole(run)
    assert everything.begin_s == 0.0
    assert everything.end_s == pytest.approx(4.0)
    assert moved(everything, 99.0, run) == everything
    near = everything
    for _ in range(40):
        near = zoomed(near, 0.5, 1.0, run)
    assert near.holds(1.0)
    assert near.span_s == pytest.approx(24 * 130e-6)
    assert zoomed(zoomed(View(1.0, 1.0), 0.5, 1.5, run), 2.0, 1.5, run) == View(1.0, 1.0)
    assert inside(View(-5.0, 100.0), run) == everything
    flash = around(run.cycles[1], run)
    assert flash.begin_s < run.cycles[1].begun.t_s < run.cycles[1].ended.t_s < flash.end_s


def test_columns_hold_the_extremes_of_their_samples() -> None:
    run = run_of(Wave(flashes(5), 4.0, noise=1.0))
    columns = columns_of(run, View(0.5, 2.0), 50)
    trace = run.traces["v_out"]
    for k in range(10, 90, 7):
        begin_s = (columns.first + k) * columns.dot_s
        inside_it = trace.values[(trace.t_s >= begin_s) & (trace.t_s < begin_s + columns.dot_s)]
        assert columns.low["v_out"][k] == inside_it.min()
        assert columns.high["v_out"][k] == inside_it.max()


def test_close_by_samples_are_joined_but_not_over_a_gap() -> None:
    t = np.concatenate((np.arange(0.0, 0.010, 1e-3), np.arange(0.020, 0.030, 1e-3)))
    wave = Wave(flashes(1), 0.1)
    base = run_of(wave)
    run = RunTrace(
        "", "", "", {"v_out": Trace(t, t * 1e3)}, (Gap(0.009, 0.020, False),), (), None, 0.0, 0.03, {"v_out": "V"}, base.accuracies, 0.0
    )
    columns = columns_of(run, View(0.0, 0.03), 60)
    centres = (columns.first + np.arange(len(columns.low["v_out"])) + 0.5) * columns.dot_s
    known = ~np.isnan(columns.low["v_out"])
    assert known[(centres > 0.001) & (centres < 0.0085)].all()
    assert not known[(centres > 0.0095) & (centres < 0.0195)].any()
    assert np.allclose(columns.low["v_out"][known], 1e3 * centres[known], atol=1.0)
    assert columns.lost.any() and not columns.lost.all()


def test_the_still_trace_shows_both_cursors() -> None:
    async def main() -> None:
        trace = StillTrace()
        app = StubApp(lambda _: trace)
        async with app.run_test(size=(100, 30)) as pilot:
            await pilot.pause()
            trace.say("reading the trace ...")
            await pilot.pause()
            assert "reading the trace ..." in text_of(app)
            trace.show(run_of(Wave(flashes(5), 4.0)))
            trace.view, trace.cursor_s, trace.second_s = View(0.5, 2.0), 1.0, 2.0
            trace.redraw()
            await pilot.pause()
            lines = text_of(app).split("\n")
            first = next(line for line in lines if line.startswith("cursor"))
            one, two = first.index("1"), first.index("2")
            assert one == GUTTER + int(0.5 / trace.cell_s + 0.5) or abs(one - GUTTER - 0.5 / trace.cell_s) <= 1
            assert sum(len(line) > one and line[one] == "│" for line in lines) > 15
            assert sum(len(line) > two and line[two] == "┊" for line in lines) > 15
            trace.cursor_s, trace.second_s = 0.1, 3.5
            trace.redraw()
            await pilot.pause()
            first = next(line for line in text_of(app).split("\n") if line.startswith("cursor"))
            assert "◂1" in first and first.endswith("2▸")

    asyncio.run(main())


def test_an_empty_run_says_so() -> None:
    async def main() -> None:
        trace = StillTrace()
        app = StubApp(lambda _: trace)
        async with app.run_test() as pilot:
            await pilot.pause()
            base = run_of(Wave(flashes(1), 0.1))
            trace.show(RunTrace("", "", "", {}, (), (), None, 0.0, 0.0, UNITS, base.accuracies, 0.0))
            trace.redraw()
            await pilot.pause()
            assert "ended before the first sample" in text_of(app)

    asyncio.run(main())
