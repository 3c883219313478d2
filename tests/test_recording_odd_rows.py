"""Rows of recordings that stand alone: before a pause, or between two holes. They are left out, and nothing stumbles over them."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from bench.files import named_limits
from bench.judging import judge_recording
from bench.outcome import Outcome
from bench.recording import read_recording
from bench.setup import Setup
from bench.uncertainty import Estimate


def flashing(tmp_path: Path, keep: np.ndarray[tuple[int], np.dtype[np.bool_]], stamps: str) -> Path:
    """Twelve flashes at 90 a minute, 2000 rows a second, of which only some were kept."""
    t_s = np.arange(16000) * 5e-4
    lit = (t_s > 0.5) & ((t_s - 0.5) * 1.5 % 1.0 < 0.5)
    rows = [f"{t:{stamps}},{13.0 * (t > 0.4):.2f},{12.8 * on:.2f},{3.5 * on:.3f}" for t, on in zip(t_s[keep], lit[keep], strict=True)]
    path = tmp_path / "r.csv"
    path.write_text("\n".join(["time_s,v_in_V,v_out_V,i_load_A", *rows]) + "\n", encoding="utf-8")
    return path


@pytest.mark.parametrize("stamps", [".3f", ".4f"])
def test_a_row_alone_between_two_pauses_is_no_block(tmp_path: Path, stamps: str) -> None:
    keep = np.ones(16000, dtype=bool)
    keep[5000:5100] = keep[5101:5200] = keep[9001:9100] = False
    path = flashing(tmp_path, keep, stamps)
    blocks = list(read_recording(path).blocks)
    assert min(len(block.traces["v_out"].values) for block in blocks) >= 2
    rate = judge_recording(path, Setup("r", limits=(named_limits("un-r48"),)), when="", software="").measured.values["rate_per_min"]
    assert isinstance(rate, Estimate)
    assert rate.value == pytest.approx(90.0, abs=0.1)


def test_the_second_of_two_rows_with_one_stamp_before_a_pause_stays_beside_the_first(tmp_path: Path) -> None:
    keep = np.ones(16000, dtype=bool)
    alike = next(k for k in range(6000, 6010) if f"{k * 5e-4:.3f}" == f"{(k - 1) * 5e-4:.3f}")
    keep[alike + 1 : alike + 100] = False
    first, second = read_recording(flashing(tmp_path, keep, ".3f")).blocks
    assert len(first.traces["v_out"].values) == alike + 1
    assert first.traces["v_out"].t_s[-1] == pytest.approx(alike * 5e-4, abs=1.0e-3)
    assert second.gap_before


@pytest.mark.parametrize(
    ("old", "new"),
    [("3.500", "0.000"), ("3.500", "7.66e-300"), ("3.500", "5e-324"), ("v_in_V", "v_in_kV"), ("13.00", "1e-300"), ("13.00", "-13.00")],
)
def test_readings_that_no_bench_has_are_judged_without_stumbling(old: str, new: str, tmp_path: Path) -> None:
    """A current of exactly 0, or so small that its square is; an input in kV, of nothing, or the wrong way round."""
    path = flashing(tmp_path, np.ones(16000, dtype=bool), ".4f")
    path.write_text(path.read_text(encoding="utf-8").replace(old, new), encoding="utf-8")
    record = judge_recording(path, Setup("r", limits=(named_limits("un-r48"),)), when="", software="")
    if "v_in" in old or "13" in old:
        assert record.outcome is not Outcome.GOOD
    else:
        rate = record.measured.values["rate_per_min"]
        assert isinstance(rate, Estimate) and abs(rate.value - 90.0) < 0.5
        current = record.measured.values["steady_a"]
        assert not isinstance(current, Estimate) or current.value == 0.0


def test_an_input_in_the_wrong_unit_that_is_0_between_its_steps_is_judged(tmp_path: Path) -> None:
    """Noise of millivolts, taken for volts, crosses as a supply does, and stands at exactly 0 behind."""
    plain = Path(__file__).parent.parent / "fixtures" / "recordings" / "thermal-plain.csv"
    path = tmp_path / "r.csv"
    path.write_text(plain.read_text(encoding="utf-8").replace("v_in_V", "v_in_kV"), encoding="utf-8")
    record = judge_recording(path, Setup("r", limits=(named_limits("un-r48"),)), when="", software="")
    assert record.outcome is Outcome.BENCH_FAULT
