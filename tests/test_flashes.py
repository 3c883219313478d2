"""The flashes of a run one by one: of a waveform known by hand, in agreement with the means, the same from a capture, as frame and CSV."""

from __future__ import annotations

import csv
import io
import json
import math
from pathlib import Path
from statistics import fmean

import numpy as np
import pandas as pd
import pytest
from bench_port import bench_port, run_on, setup
from kept_captures import SHORT
from sample_records import record

from bench import analysis, api
from bench.cli import run
from bench.cli.exit_codes import GOOD, USAGE
from bench.files import procedure
from bench.judging import judge_capture, judge_recording
from bench.measure.flash_table import COLUMNS, FlashTable
from bench.record import StepRecord, TestRecord
from bench.record_json import from_json, to_json
from bench.record_sum import sum_of
from bench.result import Result
from bench.uncertainty import Estimate

OPEN_FROM_S, ON_S, OFF_S = 0.30, 0.40, 0.25
AMPS, SUPPLY_V, DROPS_V = 3.4, 12.8, (0.20, 0.25, 0.30)


def recording(folder: Path, step_s: float = 0.25e-3, **left_out: bool) -> Path:
    """Three flashes and a half known by hand: voltage comes at 0.5 s, the contact makes 0.3 s later; the drop grows from flash to flash."""
    t = np.arange(0.0, 3.4, step_s)
    since = t - 0.5 - OPEN_FROM_S
    number = np.floor(since / (ON_S + OFF_S)).astype(int)
    lit = (since >= 0.0) & (np.mod(since, ON_S + OFF_S) < ON_S)
    supply = np.where(t >= 0.5, SUPPLY_V, 0.0)
    drop = np.asarray([*DROPS_V, DROPS_V[-1], DROPS_V[-1]])[np.clip(number, 0, 4)]
    noise = 0.002 * np.random.default_rng(7).standard_normal(len(t))
    columns = {"time_s": t, "v_in_V": supply, "v_out_V": np.where(lit, supply - drop, 0.0), "i_load_A": np.where(lit, AMPS, 0.0) + noise}
    path = folder / "by-hand.csv"
    pd.DataFrame({name: values for name, values in columns.items() if name not in left_out}).to_csv(path, index=False)
    return path


def flashes_of(path: Path) -> FlashTable:
    (step,) = judge_recording(path, setup(filament=False), when="", software="").steps
    return step.flashes


def test_a_waveform_known_by_hand(tmp_path: Path) -> None:
    found = flashes_of(recording(tmp_path))
    assert (len(found), found.first, found.from_supply) == (3, 1, True)
    assert found.make_s == pytest.approx([OPEN_FROM_S + n * (ON_S + OFF_S) for n in range(3)], abs=0.3e-3)
    assert found.on_s == pytest.approx([ON_S] * 3, abs=0.3e-3)
    assert found.off_s == pytest.approx([OFF_S] * 3, abs=0.3e-3)
    assert found.period_s == pytest.approx([ON_S + OFF_S] * 3, abs=0.3e-3)
    assert found.drop_v == pytest.approx(DROPS_V, abs=1e-4)
    assert found.supply_v == pytest.approx([SUPPLY_V] * 3, abs=1e-4)
    assert found.lamp_v == pytest.approx([SUPPLY_V - drop for drop in DROPS_V], abs=1e-4)
    assert found.steady_a == pytest.approx([AMPS] * 3, abs=1e-3)
    assert found.bounce_make_s == found.bounce_break_s == (0.0, 0.0, 0.0)


def test_what_a_recording_does_not_show_is_none(tmp_path: Path) -> None:
    slow = flashes_of(recording(tmp_path, step_s=2e-3))
    assert slow.bounce_make_s == slow.bounce_break_s == (None, None, None)
    assert None not in slow.drop_v
    without = flashes_of(recording(tmp_path, v_out_V=True))
    assert without.lamp_v == without.drop_v == (None, None, None)
    assert without.steady_a == pytest.approx([AMPS] * 3, abs=1e-3)


def test_several_starts_have_flashes_each(tmp_path: Path) -> None:
    first, second = recording(tmp_path), tmp_path / "second.csv"
    pd.read_csv(first).iloc[:7000].to_csv(second, index=False)  # until 1.75 s: one flash, and the next begun
    found = api.judge([first, second]).flashes
    assert list(found.run) == ["recording-1"] * 3 + ["recording-2"]
    assert list(found.flash) == [1, 2, 3, 1]


