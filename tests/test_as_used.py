"""What use has shown: cases in which the wrong one was blamed, or the wrong thing said, each as it was met."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from bench.claims import Claims
from bench.cli import run
from bench.cli.exit_codes import USAGE
from bench.errors import CaptureError
from bench.files import grade_rule, named_limits, procedure
from bench.judging import judge_capture, judge_recording
from bench.outcome import Outcome
from bench.ports.opening import open_port
from bench.record import TestRecord
from bench.render.brief import brief_lines
from bench.session import run_test
from bench.setup import Setup

RECORDINGS = Path(__file__).parent.parent / "fixtures" / "recordings"


def setup(system_v: float = 12.0, rated: tuple[float, ...] = (21.0, 21.0), claims: Claims | None = None, zero: bool = False) -> Setup:
    return Setup(
        "x", system_v=system_v, rated=rated, limits=(named_limits("un-r48"),), grade_rule=grade_rule(), rating_known=True,
        claims=claims or Claims(), zero=zero,
    )  # fmt: skip


def record_of(address: str, plan: str = "decide", chosen: Setup | None = None, capture: Path | None = None) -> TestRecord:
    port = open_port(address)
    try:
        if capture is None:
            return run_test(port, procedure(plan), chosen or setup(), when="", software="")
        with capture.open("xb") as sink:
            return run_test(port, procedure(plan), chosen or setup(), capture=sink, when="", software="")
    finally:
        port.close()


def plain() -> pd.DataFrame:
    return pd.read_csv(RECORDINGS / "thermal-plain.csv", comment="#")


def kept_as(frame: pd.DataFrame, tmp_path: Path) -> Path:
    path = tmp_path / "scope.csv"
    frame.to_csv(path, index=False)
    return path


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_thick_6_v_filaments_draw_their_inrush_longer(seed: int) -> None:
    record = record_of(f"sim://bench-nc-6v?seed={seed}", chosen=setup(6.0))
    assert record.outcome is Outcome.GOOD, record.reason


@pytest.mark.parametrize("fault", ["film", "contact-burnt"])
@pytest.mark.parametrize(("unit", "seed"), [("bench-nc-2x21", 1), ("bench-nc-2x21", 3), ("bench-el-two", 11)])
def test_a_bad_contact_is_no_bad_lamp(unit: str, seed: int, fault: str) -> None:
    """Lamps behind a film warm up slowly, and draw more than hot ones for long."""
    record = record_of(f"sim://{unit}?fault={fault}&seed={seed}")
    assert record.outcome in (Outcome.GOOD, Outcome.NOT_GOOD), record.reason
    assert record.conclusion.letter in ("C", "R")
    assert record.bench_faults == ()


@pytest.mark.parametrize(
    ("fault", "first"),
    [("supply-sag", "the supply "), ("sense-leads-swapped", "the output reads more"), ("lamp-wrong", "the lamps take")],
)
def test_the_right_item_of_the_bench_is_named_first(fault: str, first: str) -> None:
    record = record_of(f"sim://bench-nc-2x21?fault={fault}&seed=2")
    assert record.outcome is Outcome.BENCH_FAULT
    assert record.reason.startswith(f"The bench is at fault, not the unit: {first}")


def test_frames_that_come_twice_are_no_drop_outs_of_the_unit() -> None:
    record = record_of("sim://bench-nc-2x21?fault=bytes-duplicated&seed=5", chosen=setup(claims=Claims(terminals=2)))
    assert record.outcome is not Outcome.NOT_GOOD
    assert record.conclusion.letter != "C", record.reason


@pytest.mark.parametrize("columns", [["time_s", "i_load_A"], ["time_s", "v_out_V"], ["time_s", "i_load_A", "v_out_V"]])
def test_a_first_flash_from_cold_is_not_long_because_a_column_is_missing(columns: list[str], tmp_path: Path) -> None:
    record = judge_recording(kept_as(plain()[columns], tmp_path), setup(), when="", software="")
    assert record.outcome is not Outcome.NOT_GOOD, record.reason
    assert judge_recording(RECORDINGS / "thermal-current-only.csv", setup(), when="", software="").outcome is not Outcome.NOT_GOOD


def test_a_recording_without_the_output_costs_only_what_needs_it(tmp_path: Path) -> None:
    record = judge_recording(kept_as(plain()[["time_s", "i_load_A", "v_in_V"]], tmp_path), setup(), when="", software="")
    assert "rate_per_min" in record.measured.values


def test_a_tenth_of_the_current_is_the_probe_s_fault_or_the_lamps_and_not_the_unit_s(tmp_path: Path) -> None:
    frame = plain()
    frame["i_load_A"] *= 0.1
    assert judge_recording(kept_as(frame, tmp_path), setup(), when="", software="").outcome is Outcome.BENCH_FAULT


@pytest.mark.parametrize("text", ["", "time_s\n1\n", "no header\n1,2\n", "time_s,v_in_V\n0,1\n1,2\n", "time_s,v_out_V\n1,2\n0,2\n"])
def test_an_unreadable_recording_is_bad_usage_in_one_line(text: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "x.csv"
    path.write_text(text, encoding="utf-8")
    assert run(["judge", str(path)]) == USAGE
    said = capsys.readouterr().err
    assert len(said.strip().splitlines()) == 1 and "Traceback" not in said


def test_lamps_that_hardly_go_dark_are_not_sold() -> None:
    record = record_of("sim://bench-hw-hold?fault=ballast-shorted", chosen=setup(rated=(21.0, 21.0, 21.0)))
    assert record.outcome is Outcome.NOT_GOOD
    assert "on-time 97" in record.reason and "the limit is 75" in record.reason


def test_an_outage_unit_that_slows_down_with_a_further_lamp_was_signalling_with_all_lit() -> None:
    bad = record_of("sim://bench-el-outage?fault=outage-threshold-high&seed=3", chosen=setup(claims=Claims(outage=True)))
    assert bad.outcome is Outcome.NOT_GOOD
    assert bad.reason.startswith("Rejected: rate ratio, a further lamp")
    assert record_of("sim://bench-el-outage?seed=3", chosen=setup(claims=Claims(outage=True))).outcome is Outcome.GOOD


def test_a_unit_that_is_more_than_it_is_said_to_be_is_not_that_part() -> None:
    record = record_of("sim://bench-el-outage", chosen=setup(claims=Claims(outage=False)))
    assert record.outcome is Outcome.NOT_GOOD
    assert 'a lamp out is not shown: found "shown"' in record.reason


def test_the_short_report_names_the_volts_that_were_judged_and_shows_the_others() -> None:
    lines = {line[:22].strip(): line[22:] for line in brief_lines(record_of("sim://bench-nc-2x21", "supply"))}
    assert lines["Tested"].startswith("2 x 21 W at 12.8 V")
    assert {"At 11 V", "At 15 V"} <= lines.keys()
    assert lines["At 11 V"].startswith("59.")


def test_a_damaged_question_makes_no_real_board_of_a_simulated_one() -> None:
    for seed in (1, 2, 3, 4):
        record = record_of(f"sim://bench-el-outage?fault=commands-damaged&seed={seed}", "quick")
        assert record.board is not None and record.board.simulation is not None


def test_a_capture_of_a_24_v_unit_is_not_judged_as_one_for_12_v(tmp_path: Path) -> None:
    capture = tmp_path / "unit.capture"
    made = record_of("sim://bench-nc-24v", chosen=setup(24.0), capture=capture)
    with pytest.raises(CaptureError, match="made of a 24 V unit, not of one for 12 V; say --system 24"):
        judge_capture(capture, setup(), procedure("decide"), when="", software="")
    again = judge_capture(capture, setup(24.0), procedure("decide"), when="", software="")
    assert again.conclusion == made.conclusion


@pytest.mark.parametrize("seed", [301, 302, 305])
def test_too_few_flashes_say_nothing_of_a_tell_tale(seed: int) -> None:
    """Where samples are lost, a run may end in the middle of a flash: the tell-tale that is lit then is not lit steadily."""
    claims = Claims(terminals=3, pilot="in step", pilot_lamp_out="dead", outage=True)
    record = record_of(f"sim://bench-hw-hold?fault=board-overrun&seed={seed}", "quick", setup(claims=claims))
    assert record.outcome is Outcome.BENCH_FAULT, record.reason


def test_zeros_that_are_asked_for_are_read_or_it_is_said_that_they_are_not() -> None:
    record = record_of("sim://bench-nc-2x21?fault=sense-on-clips&seed=2", chosen=setup(zero=True))
    assert record.outcome is Outcome.BENCH_FAULT and "clip the sense leads" in record.reason
    quick = record_of("sim://bench-el-plain", "quick", setup(zero=True))
    assert any("has no step that reads them" in text for text in quick.notes)
