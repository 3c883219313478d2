"""A part of the catalogue on the simulated board and on the board's real program: the same verdicts, values that agree and hold the truth.

`reports/both_boards.py` does this for everything, and says what is compared how.
"""

from __future__ import annotations

import pytest

from bench.outcome import Outcome
from bench.simboard.faults import FAULTS
from bench.simboard.hidden import RIG_FAULTS
from bench.simboard.link import LINK_FAULTS
from reports.both_boards import NOT_HERE, UNITS, Case, Compared, cases, compare, every_fault

GOOD = ("bench-nc-2x21", "bench-tc-2x21", "bench-hw-hold", "bench-hw-plain", "bench-el-plain", "bench-el-two")


def comes_to_the_same(found: Compared) -> None:
    assert found.word == "same", found.different
    # The hidden errors are the same, so what U allows for them is to spare: none may differ by more. But for bounce, the largest of fifty,
    # whose last gap may lie between the samples of one board and not of the other.
    allowed = {v: (1.5 if v.name.startswith("bounce") else 1.0) * v.allowed for v in found.both}
    assert [str(v) for v, most in allowed.items() if abs(v.value - v.other) > most + 1e-12] == []


def holds_the_truth(found: Compared, at_least: int) -> None:
    """One value in twenty may lie beyond its 95 % interval; none far beyond.

    Inrush with a tell-tale is not looked at: its small filament is warm before the first sample that can be used, so what it adds at the
    very make is lost, on either board.
    """
    tell_tale = any(v.name == "pilot_on_v" for v in found.both)
    for board in found.true:
        values = [v for v in board if not (tell_tale and v.name.startswith("inrush"))]
        beyond = [v for v in values if not v.within]
        assert len(values) >= at_least
        assert len(beyond) <= len(values) / 20, [str(v) for v in beyond]
        assert [str(v) for v in beyond if abs(v.value - v.other) > 2.0 * v.allowed] == []


@pytest.mark.parametrize("unit", GOOD)
def test_a_good_unit_is_good_on_both(unit: str) -> None:
    found = compare(Case(unit))
    assert found.outcomes == (Outcome.GOOD, Outcome.GOOD)
    comes_to_the_same(found)
    assert len(found.both) >= 20
    holds_the_truth(found, 15)


def test_a_bad_unit_is_rejected_on_both() -> None:
    found = compare(Case("bench-nc-2x21", "contact-burnt"))
    assert found.outcomes == (Outcome.NOT_GOOD, Outcome.NOT_GOOD)
    comes_to_the_same(found)
    holds_the_truth(found, 15)


def test_a_dead_lamp_is_charged_to_no_unit_on_either() -> None:
    found = compare(Case("bench-el-plain", "lamp-dead"))
    assert found.outcomes == (Outcome.BENCH_FAULT, Outcome.BENCH_FAULT)
    comes_to_the_same(found)


def test_a_pulled_cable_is_charged_to_no_unit_on_either() -> None:
    found = compare(Case("bench-el-plain", "unplug"))
    assert found.outcomes == (Outcome.BENCH_FAULT, Outcome.BENCH_FAULT)
    assert found.word in ("same", "honest"), found.different


def test_zeros_starts_outage_and_trailer_come_to_the_same_on_both() -> None:
    """The steps of the full procedure, with fewer flashes."""
    found = compare(Case("bench-el-outage", "", "short"))
    assert found.outcomes == (Outcome.GOOD, Outcome.GOOD)
    comes_to_the_same(found)
    holds_the_truth(found, 50)


def test_lamps_are_switched_live_on_both() -> None:
    """Until decided, then one lamp out and a further lamp while the unit flashes."""
    found = compare(Case("bench-el-plain", "", "decide"))
    assert found.outcomes == (Outcome.GOOD, Outcome.GOOD)
    comes_to_the_same(found)
    assert {"outage_ratio", "trailer_rate_per_min", "start_s"} <= {v.name for v in found.both}
    holds_the_truth(found, 25)


def test_no_fault_is_left_out_of_the_report() -> None:
    tried = {case.fault: case.unit for case in cases([], [], every_fault(), 3)}
    assert set(tried) == {*FAULTS, *RIG_FAULTS, *LINK_FAULTS} - {NOT_HERE}
    assert set(tried.values()) <= set(UNITS.values())
