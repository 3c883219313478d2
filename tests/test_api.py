"""The Python API: what a notebook gets, in pandas frames and pint quantities."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from sample_records import cases, record

import bench
from bench.errors import TableError
from bench.instrument import InputErrors, Instrument
from bench.measure import QUANTITIES
from bench.record_json import from_json
from bench.result import Result


@pytest.fixture(scope="module")
def result() -> Result:
    return bench.test("sim://bench-el-plain?seed=3", unit="4711")


def test_a_test_in_one_call(result: Result) -> None:
    assert result.outcome is bench.Outcome.GOOD
    assert result.record.unit == "4711"
    assert result.reason.startswith("Good: ")
    assert str(result).startswith("GOOD   GRADE B (good)   4711\n")
    assert from_json(result.to_json()) == result.record


def test_values_are_quantities(result: Result) -> None:
    rate = result["rate_per_min"]
    assert rate.to("Hz").magnitude == pytest.approx(result.record.measured.values["rate_per_min"].value / 60.0)  # type: ignore[union-attr]
    assert result.u("rate_per_min").to("Hz").magnitude == pytest.approx(result.estimate("rate_per_min").u / 60.0)
    loss = (result["drop_v"] * result["steady_a"]).to("mW")
    assert 100.0 < loss.magnitude < 2000.0


def test_what_is_not_there_says_so(result: Result) -> None:
    with pytest.raises(bench.UnknownQuantity, match="no quantity is called 'speed'; there are: rate_per_min, "):
        result["speed"]
    with pytest.raises(bench.UnmeasuredQuantity, match="pilot_on_v was not measured: "):
        result["pilot_on_v"]


def test_the_table(result: Result) -> None:
    table = result.table
    assert isinstance(table, pd.DataFrame)
    assert set(table.index) >= {"rate_per_min", "on_ratio", "steady_a"}
    judged = table[table["verdict"].notna()]
    assert set(judged["limit_set"]) == {"un-r48"}
    assert (judged["verdict"] == "pass").all()
    assert ((judged["low"].isna()) | (judged["value"] >= judged["low"])).all()
    assert (table["U95"].dropna() >= table["u"].dropna()).all()
    assert set(table.index) == set(result.record.measured.values) | set(judged.index)


def test_the_table_of_a_record_with_gaps() -> None:
    table = Result(cases()["dark"]).table
    assert table.loc["drop_v", "why_not"] == "the lamps never lit"
    assert table["value"].isna().loc["drop_v"]
    assert Result(record(values={}, limit_sets=())).table.empty


def test_the_steps(result: Result) -> None:
    steps = result.steps
    assert set(steps["step"]) == {"rated", "one-out", "trailer"}
    assert set(steps["quantity"]) <= set(QUANTITIES)


def test_hostile_text_is_nobodys_html() -> None:
    page = Result(cases()["hostile"])._repr_html_()
    assert "<script>" not in page
    assert "&lt;script&gt;" in page


def test_a_test_can_be_cancelled_and_watched() -> None:
    events: list[object] = []
    result = bench.test("sim://bench-el-plain", progress=events.append, cancelled=lambda: len(events) > 20)
    assert result.outcome is bench.Outcome.NOT_DECIDED
    assert result.record.interrupted == "cancelled by the operator"
    assert len(events) <= 23


def test_files_that_are_not_there(tmp_path: Path) -> None:
    with pytest.raises(TableError, match=r"cannot be read"):
        bench.test(limits=[str(tmp_path / "none.toml")])


def square_wave() -> pd.DataFrame:
    """Twelve flashes at 90 a minute after 0.2 s without voltage; invented."""
    t_s = np.arange(8000) * 1e-3
    powered = t_s >= 0.2
    lit = powered & ((t_s - 0.2) * 1.5 % 1.0 < 0.5)
    noise = np.random.default_rng(5).normal(0.0, 0.003, (3, len(t_s)))
    return pd.DataFrame(
        {"time_s": t_s, "v_in_V": 13.0 * powered + noise[0], "v_out_V": 12.9 * lit + noise[1], "i_load_A": 3.5 * lit + noise[2]}
    )


def test_a_frame_and_its_file_are_judged_the_same(tmp_path: Path) -> None:
    frame = square_wave()
    frame.to_csv(tmp_path / "scope.csv", index=False)
    exact = Instrument(clock=50e-6, inputs={"i_load": InputErrors(0.005, (0.01,))})
    of_frame = bench.judge(frame, limits=["germany"], filament=False, instrument=exact)
    of_file = bench.judge(tmp_path / "scope.csv", limits=["germany"], filament=False, instrument=exact)
    assert of_frame.record.measured == of_file.record.measured
    assert of_frame.outcome is bench.Outcome.GOOD
    assert of_frame["rate_per_min"].magnitude == pytest.approx(90.0, abs=0.02)
    assert of_frame["steady_a"].to("A").magnitude == pytest.approx(3.5, abs=0.05)
