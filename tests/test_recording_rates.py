"""Recordings whose channels were sampled at several rates, or go beyond the range."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from test_recording_files import PLAIN, fast, judged, kept, plain, series, thinned, value, why_not, written

from bench.errors import RecordingError
from bench.measure import QUANTITIES
from bench.recording import read_recording
from bench.uncertainty import Estimate

# --- channels at several rates


@pytest.mark.parametrize(
    "every",
    [
        {"i_load_A": (10, 0)},
        {"v_in_V": (5, 0)},
        {"v_out_V": (5, 3)},
        {"v_in_V": (3, 0), "v_out_V": (3, 1), "i_load_A": (3, 2)},
    ],
)
def test_a_main_channel_may_be_slower(tmp_path: Path, every: dict[str, tuple[int, int]]) -> None:
    record = judged(kept(thinned(plain(), **every), tmp_path))
    whole = judged(PLAIN)
    assert record.outcome is whole.outcome and record.bench_faults == ()
    assert (record.steps[0].cycles, record.steps[0].cycles_excluded) == (whole.steps[0].cycles, 0)
    for name in ("rate_per_min", "start_s", "on_ratio", "steady_a", "lamp_v"):
        found = record.measured.values[name]
        assert isinstance(found, Estimate)
        assert abs(found.value - value(whole, name)) < found.expanded(), name
    notes = list(record.notes)
    for column, (k, _) in every.items():
        assert f"{column.rsplit('_', 1)[0]}: one reading in {k} rows, a slower channel" in notes
    assert not any("gaps" in note for note in notes)


def test_rows_further_apart_than_a_seldom_read_input_are_no_slower_channels(tmp_path: Path) -> None:
    frame = plain().iloc[::13]
    record = judged(kept(frame, tmp_path))
    assert abs(value(record, "rate_per_min") - value(judged(PLAIN), "rate_per_min")) < 2.0
    assert value(record, "supply_v") == pytest.approx(value(judged(PLAIN), "supply_v"), rel=0.01)


def test_input_and_output_have_the_instants_of_the_slower_of_them(tmp_path: Path) -> None:
    path = kept(thinned(plain(), v_in_V=(5, 0)), tmp_path)
    frame = plain()
    for channel in ("v_in", "v_out"):
        t_s, values = series(path, channel)
        assert t_s == pytest.approx(frame["time_s"][::5])
        assert values == pytest.approx(frame[f"{channel}_V"][::5])
    # Current between two readings of the input may flow on either side of a make.
    assert series(path, "i_load")[1] == pytest.approx(frame["i_load_A"][::5])
    slow_current = kept(thinned(plain(), i_load_A=(5, 0)), tmp_path)
    assert (len(series(slow_current, "v_out")[0]), len(series(slow_current, "i_load")[0])) == (len(frame), len(frame) // 5)


def test_a_contact_that_was_seen_too_seldom_shows_no_bounce(tmp_path: Path) -> None:
    assert value(judged(kept(fast(), tmp_path)), "bounce_make_s") >= 0.0
    slow = judged(kept(thinned(fast(), v_out_V=(20, 0)), tmp_path))
    assert why_not(slow, "bounce_make_s") == why_not(slow, "bounce_break_s") == "250 rows a second are too few"


@pytest.mark.parametrize("every", [{"i_load_A": (100, 0)}, {"v_out_V": (90, 0)}, {"v_in_V": (90, 40)}, {"v_in_V": (40, 7)}])
def test_a_channel_many_times_slower_charges_neither_bench_nor_unit(tmp_path: Path, every: dict[str, tuple[int, int]]) -> None:
    whole, record = judged(kept(fast(), tmp_path)), judged(kept(thinned(fast(), **every), tmp_path))
    assert record.bench_faults == ()
    for name in ("rate_per_min", "start_s", "on_ratio", "steady_a", "dark_a"):
        found = record.measured.values[name]
        assert isinstance(found, Estimate)
        full = whole.measured.values[name]
        assert isinstance(full, Estimate)
        assert abs(found.value - full.value) < 3.0 * math.hypot(found.u, full.u), name


def test_a_slower_channel_that_stops_is_a_gap(tmp_path: Path) -> None:
    frame = thinned(plain(), i_load_A=(10, 0))
    frame.loc[(frame["time_s"] > 4.0) & (frame["time_s"] < 5.0), "i_load_A"] = np.nan
    blocks = list(read_recording(kept(frame, tmp_path)).blocks)
    ends = [(block.begin_s, block.end_s, block.gap_before) for block in blocks]
    assert [gap for _, _, gap in ends] == [False, True]
    assert ends[0][1] == pytest.approx(4.002, abs=0.003)
    assert ends[1][0] == pytest.approx(5.0, abs=0.003)


def test_cells_that_are_missing_without_a_rhythm_are_gaps(tmp_path: Path) -> None:
    frame = plain()
    frame.loc[np.random.default_rng(1).choice(len(frame), 40, replace=False), "v_out_V"] = np.nan
    recording = read_recording(kept(frame, tmp_path))
    assert "40 empty cells: gaps, over which nothing is joined" in recording.notes
    assert sum(block.gap_before for block in recording.blocks) > 30


def test_a_column_that_is_mostly_empty_without_a_rhythm_is_no_slower_channel(tmp_path: Path) -> None:
    frame = plain()
    frame.loc[np.random.default_rng(1).random(len(frame)) > 0.3, "i_load_A"] = np.nan
    recording = read_recording(kept(frame, tmp_path))
    assert any("empty cells: gaps, over which nothing is joined" in note for note in recording.notes)
    assert not any("slower channel" in note for note in recording.notes)


def test_an_input_that_was_read_too_seldom_costs_only_itself(tmp_path: Path) -> None:
    record = judged(kept(thinned(plain(), v_in_V=(100, 0)), tmp_path))
    assert value(record, "rate_per_min") == pytest.approx(value(judged(PLAIN), "rate_per_min"), rel=1e-4)
    assert "v_in: one reading in 100 rows, too seldom beside the output; what needs it is not measured" in record.notes
    assert why_not(record, "supply_v")
    assert why_not(record, "start_s") == "the moment at which voltage was applied was not seen"
    assert record.bench_faults == ()


# --- beyond the range


@pytest.mark.parametrize("mark", ["OL", "+OL", "O.L", "OVLD", "+OVER", "inf", "9.9E37", "1e25", "9.91E+37", "1.#INF", "Overflow"])
def test_a_reading_beyond_the_range_is_clipped_and_counted(tmp_path: Path, mark: str) -> None:
    path = written(tmp_path, f"time_s,v_in_V,i_load_A\n0,12,1\n1,12,7.5\n2,12,{mark}\n3,12,7.25\n4,12,2\n")
    assert series(path, "i_load")[1].tolist() == [1.0, 7.5, 7.5, 7.25, 2.0]
    assert "i_load: 1 readings beyond the range, taken as clipped at 1 or 7.5" in read_recording(path).notes
    assert read_recording(path).accuracies["i_load"].high == 7.5


@pytest.mark.parametrize("mark", ["-OL", "-9.9e37", "-inf", "UNDER"])
def test_below_the_range_is_the_other_end(tmp_path: Path, mark: str) -> None:
    path = written(tmp_path, f"time_s,v_in_V,i_load_A\n0,12,-1.9\n1,12,{mark}\n2,12,-1.5\n3,12,2\n4,12,1.75\n")
    assert series(path, "i_load")[1].tolist() == [-1.9, -1.9, -1.5, 2.0, 1.75]


def test_a_turned_probe_has_its_ends_turned(tmp_path: Path) -> None:
    path = written(tmp_path, "time_s,v_in_V,i_load_A\n0,12,-1\n1,12,-OL\n2,12,-7.5\n3,12,-7.25\n")
    assert series(path, "i_load")[1].tolist() == [1.0, 7.5, 7.5, 7.25]


def test_an_inrush_beyond_the_range_costs_the_inrush_alone(tmp_path: Path) -> None:
    frame = plain()
    frame.loc[frame["i_load_A"] > 4.5, "i_load_A"] = np.inf
    record = judged(kept(frame, tmp_path))
    assert record.bench_faults == ()
    assert record.steps[0].cycles_excluded == 0
    assert why_not(record, "inrush_first_a") == why_not(record, "inrush_later_a") == "i_load went beyond its range"
    assert value(record, "steady_a") == pytest.approx(value(judged(PLAIN), "steady_a"), rel=1e-6)


def test_a_clipped_inrush_is_no_weak_supply_and_no_warm_lamp(tmp_path: Path) -> None:
    frame = fast()
    frame.loc[frame["i_load_A"] > 15.0, "i_load_A"] = np.inf
    record = judged(kept(frame, tmp_path))
    assert record.bench_faults == ()
    assert why_not(record, "inrush_first_a") == why_not(record, "inrush_ratio") == "i_load went beyond its range"
    assert value(record, "start_s") == pytest.approx(value(judged(kept(fast(), tmp_path)), "start_s"), rel=1e-6)


@pytest.mark.parametrize(("most_a", "column"), [(3.0, "i_load_A"), (0.05, "i_load_A"), (10.0, "v_out_V"), (10.0, "v_in_V")])
def test_a_level_beyond_the_range_leaves_the_column_out(tmp_path: Path, most_a: float, column: str) -> None:
    frame = plain()
    frame.loc[frame[column] > most_a, column] = np.inf
    record = judged(kept(frame, tmp_path))
    channel = column.rsplit("_", 1)[0]
    assert f"{channel}: what it should show lies beyond its range; what needs it is not measured" in record.notes
    assert value(record, "rate_per_min") == pytest.approx(value(judged(PLAIN), "rate_per_min"), abs=0.1)
    assert why_not(record, {"i_load": "steady_a", "v_out": "lamp_v", "v_in": "supply_v"}[channel])
    assert record.bench_faults == ()


@pytest.mark.parametrize("column", ["v_in_V", "v_out_V"])
def test_a_single_reading_beyond_the_range_makes_no_supply_and_no_flash(tmp_path: Path, column: str) -> None:
    frame = plain()
    dark = frame.index[(frame["time_s"] > 0.1) & (frame["time_s"] < 0.2)][10]
    frame.loc[dark, column] = np.inf
    record = judged(kept(frame, tmp_path))
    assert value(record, "start_s") == pytest.approx(value(judged(PLAIN), "start_s"), rel=1e-6)
    assert f"{column[:-2]}: 1 readings beyond the range: gaps, over which nothing is joined" in record.notes


def test_a_drop_beyond_the_range_while_open_still_shows_the_closed_contact(tmp_path: Path) -> None:
    frame = plain()
    frame["v_drop_V"] = frame["v_in_V"] - frame["v_out_V"]
    frame.loc[frame["v_drop_V"] > 1.0, "v_drop_V"] = np.inf
    assert value(judged(kept(frame, tmp_path)), "drop_v") == pytest.approx(value(judged(PLAIN), "drop_v"), rel=1e-6)
    without_output = judged(kept(frame.drop(columns="v_out_V"), tmp_path))
    assert value(without_output, "on_ratio") == pytest.approx(value(judged(PLAIN), "on_ratio"), abs=0.005)


def test_nothing_is_told_of_the_output_that_was_not_recorded(tmp_path: Path) -> None:
    """The stand-in for it, made of the current, has an even drop and no film, which are not to be told of the unit."""
    whole, without = judged(PLAIN), judged(kept(plain().drop(columns="v_out_V"), tmp_path))
    told = {name for name, found in without.measured.values.items() if isinstance(found, Estimate)}
    assert not {name for name in told if QUANTITIES[name].of_output}
    assert {"rate_per_min", "on_ratio", "steady_a", "supply_v", "missed"} <= told
    assert (whole.measured.facts["film"], without.measured.facts["film"]) == ("none", "unknown")


def test_nothing_but_readings_beyond_the_range(tmp_path: Path) -> None:
    with pytest.raises(RecordingError, match=r"i_load: what it should show lies beyond its range.*larger range"):
        read_recording(written(tmp_path, "time_s,i_load_A\n0,1\n1,OL\n2,1\n3,OL\n4,0\n"))
