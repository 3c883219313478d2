"""A board whose clock is far off, through a whole test: its fault, never the unit's, never a PASS."""

from __future__ import annotations

import io
from dataclasses import replace
from pathlib import Path

import pytest
from bench_port import BenchPort, bench_port, run_on, setup

from bench.files import procedure
from bench.judging import captures
from bench.outcome import Outcome
from bench.uncertainty import Estimate


def board_whose_clock_is(error: float, kind: str = "NC") -> BenchPort:
    """Its oscillator is fast by so much of its frequency."""
    port = bench_port(kind)
    port.board.rig.hidden = replace(port.board.rig.hidden, clock_error=error)
    return port


@pytest.mark.parametrize("error", [-0.5, -1.0 / 3.0, -0.1, -0.03, 0.03, 0.1, 0.2])
def test_a_board_whose_clock_is_far_off_is_at_fault(error: float) -> None:
    """A third slow makes 63 flashes a minute of 42, half slow 174 of 87."""
    record = run_on(board_whose_clock_is(error))
    assert record.outcome is Outcome.BENCH_FAULT
    assert "board-clock" in {fault.code for fault in record.bench_faults}
    timed = [run.measured.values["rate_per_min"] for run in record.steps]
    assert not any(isinstance(value, Estimate) for value in timed)


@pytest.mark.parametrize("error", [-0.012, 0.012])
def test_a_clock_that_is_a_little_off_is_corrected(error: float) -> None:
    good, record = run_on(board_whose_clock_is(0.0)), run_on(board_whose_clock_is(error))
    assert record.outcome is Outcome.GOOD
    rates = [one.steps[-1].measured.values["rate_per_min"] for one in (good, record)]
    assert isinstance(rates[0], Estimate) and isinstance(rates[1], Estimate)
    assert rates[1].value == pytest.approx(rates[0].value, rel=5e-4)


@pytest.mark.parametrize(("error", "outcome"), [(-1.0 / 3.0, Outcome.BENCH_FAULT), (0.002, Outcome.GOOD)])
def test_a_capture_judged_again_comes_to_the_same(tmp_path: Path, error: float, outcome: Outcome) -> None:
    capture = io.BytesIO()
    record = run_on(board_whose_clock_is(error), capture=capture)
    path = tmp_path / "clock.capture"
    path.write_bytes(capture.getvalue())
    again = captures.judge_capture(path, setup(), procedure("quick"), when="2026-01-02", software="test")
    assert again.outcome is record.outcome is outcome
    assert again.reason == record.reason
    assert again.bench_faults == record.bench_faults
    assert [run.measured.values for run in again.steps] == [run.measured.values for run in record.steps]