def test_a_current_beyond_its_range_has_no_inrush(tmp_path: Path) -> None:
    path = recording(tmp_path)
    frame = pd.read_csv(path)
    since = np.mod(frame["time_s"] - 0.5 - OPEN_FROM_S, ON_S + OFF_S)
    frame["i_load_A"] *= 1.0 + 8.0 * np.exp(-since / 0.03)
    frame.to_csv(path, index=False)
    assert flashes_of(path).inrush_a == pytest.approx([9.0 * AMPS] * 3, rel=0.02)
    frame["i_load_A"] = frame["i_load_A"].astype(object).mask(frame["i_load_A"] > 29.7, "OL")
    frame.to_csv(path, index=False)
    assert flashes_of(path).inrush_a == (None, None, None)


def test_one_that_comes_late_counts_from_its_first_sample(tmp_path: Path) -> None:
    path = recording(tmp_path)
    pd.read_csv(path).iloc[4000:].to_csv(path, index=False)  # from 1.0 s: in the middle of the first flash
    found = flashes_of(path)
    assert not found.from_supply
    assert found.make_s[0] == pytest.approx(0.5 + OPEN_FROM_S + ON_S + OFF_S - 1.0, abs=0.5e-3)


@pytest.fixture(scope="module")
def tested() -> tuple[TestRecord, bytes]:
    """An electronic unit through `decide`: a run from cold, then two that carry it on live; zeros read with the link."""
    buffer = io.BytesIO()
    live = run_on(bench_port("EL"), "decide", setup=setup(zero=True), capture=buffer)
    return live, buffer.getvalue()


def value(step: StepRecord, name: str) -> float:
    found = step.measured.values[name]
    assert isinstance(found, Estimate)
    return found.value


def mean(column: tuple[float | None, ...], begin: int, end: int | None) -> float:
    return fmean(v for v in column[begin:end] if v is not None)


@pytest.mark.parametrize(("name", "skip"), [("rated", 5), ("one-out", 2)])
def test_their_means_are_the_values_of_the_run(name: str, skip: int, tested: tuple[TestRecord, bytes]) -> None:
    """With clock, zero and common shares taken off."""
    step = next(s for s in tested[0].steps if s.name == name)
    flashes = step.flashes
    assert len(flashes) == step.cycles
    kept = step.measured.values["rate_total_per_min"]
    assert isinstance(kept, Estimate)
    end = skip + kept.n
    assert 60.0 / mean(flashes.period_s, skip, end) == pytest.approx(kept.value, rel=2e-6)
    assert mean(flashes.on_s, skip, end) == pytest.approx(value(step, "on_s"), abs=1e-6)
    assert mean(flashes.off_s, skip, end) == pytest.approx(value(step, "off_s"), abs=1e-6)
    assert mean(flashes.supply_v, skip, end) == pytest.approx(value(step, "supply_v"), abs=1e-4)
    assert mean(flashes.lamp_v, skip, end) == pytest.approx(value(step, "lamp_v"), abs=1e-4)
    assert mean(flashes.steady_a, skip, end) == pytest.approx(value(step, "steady_a"), abs=1e-4)
    assert mean(flashes.inrush_a, skip, end) == pytest.approx(value(step, "inrush_later_a"), abs=1e-4)
    drops = step.measured.values["drop_v"]
    assert isinstance(drops, Estimate)
    assert mean(flashes.drop_v, skip, skip + drops.n) == pytest.approx(drops.value, abs=1e-4)
    assert max(v for v in flashes.bounce_make_s if v is not None) == pytest.approx(value(step, "bounce_make_s"), abs=1e-6)
    assert max(v for v in flashes.bounce_break_s if v is not None) == pytest.approx(value(step, "bounce_break_s"), abs=1e-6)


def test_the_first_make_of_a_start_counts_from_the_supply(tested: tuple[TestRecord, bytes]) -> None:
    first, *live = tested[0].steps
    assert first.flashes.from_supply and first.flashes.make_s[0] == pytest.approx(value(first, "first_light_s"), abs=2e-3)
    assert [step.name for step in live] == ["one-out", "trailer"]
    for step in live:
        assert not step.flashes.from_supply
        assert step.flashes.make_s[0] is not None and 0.0 <= step.flashes.make_s[0] < step.lasted_s


