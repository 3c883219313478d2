"""A bench that is at fault ends a test: nothing that follows could speak of the unit, in whichever procedure."""

from __future__ import annotations

import io
from pathlib import Path

import pytest
from bench_port import BenchPort, bench_port, run_on, setup

from bench.claims import Claims
from bench.files import procedure
from bench.judging import judge_capture
from bench.outcome import Outcome
from bench.ports.opening import open_port
from bench.record import TestRecord
from bench.session import Decided
from bench.simboard.board import SimulatedBoard
from bench.uncertainty import NotMeasured

_LEADS = "sim://bench-nc-2x21?seed=3&fault=sense-leads-swapped"
_DEAD = "sim://bench-el-outage?seed=3&fault=lamp-dead"


def run_at(address: str, plan: str, **options: object) -> TestRecord:
    port = open_port(address)
    try:
        return run_on(port, plan, **options)  # type: ignore[arg-type]
    finally:
        port.close()


@pytest.mark.parametrize("plan", ["quick", "decide", "full"])
@pytest.mark.parametrize("address", [_LEADS, _DEAD])
def test_a_fault_of_the_bench_is_said_within_seconds(address: str, plan: str) -> None:
    record = run_at(address, plan)
    assert record.outcome is Outcome.BENCH_FAULT
    assert record.interrupted is None
    assert len(record.steps) == 1
    # Four seconds until a fault is sure, and the next look a second later (bench/session/run.py).
    assert record.steps[0].lasted_s < 6.0
    last = procedure(plan).runs[0].starts
    said = [text for text in record.notes if text.endswith("the bench is at fault")]
    later = [step.name for step in procedure(plan).runs[1:] if not step.live]
    assert said == [
        *([f"step rated ended before start 2 of {last}: the bench is at fault"] if last > 1 else []),
        *(f"step {name} left out: the bench is at fault" for name in later),
    ]


def test_what_is_left_out_was_not_measured_and_the_bench_is_why() -> None:
    record = run_at(_LEADS, "full")
    outage = record.measured.values["outage_rate_per_min"]
    assert outage == NotMeasured("the bench is at fault")
    assert not record.measured.facts.get("trailer")


def test_it_is_told_before_everything_is_known_to_be_open() -> None:
    events: list[object] = []
    record = run_at(_LEADS, "full", progress=events.append)
    (decided,) = [e for e in events if isinstance(e, Decided)]
    assert decided.record.conclusion == record.conclusion
    assert decided.record.measured.values == record.measured.values


def test_its_capture_says_the_same(tmp_path: Path) -> None:
    path, buffer = tmp_path / "spoilt.capture", io.BytesIO()
    live = run_at(_LEADS, "full", capture=buffer)
    path.write_bytes(buffer.getvalue())
    again = judge_capture(path, setup(), procedure("full"), when=live.when, software=live.software)
    assert again.conclusion == live.conclusion
    assert [s.cycles for s in again.steps] == [s.cycles for s in live.steps]


def test_a_line_that_loses_most_of_what_comes_is_not_waited_for() -> None:
    """One frame in a hundred spoils four flashes of five: going on until a hundred are whole would take minutes."""
    record = run_at("sim://bench-el-plain?seed=4&fault=board-overrun", "decide")
    assert record.outcome is Outcome.BENCH_FAULT
    assert "samples-lost" in {fault.code for fault in record.bench_faults}
    (step,) = record.steps
    assert step.cycles_excluded > 16
    assert step.lasted_s < 30.0


def test_what_was_seen_live_counts_where_a_test_may_end_early() -> None:
    """The live steps belong to the run that they carry on: what ends the test after it takes nothing away from them."""
    wanted = setup(stop_early=True, claims=Claims(load="variable", pilot="none"), grade_rule=None)
    record = run_at("sim://bench-el-plain?seed=4", "decide", setup=wanted)
    assert record.outcome is Outcome.GOOD, record.reason
    assert record.measured.facts["trailer"] == "flashing"
    assert [step.name for step in record.steps] == ["rated", "one-out", "trailer"]


@pytest.mark.parametrize("has_noise", [True, False])
@pytest.mark.parametrize("kind", ["EL", "HWh"])
def test_a_supply_that_goes_away_is_the_bench_s_fault(kind: str, has_noise: bool) -> None:
    """Nothing is said of the unit, and a board without noise is not taken for one that stands still."""
    port = bench_port(kind)
    board = SimulatedBoard(port.board.world, seed=1, ideal=not has_noise, unit_name=kind, supply_v=12.8, find_unit=port.board.find_unit)
    port = BenchPort(board, at={4.0: lambda: board.world.set_supply(0.0)})
    record = run_on(port)
    assert record.outcome is Outcome.BENCH_FAULT
    assert {fault.code for fault in (*record.bench_faults, *record.measured.bench_faults)} == {"supply-gone"}
    assert "the supply went away while the unit was on" in record.reason and port.all_open
