"""A different board is a different description: tests on one that is unlike the reference rig in all that may differ."""

from __future__ import annotations

from dataclasses import replace

import pytest
from bench_port import run_on
from contract_bench import OTHER
from vectors import description_lines

from bench.description import BoardDescription, Loop, parse_description
from bench.outcome import Outcome
from bench.record import TestRecord
from bench.simboard.units import nominal
from reports.planted_boards import BoardPort, described_board

ASSUMED = "the board does not state its loop: 0.10 ohm from supply to lamps is assumed (SAE J823)"


def tried(description: BoardDescription, kind: str) -> TestRecord:
    return run_on(BoardPort("sim://other", described_board(description, unit=nominal(kind))), "quick")  # type: ignore[arg-type]


@pytest.mark.parametrize("kind", ["NC", "EL", "TC"])
def test_a_good_unit_is_good_on_another_board(kind: str) -> None:
    record = tried(OTHER, kind)
    assert record.conclusion.outcome is Outcome.GOOD, record.conclusion
    assert ASSUMED not in record.notes


def test_of_a_board_that_does_not_state_its_loop_one_is_assumed_and_that_is_said() -> None:
    record = tried(replace(OTHER, loop=None), "EL")
    assert record.conclusion.outcome is Outcome.GOOD, record.conclusion
    assert record.notes.count(ASSUMED) == 1


def test_the_loop_is_read_as_the_board_states_it() -> None:
    lines = description_lines()
    assert parse_description(lines).loop == Loop(0.1, 0.006)
    assert parse_description([line for line in lines if not line.startswith("loop")]).loop is None
    assert parse_description([line.replace("loop,0.1,0.006", "loop,2.5E-2,0") for line in lines]).loop == Loop(0.025, 0.0)
