"""Every fault of the bench, its board and its link, through the whole line: named, and never charged to the unit; and none is forgotten."""

from __future__ import annotations

import math

import pytest
from faulty_records import PROCEDURES, SAME, nobody_is_charged, record_of, value
from test_every_fault import ALL, UNIT_FAULTS

from bench.outcome import Outcome
from bench.ports.opening import open_port
from bench.record import TestRecord
from bench.simboard.faults import FAULTS
from bench.simboard.hidden import RIG_FAULTS
from bench.simboard.link import LINK_FAULTS
from bench.uncertainty import Estimate, NotMeasured
from bench.upkeep import self_check
from bench.upkeep.selfcheck import CheckState
from reports import outcomes
from reports.outcomes import CLAIMS, ITEMS, UNITS

NAMED: dict[str, tuple[tuple[str, ...], tuple[str, ...], tuple[str, ...]]] = {
    "lamp-dead": (("NC", "EL"), ("lamp-current",), PROCEDURES),
    "lamp-dies": (("NC", "EL"), ("lamp-died",), PROCEDURES),
    "lamp-wrong": (("NC", "EL"), ("lamp-current",), PROCEDURES),
    "lamps-are-resistors": (("NC", "HWp"), ("lamps-not-cold",), PROCEDURES),
    "lamps-warm": (("NC", "EL"), ("lamps-not-cold",), PROCEDURES),
    "bank-contact-high": (("NC", "EL"), ("lamps-not-cold",), PROCEDURES),
    "supply-limit": (("NC", "HWh", "EL"), ("supply-limited",), PROCEDURES),
    "supply-sag": (("NC", "EL"), ("supply-out-of-range",), PROCEDURES),
    "supply-low": (("NC", "EL"), ("supply-not-set",), PROCEDURES),
    "supply-set-at-source": (("NC", "EL"), ("supply-not-set",), PROCEDURES),
    "sense-on-clips": (("NC",), ("zero",), ("zeroed",)),
    "sense-in-broken": (("NC", "EL"), ("sense-leads",), PROCEDURES),
    "sense-out-broken": (("NC", "HWh", "TC"), ("sense-out-off",), PROCEDURES),
    "sense-leads-swapped": (("NC", "HWh", "EL"), ("sense-leads", "sense-leads-swapped"), PROCEDURES),
    "reference-off": (("NC",), ("self-test",), PROCEDURES),
    "drop-stuck": (("EL",), ("self-test",), PROCEDURES),
}
"""Kinds tried, the codes by one of which the bench's fault must be named, and how the unit is tested."""

UNSEEN: dict[str, tuple[str, dict[str, tuple[float, float]]]] = {
    "unit-not-cooled": ("NC", {"start_s": (0.90, 0.98), "rate_per_min": SAME}),
    "draught": ("NC", {"rate_per_min": (0.93, 0.99), "start_s": (1.02, 1.10)}),
    "current-zero-off": ("HWh", {"rate_per_min": SAME, "start_s": SAME, "drop_v": SAME}),
}
"""What no channel of the rig can tell from another unit. It may move a value (so much) but fails no good unit."""

CORRECTED: dict[str, tuple[str, str]] = {"resonator-off": ("EL", "clock-off")}
"""What the rig puts right: every value agrees with the good rig's; and the code under which it says so."""


@pytest.mark.parametrize(
    ("name", "kind", "how"),
    [(name, kind, how) for name, (kinds, _, hows) in NAMED.items() for kind in kinds for how in hows],
)
def test_a_fault_of_the_bench_is_named_and_spoils(name: str, kind: str, how: str) -> None:
    _, codes, _ = NAMED[name]
    record = record_of(kind, name, how)
    nobody_is_charged(record)
    assert record.outcome is Outcome.BENCH_FAULT, record.reason
    assert {fault.code for fault in record.bench_faults} & set(codes), record.bench_faults


@pytest.mark.parametrize("how", PROCEDURES)
@pytest.mark.parametrize("kind", ["NC", "EL"])
def test_what_a_board_that_loses_samples_leaves_open_is_the_benchs(kind: str, how: str) -> None:
    record = record_of(kind, "board-overrun", how)
    nobody_is_charged(record)
    assert record.outcome is Outcome.BENCH_FAULT, record.reason
    assert "samples-lost" in {fault.code for fault in record.bench_faults}


@pytest.mark.parametrize("how", PROCEDURES)
@pytest.mark.parametrize("kind", UNITS)
@pytest.mark.parametrize("name", UNSEEN)
def test_a_fault_that_nothing_can_tell_charges_no_good_unit_of_any_kind(name: str, kind: str, how: str) -> None:
    record = record_of(kind, name, how)
    nobody_is_charged(record)
    assert record.outcome is not Outcome.NOT_DECIDED or how == "quick", record.reason


