"""Recordings as starts of one unit, a window of a recording, and recordings that begin while the unit flashes; by command and in Python."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import bench
from bench.cli import run
from bench.cli.exit_codes import GOOD, NOT_DECIDED, USAGE
from bench.errors import CaptureError, RecordingError
from bench.files import named_limits
from bench.judging import judge_recording
from bench.measure import APPLIED_UNSEEN
from bench.record import TestRecord
from bench.setup import Setup
from bench.simboard.units import nominal
from bench.simboard.world import World
from bench.uncertainty import Estimate, NotMeasured

RECORDINGS = Path(__file__).parent.parent / "fixtures" / "recordings"
PLAIN = RECORDINGS / "thermal-plain.csv"


def plain() -> pd.DataFrame:
    return pd.read_csv(PLAIN, comment="#")


def kept(frame: pd.DataFrame, tmp_path: Path, name: str = "r.csv") -> Path:
    frame.to_csv(tmp_path / name, index=False)
    return tmp_path / name


def judged(paths: Path | list[Path], **options: object) -> TestRecord:
    return judge_recording(paths, Setup("r", limits=(named_limits("un-r48"),)), when="", software="", **options)  # type: ignore[arg-type]


def estimate(record: TestRecord, name: str) -> Estimate:
    found = record.measured.values[name]
    assert isinstance(found, Estimate), found
    return found


def why_not(record: TestRecord, name: str) -> str:
    found = record.measured.values[name]
    assert isinstance(found, NotMeasured), found
    return found.reason


def starts(tmp_path: Path) -> list[Path]:
    """Three starts of one invented unit: its first opening comes 0, 20 and 70 ms later than in the fixture."""
    paths = []
    for number, rows in enumerate((0, 10, 35), 1):
        frame = plain()
        opening = int(frame.index[frame["time_s"] > 0.9][0])
        order = np.concatenate((np.arange(opening), np.full(rows, opening), np.arange(opening, len(frame) - rows)))
        late = frame.iloc[order].reset_index(drop=True)
        late["time_s"] = frame["time_s"]
        paths.append(kept(late, tmp_path, f"start{number}.csv"))
    return paths


# --- several starts


def test_starting_times_are_the_mean_of_the_files_and_all_else_is_the_last_one_s(tmp_path: Path) -> None:
    paths = starts(tmp_path)
    record, alone = judged(paths), [judged(path) for path in paths]
    mean = estimate(record, "start_s")
    assert mean.value == pytest.approx(estimate(alone[0], "start_s").value + 0.030, abs=1e-4)
    assert mean.n == 3
    scatter_s = float(np.std([0.0, 0.02, 0.07], ddof=1)) / 3**0.5
    assert {c.source: c.u for c in mean.budget}["scatter of 3 starts"] == pytest.approx(scatter_s, rel=0.01)
    assert estimate(record, "start_largest_s").value == pytest.approx(estimate(alone[2], "start_s").value)
    for name in ("rate_per_min", "on_ratio", "steady_a", "drop_v", "supply_v"):
        assert estimate(record, name) == estimate(alone[2], name), name
    assert [step.name for step in record.steps] == ["recording-1", "recording-2", "recording-3"]
    assert record.steps[1].title == "Recording made elsewhere (start 2 of 3)"
    assert record.recording is not None and record.recording.file == "start1.csv, start2.csv, start3.csv"
    notes = list(record.notes)
    assert "start2.csv: 4000 rows, 500 a second" in notes and "4000 rows, 500 a second" not in notes


def test_a_limit_on_the_mean_of_three_starts_finds_them(tmp_path: Path) -> None:
    setup = Setup("r", limits=(named_limits("sae-j945"),))
    kept_by = {}
    for number, paths in ((1, starts(tmp_path)[:1]), (3, starts(tmp_path))):
        record = judge_recording(paths, setup, when="", software="")
        kept_by[number] = [c for c in record.conditions if "starts" in c.condition.text]
    assert [c.kept.value for c in kept_by[1]] != [c.kept.value for c in kept_by[3]]


def test_one_file_is_judged_as_ever(tmp_path: Path) -> None:
    assert judged([PLAIN]) == judged(PLAIN)
    assert [step.name for step in judged([PLAIN]).steps] == ["recording"]


def test_a_recording_counts_once(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The same start twice would seem to scatter by nothing."""
    again = tmp_path / "again.csv"
    again.symlink_to(PLAIN)
    assert run(["judge", str(PLAIN), str(again)]) == USAGE
    assert "recording again.csv: given twice" in capsys.readouterr().err
    with pytest.raises(RecordingError, match="none was given"):
        bench.judge([])


