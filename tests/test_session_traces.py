"""What a kept capture shows of each run, and what cursors read there."""

from __future__ import annotations

import io
import json
from dataclasses import replace
from pathlib import Path

import pytest
from bench_port import setup
from kept_captures import SHORT, captured, the_run

from bench.errors import CaptureError
from bench.judging import judge_capture
from bench.judging.traces import run_traces
from bench.ports.replay import MAGIC, NOTE, CaptureWriter, read_capture
from bench.transitions import SupplyEdge, Transition
from bench.tui.cursor_readings import between_line, cursor_line, flash_at, flash_lines, rate_text, reading_text, since_on, titles_line

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


def test_so_many_samples_are_held_and_no_more(capture: Path) -> None:
    (run,) = run_traces(capture, setup(), SHORT, most_samples=40_000)
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
    # 12.8 V of common mode of which the amplifier shows an unknown share: the report says as much (13.6 mV, k = 1.96).
    assert float(levels[0].split()[4]) == pytest.approx(0.027, abs=0.003)
    dropless = replace(run, cycles=(replace(cycle, lit=replace(cycle.lit, drop=None)),))
    assert flash_lines(dropless, 0)[1][0] == "lowest drop not measured"
    assert flash_at(run.cycles, cycle.begun.t_s) == 2
    assert flash_at(run.cycles, -1.0) is None