@pytest.mark.parametrize("name", UNSEEN)
def test_a_fault_that_nothing_can_tell_moves_values_by_so_much(name: str) -> None:
    kind, ratios = UNSEEN[name]
    good, record = record_of(kind), record_of(kind, name)
    for quantity, (low, high) in ratios.items():
        assert low <= value(record, quantity) / value(good, quantity) <= high, quantity


@pytest.mark.parametrize("name", CORRECTED)
def test_a_fault_that_the_rig_puts_right_leaves_the_values_right(name: str) -> None:
    kind, code = CORRECTED[name]
    good, record = record_of(kind, how="decide"), record_of(kind, name, "decide")
    assert (record.outcome, record.conclusion.letter) == (Outcome.GOOD, "A")
    assert [(fault.code, fault.spoils) for fault in record.bench_faults] == [(code, False)]
    for quantity in ("rate_per_min", "on_ratio", "start_s", "drop_v", "inrush_first_a", "dark_a"):
        agrees(record, good, quantity)


def agrees(record: TestRecord, good: TestRecord, quantity: str) -> None:
    """Both values may be off by their uncertainties; and the unit, which did other flashes, by its scatter."""
    found, other = record.measured.values[quantity], good.measured.values[quantity]
    assert isinstance(found, Estimate) and isinstance(other, Estimate)
    allowed = max(2.0 * math.hypot(found.expanded(), other.expanded()), 0.02 * other.value)
    assert abs(found.value - other.value) <= allowed, quantity


def test_a_dead_lamp_is_found_before_any_unit_is_tested() -> None:
    port = open_port("sim://LINK?seed=3&fault=lamp-dead")
    found = {finding.what: finding.state for finding in self_check(port, lamps=True)}
    assert (found["lamp 1"], found["lamp 2"], found["lamp 3"]) == (CheckState.GOOD, CheckState.BAD, CheckState.GOOD)


@pytest.mark.parametrize(("kind", "seed"), [("NC", 4), ("EL", 3)])
@pytest.mark.parametrize("name", LINK_FAULTS)
def test_a_fault_of_the_link_costs_cycles_and_never_the_truth(name: str, kind: str, seed: int) -> None:
    good, record = record_of(kind, seed=seed), record_of(kind, name, seed=seed)
    nobody_is_charged(record)
    if name in ("stall", "unplug", "board-reset"):
        assert record.bench_faults
        if any(note.startswith("after the result was told: ") for note in record.notes):
            assert record.conclusion == good.conclusion, "it came after the unit was switched off"
        else:
            assert record.interrupted is not None
            assert record.outcome is Outcome.BENCH_FAULT
        return
    assert record.interrupted is None
    if name != "slow-bridge":
        assert any(record.link.values()), "damage is counted"
    for quantity in ("rate_per_min", "start_s", "drop_v"):
        found = record.measured.values[quantity]
        if isinstance(found, NotMeasured):
            assert name not in ("slow-bridge", "commands-damaged"), "nothing was lost on the way up"
        else:
            agrees(record, good, quantity)


@pytest.mark.parametrize("kind", ["NC", "EL", "EL2"])
def test_a_zero_that_drifts_is_no_leak(kind: str) -> None:
    """It moves while the unit flashes, which no leak does: so nothing is said of the dark current."""
    found = record_of(kind, "current-zero-off").measured.values["dark_a"]
    assert isinstance(found, NotMeasured) and found.fault == "bench"
    assert "moved by" in found.reason
    leak = record_of("EL2", "leaky-output").measured.values["dark_a"]
    assert isinstance(leak, Estimate)


def test_no_fault_is_forgotten() -> None:
    of_units = {name for name, fault in FAULTS.items() if fault.side == "unit"}
    assert of_units == set(UNIT_FAULTS) | {"suppressor-shorted"}
    assert set(FAULTS) - of_units | set(RIG_FAULTS) == set(NAMED) | set(UNSEEN) | set(CORRECTED) | {"board-overrun"}
    assert set(CLAIMS) == ALL
    assert set(FAULTS) - of_units | set(RIG_FAULTS) == set(ITEMS) | set(outcomes.UNSEEN), "reports/outcomes.py"
    for name, (_, codes, hows) in NAMED.items():
        assert set(codes) <= set(ITEMS.get(name, codes)), name
        assert name in ITEMS or hows == ("zeroed",), "only the shorting link shows it"
    for name, seen in UNIT_FAULTS.items():
        assert set(seen.kinds) <= set(FAULTS[name].kinds) <= ALL