def test_the_file_that_can_t_be_read_is_the_one_that_is_named(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    bad = tmp_path / "second.csv"
    bad.write_text("time_s,v_in_V\n0,a\n", encoding="utf-8")
    assert run(["judge", str(PLAIN), str(bad)]) == USAGE
    assert capsys.readouterr().err == "makebreak judge: recording second.csv: line 2, column v_in_V: 'a' is not a number\n"


# --- a window


def test_a_window_reads_these_seconds_only() -> None:
    whole, part = judged(PLAIN), judged(PLAIN, window_s=(0.2, 5.0))
    assert part.steps[0].lasted_s == pytest.approx(4.8, abs=0.005)
    assert estimate(part, "start_s").value == pytest.approx(estimate(whole, "start_s").value, rel=1e-6)
    assert 0 < part.steps[0].cycles < whole.steps[0].cycles
    assert "2401 rows, 500 a second" in part.notes


@pytest.mark.parametrize(("window", "rows"), [("0.2:5", 2401), (":5", 2501), ("5:", 1500), ("-3:1e9", 4000), ("0:8", 4000)])
def test_the_window_of_the_command_may_be_open_at_an_end(window: str, rows: int, capsys: pytest.CaptureFixture[str]) -> None:
    run(["judge", str(PLAIN), "--window", window, "--json", "-"])
    notes = json.loads(capsys.readouterr().out)["notes"]
    assert f"{rows} rows, 500 a second" in notes
    begin, end = (float(text) if text else None for text in window.split(":"))
    assert f"{rows} rows, 500 a second" in bench.judge(PLAIN, window_s=(begin, end)).record.notes


@pytest.mark.parametrize(
    ("window", "said"),
    [
        ("5", "'5' is no window; write its ends in seconds, like 2.5:20, 2.5: or :20"),
        (":", "is no window"),
        ("a:b", "is no window"),
        ("5:4", "a window from 5 to 4 s; its end must be later"),
        ("nan:4", "'nan:4' is no window"),
        ("9:10", "no row from 9 to 10 s; choose another window"),
    ],
)
def test_a_window_with_nothing_in_it_is_refused(window: str, said: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["judge", str(PLAIN), "--window", window]) == USAGE
    assert said in capsys.readouterr().err


def test_of_stamps_a_window_counts_from_the_first_row(tmp_path: Path) -> None:
    frame = plain()
    frame["time_s"] = pd.to_datetime("2031-05-06T10:00:00") + pd.to_timedelta(frame["time_s"], unit="s")
    record = judged(kept(frame.rename(columns={"time_s": "time"}), tmp_path), window_s=(0.2, 5.0))
    assert "2401 rows, 500 a second" in record.notes


# --- already running


def running(*columns: str) -> pd.DataFrame:
    """A recording at 5000 rows a second of an invented thermal unit that begins 0.1 s into its third flash."""
    world = World(nominal("NC"), seed=5)
    world.switch(master=True, loads=frozenset({1, 2, 7}))
    stretch = world.advance(9.0)
    lit = np.interp(np.arange(0.0, 9.0, 1e-3), stretch.t_s, stretch.v_out) > 6.0
    makes = np.flatnonzero(np.diff(lit.astype(int)) > 0)
    t = np.arange(makes[1] * 1e-3 + 0.1, 9.0, 2e-4)
    noise = np.random.default_rng(3).normal(0.0, 0.004, (3, len(t)))
    found = {f"{name}_{unit}": np.interp(t, stretch.t_s, getattr(stretch, name)) + noise[n]
             for n, (name, unit) in enumerate((("i_load", "A"), ("v_in", "V"), ("v_out", "V")))}  # fmt: skip
    return pd.DataFrame({"time_s": t, **{name: found[name] for name in columns}})


@pytest.mark.parametrize(
    "columns", [("i_load_A", "v_in_V", "v_out_V"), ("i_load_A",), ("v_out_V",), ("v_in_V", "v_out_V"), ("i_load_A", "v_out_V")]
)
def test_a_recording_that_begins_while_the_unit_flashes_has_no_start(tmp_path: Path, columns: tuple[str, ...]) -> None:
    """Recognised by itself, whatever is in the file: so there is no option to say it."""
    record = judged(kept(running(*columns), tmp_path))
    assert record.bench_faults == ()
    assert 80.0 < estimate(record, "rate_per_min").value < 95.0
    for name in ("start_s", "first_light_s", "first_extinction_s", "inrush_first_a"):
        assert why_not(record, name) == APPLIED_UNSEEN, name
    assert record.measured.facts["rest"] == "unknown"
    assert estimate(record, "missed").value == estimate(record, "stuck").value == 0.0
    assert record.conclusion.outcome is bench.Outcome.NOT_DECIDED
    if "i_load_A" in columns:
        # Of warm lamps; it is no first inrush.
        assert 5.0 < estimate(record, "inrush_later_a").value < 30.0


@pytest.mark.parametrize("begins_s", [0.05, 0.25, 0.35, 0.5])
@pytest.mark.parametrize("columns", [("i_load_A", "v_in_V", "v_out_V"), ("i_load_A",), ("v_out_V",)])
def test_it_may_begin_at_any_instant_of_a_flash(tmp_path: Path, begins_s: float, columns: tuple[str, ...]) -> None:
    frame = running(*columns)
    record = judged(kept(frame[frame["time_s"] > frame["time_s"].iloc[0] + begins_s], tmp_path))
    assert record.bench_faults == ()
    assert why_not(record, "start_s") == APPLIED_UNSEEN
    assert record.outcome is bench.Outcome.NOT_DECIDED


def test_a_window_that_leaves_the_start_out_leaves_it_open(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["judge", str(PLAIN), "--window", "1:"]) == NOT_DECIDED
    assert APPLIED_UNSEEN in " ".join(capsys.readouterr().out.split())


# --- command and Python alike


@pytest.fixture(scope="module")
def capture(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("capture") / "unit.capture"
    run(["test", "sim://bench-el-plain?seed=3", "--procedure", "quick", "--capture", str(path)])
    return path


def test_python_judges_a_capture_too(capture: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["judge", str(capture), "--procedure", "quick", "--json", "-"]) == GOOD
    of_command = json.loads(capsys.readouterr().out)
    result = bench.judge(capture, procedure="quick")
    of_python = json.loads(result.to_json())
    assert result.outcome is bench.Outcome.GOOD
    assert of_python["measured"] == of_command["measured"]
    assert of_python["setup"] == of_command["setup"] and of_python["notes"] == of_command["notes"]


def test_a_capture_is_judged_alone(capture: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["judge", str(PLAIN), str(capture)]) == USAGE
    assert "capture unit.capture: it holds a whole test; judge it alone, not with 1 more" in capsys.readouterr().err
    named = (["--rename", "CH1=v_in_V"], ["--instrument", "oscilloscope"], ["--fitted", "2x21"])
    for of_recordings in (["--window", "1:"], ["--rate", "100"], *named):
        assert run(["judge", str(capture), *of_recordings]) == USAGE
        assert "capture unit.capture: it knows its board" in capsys.readouterr().err
    with pytest.raises(CaptureError, match="judge it alone"):
        bench.judge([capture, capture])


def test_python_judges_several_frames_and_files(tmp_path: Path) -> None:
    paths = starts(tmp_path)
    mixed = bench.judge([paths[0], pd.read_csv(paths[1]), str(paths[2])], limits=["un-r48"])
    assert mixed.estimate("start_s") == estimate(judged(paths), "start_s")
    assert mixed.record.recording is not None and mixed.record.recording.file == "start1.csv, frame-2.csv, start3.csv"


def test_python_holds_the_supply_to_a_band_and_knows_rates_and_names(tmp_path: Path) -> None:
    assert [fault.code for fault in bench.judge(PLAIN, supply_v=13.8).record.bench_faults] == ["supply-out-of-range"]
    assert bench.judge(PLAIN, supply_v=12.8).record.bench_faults == ()
    frame = plain().drop(columns="time_s").rename(columns={"v_in_V": "CH1"})
    result = bench.judge(frame, names={"CH1": "v_in_V"}, rate_hz=500.0)
    assert result.estimate("start_s").value == pytest.approx(bench.judge(PLAIN).estimate("start_s").value)
    with pytest.raises(RecordingError, match="no column 'CH7' to rename; its columns are i_load_A, CH1, v_out_V"):
        bench.judge(frame, names={"CH7": "v_in_V"}, rate_hz=500.0)
    with pytest.raises(RecordingError, match="renaming 'CH1' to 'CH2', which is no channel"):
        bench.judge(frame, names={"CH1": "CH2"}, rate_hz=500.0)


def test_a_frame_with_stamps_is_a_recording(tmp_path: Path) -> None:
    frame = plain().rename(columns={"time_s": "time"})
    frame["time"] = pd.Timestamp("2031-05-06T23:59:58", tz="Europe/Paris") + pd.to_timedelta(frame["time"], unit="s")
    result = bench.judge(frame)
    assert result.estimate("rate_per_min").value == pytest.approx(bench.judge(PLAIN).estimate("rate_per_min").value, rel=1e-9)