def test_a_capture_gives_the_same_to_the_last_digit(tested: tuple[TestRecord, bytes], tmp_path: Path) -> None:
    live, data = tested
    path = tmp_path / "x.capture"
    path.write_bytes(data)
    again = judge_capture(path, setup(zero=True), procedure("decide"), when="", software="")
    assert [step.flashes for step in again.steps] == [step.flashes for step in live.steps]
    assert all(len(step.flashes) for step in live.steps)


def test_a_long_run_keeps_its_newest(monkeypatch: pytest.MonkeyPatch) -> None:
    whole = run_on(bench_port("EL"), SHORT).steps[0].flashes
    monkeypatch.setattr(analysis, "_CYCLES_KEPT", 3)
    found = run_on(bench_port("EL"), SHORT).steps[0].flashes
    assert (len(whole), len(found), found.first) == (8, 3, 6)
    assert found.make_s == pytest.approx(whole.make_s[5:], abs=1e-5)


def test_the_file_stays_small(tested: tuple[TestRecord, bytes]) -> None:
    """A flash costs less than 120 bytes: columns in one line each, no digit that means nothing."""
    step = tested[0].steps[0]
    content = json.loads(to_json(tested[0]))["steps"][0]["flashes"]
    text = to_json(tested[0])
    assert all(f'"{name}": {json.dumps(content[name])}' in text for name in COLUMNS)
    assert len(json.dumps(content)) < 120 * len(step.flashes) + 300
    assert all(len(repr(v).partition(".")[2]) <= 6 for name in COLUMNS for v in getattr(step.flashes, name) if v is not None)
    assert from_json(text) == tested[0]


def test_columns_of_one_length_only() -> None:
    content = json.loads(to_json(record()))
    content["steps"][0]["flashes"]["on_s"] = [0.3]
    with pytest.raises(ValueError, match=r"steps\[0\]\.flashes: the columns of the flashes differ in length: 0 make_s, 1 on_s"):
        from_json(json.dumps({**content, "sha256": sum_of(json.dumps(content))}))


# --- as a frame, as CSV


def test_a_frame_has_a_row_for_each(tested: tuple[TestRecord, bytes]) -> None:
    live = tested[0]
    frame = Result(live).flashes
    assert list(frame.columns) == ["run", "flash", *COLUMNS]
    assert len(frame) == sum(len(step.flashes) for step in live.steps)
    assert list(frame[frame.run == "trailer"].flash) == list(range(1, len(live.steps[-1].flashes) + 1))
    assert tuple(frame[frame.run == "rated"].drop_v) == live.steps[0].flashes.drop_v
    assert all(frame[name].dtype == float for name in COLUMNS)
    assert Result(record()).flashes.empty


def test_a_value_that_was_not_read_is_nan(tmp_path: Path) -> None:
    found = api.judge(recording(tmp_path, v_out_V=True)).flashes
    assert math.isnan(found.drop_v[0]) and found.on_s[0] == pytest.approx(ON_S, abs=1e-3)


def test_csv_to_a_file_or_to_the_output(tested: tuple[TestRecord, bytes], tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    kept, out = tmp_path / "unit.json", tmp_path / "flashes.csv"
    kept.write_text(to_json(tested[0]))
    code = run(["show", str(kept), "--flashes", str(out)])
    assert capsys.readouterr().out.startswith(tested[0].outcome.value.upper())
    rows = list(csv.reader(io.StringIO(out.read_text())))
    assert rows[0] == ["run", "flash", *COLUMNS]
    assert rows[1][:2] == ["rated", "1"] and float(rows[1][2]) == tested[0].steps[0].flashes.make_s[0]
    assert len(rows) == 1 + sum(len(step.flashes) for step in tested[0].steps)
    assert run(["show", str(kept), "--flashes", "-"]) == code
    assert capsys.readouterr().out == out.read_text()


def test_csv_leaves_a_cell_empty_where_nothing_was_read(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    kept = tmp_path / "unit.json"
    kept.write_text(api.judge(recording(tmp_path, v_out_V=True)).to_json())
    run(["show", str(kept), "--flashes", "-"])
    assert capsys.readouterr().out.splitlines()[1].split(",")[6] == ""


def test_what_can_not_be_written_is_said_in_one_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    kept = tmp_path / "unit.json"
    kept.write_text(to_json(record()))
    assert run(["show", str(kept), str(kept), "--flashes", "-"]) == USAGE
    assert "got several records, or a folder of them; name one record" in capsys.readouterr().err
    assert run(["show", str(kept), "--flashes", str(tmp_path / "none" / "x.csv")]) not in (GOOD, 70)
    assert "writing the flashes to" in capsys.readouterr().err
