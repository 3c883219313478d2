"""Every fault by name, on the units that can have it, through the whole line: the right outcome of the right item, by two procedures.

The simulated unit with the fault is compared with the very same unit without it. What must show is common practice, no source; the
figures beside the faults in `bench.simboard.faults` were computed. Each kind is held to what its part is said to be. A fault of the bench
or of the link is never charged to the unit; a fault of the unit is never blamed on the bench.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from functools import cache

import pytest

from bench.claims import Claims
from bench.files import grade_rule, named_limits, procedure
from bench.limits import AllOf, AnyOf, FactLimit, Limit, Requirement
from bench.outcome import Outcome
from bench.ports.opening import open_port
from bench.procedure import Procedure, RunStep
from bench.record import TestRecord
from bench.session import Setup, run_test, self_check
from bench.session.selfcheck import State
from bench.simboard.faults import FAULTS
from bench.simboard.hidden import RIG_FAULTS
from bench.simboard.link import LINK_FAULTS
from bench.uncertainty import Estimate, NotMeasured
from bench.verdict import Conformity, Verdict
from reports.outcomes import CLAIMS, UNITS

ORDINARY = ("un-r48",)
PROCEDURES = ("quick", "decide")
ALL = frozenset(UNITS)
RATE, DROP = frozenset({"rate_per_min"}), frozenset({"drop_v", "drop_largest_v"})
START = frozenset({"start_s", "start_largest_s", "first_light_s", "first_extinction_s"})
FUNCTIONS = frozenset({"pilot", "pilot, lamp out", "lamp out", "outage", "trailer"})
STANDING = RATE | START | FUNCTIONS | {"on_ratio", "outage_ratio", "outage_rate_per_min"}
OUTAGE_VALUES = frozenset({"outage_ratio", "outage_rate_per_min", "lamp out"})
CHARGED = (Conformity.FAIL, Conformity.CONDITIONAL_FAIL)
AGAINST = (Outcome.NOT_GOOD, Outcome.NOT_FOR_LOAD)


@cache
def plan(name: str) -> Procedure:
    """A procedure by name; `steps`: the full one for sixteen flashes."""
    if name != "steps":
        return procedure(name)
    full = procedure("full")
    return replace(full, steps=tuple(replace(s, cycles=min(s.cycles, 16)) if isinstance(s, RunStep) else s for s in full.steps))


@cache
def record_of(
    kind: str, fault: str = "", how: str = "quick", limits: tuple[str, ...] = ORDINARY, seed: int = 3, claimed: bool = True
) -> TestRecord:
    """The record of the unit of this kind with this fault (of whatever sort); with `how` `zeroed` the link is fitted first."""
    port = open_port(f"sim://{UNITS[kind]}?seed={seed}" + (f"&fault={fault}" if fault else ""))
    setup = Setup(
        kind, limits=tuple(named_limits(name) for name in limits), grade_rule=grade_rule(), rating_known=True, zero=how == "zeroed",
        claims=CLAIMS[kind] if claimed else Claims(),
    )  # fmt: skip
    try:
        return run_test(port, plan("steps" if how == "zeroed" else how), setup, when="", software="")
    finally:
        port.close()


def value(record: TestRecord, name: str) -> float:
    found = record.measured.values[name]
    assert isinstance(found, Estimate), f"{name}: {found}"
    return found.value


def quantities(requirement: Requirement) -> frozenset[str]:
    match requirement:
        case Limit(quantity=quantity):
            return frozenset({quantity})
        case FactLimit(fact=fact):
            return frozenset({fact})
        case AllOf(limits=parts) | AnyOf(alternatives=parts):
            return frozenset[str]().union(*(quantities(part) for part in parts))


def charged(verdicts: Iterable[Verdict]) -> frozenset[str]:
    """The quantities that the unit is told off for."""
    return frozenset[str]().union(*(quantities(v.limit) for v in verdicts if v.conformity in CHARGED))


# --- faults of units


@dataclass(frozen=True)
class Seen:
    """What a fault of a unit must show.

    `ends`: the grades of which `decide` may give one; `L`: it is for another load. `ratios`: the value over that of the same unit without
    the fault lies between these. `least`: the value is at least so much. `facts`: what is seen; `one_out`: facts of the step with one
    lamp out, as the good unit must not show them. `may`: the quantities and functions that the unit may be told off for, and no others.
    `kinds`: those tried, all if empty. `how`: the procedure that shows it.
    """

    ends: str
    may: frozenset[str] = frozenset()
    ratios: dict[str, tuple[float, float]] = field(default_factory=dict)
    least: dict[str, float] = field(default_factory=dict)
    facts: dict[str, str] = field(default_factory=dict)
    one_out: dict[str, str] = field(default_factory=dict)
    kinds: tuple[str, ...] = ()
    how: str = "quick"


def up(by: float) -> tuple[float, float]:
    return by, math.inf


def down(to: float) -> tuple[float, float]:
    return -math.inf, to


SAME = (0.97, 1.03)
LIT = Seen("R", STANDING, facts={"behaviour": "steady on"})
DARK = Seen("R", STANDING, facts={"behaviour": "dark"})
TELL_TALE = frozenset({"pilot", "pilot, lamp out"})

UNIT_FAULTS: dict[str, Seen] = {
    "contact-eroded": Seen("C", DROP, {"drop_v": up(1.5)}),
    "contact-burnt": Seen("R", DROP, {"drop_v": up(2.5)}),
    "film": Seen("CR", DROP | START, {"drop_v": up(1.5)}, facts={"film": "going"}, kinds=("HWh", "TC", "EL")),
    "contact-welded": LIT,
    "sticking": Seen("R", STANDING, least={"stuck": 1.0}, kinds=("NC", "TC", "EL"), how="decide"),
    "bounce": Seen("C", least={"bounce_make_s": 0.005}),
    "heater-shorted-turns": Seen("R", RATE | START, {"rate_per_min": down(0.7), "start_s": up(1.5), "drop_v": down(0.95)}),
    "heater-open": DARK,
    "opens-late": Seen("B", RATE, {"rate_per_min": down(0.8), "start_s": up(1.2), "drop_v": SAME}),
    "opens-early": Seen("B", RATE, {"rate_per_min": up(1.2), "start_s": down(0.9), "drop_v": SAME}),
    "closes-late": Seen("AB", RATE, {"rate_per_min": down(0.85), "start_s": SAME}),
    "small-snap-gap": Seen("R", RATE, {"rate_per_min": up(1.3), "start_s": SAME}),
    "frame-bent": Seen("AB", ratios={"on_ratio": up(1.1), "start_s": up(1.25)}),
    "spring-fatigue": Seen("R", RATE, {"period_spread": up(2.5)}, kinds=("NC", "HWh", "TC"), how="decide"),
    "can-unsealed": Seen("AB", ratios={"rate_per_min": down(0.95), "on_ratio": up(1.1), "start_s": up(1.1)}),
    "wrong-rating": replace(LIT, ends="L"),
    "wire-open": replace(DARK, ratios={"dark_a": down(0.1)}),
    "ballast-high": Seen("AB", RATE, {"rate_per_min": down(0.9), "first_light_s": up(1.1), "dark_a": down(0.95)}),
    "ballast-shorted": Seen("R", RATE | {"on_ratio"}, {"rate_per_min": up(1.3), "dark_a": up(2.5)}),
    "wire-stretched": Seen("AB", ratios={"first_light_s": up(1.1), "dark_a": SAME}),
    "wire-tight": Seen("AB", ratios={"first_light_s": down(0.9), "on_ratio": up(1.1), "dark_a": SAME}),
    "hold-weak": Seen("R", RATE, {"rate_per_min": up(1.3)}),
    "pilot-dead": Seen("R", TELL_TALE, {"rate_per_min": SAME}, facts={"pilot": "dead"}, kinds=("HWh", "ELo")),
    "pilot-shifted": Seen("R", TELL_TALE | {"lamp out"}, one_out={"pilot": "in step"}, kinds=("HWh", "HWp", "TC"), how="decide"),
    "pilot-lazy": Seen("R", TELL_TALE, {"rate_per_min": SAME}, facts={"pilot": "dead"}, kinds=("HWh", "TC")),
    "capacitor-low": Seen("R", RATE, {"rate_per_min": up(1.2), "first_light_s": down(0.9)}),
    "capacitor-open": Seen("R", STANDING, {"rate_per_min": up(5.0)}),
    "capacitor-leaky": DARK,
    "spring-weak": Seen("AB", ratios={"on_ratio": down(0.9)}),
    "spring-strong": Seen("AC", ratios={"on_ratio": up(1.05)}),  # some flash on with a lamp out, as good ones do
    "timing-drift": Seen("B", RATE, {"rate_per_min": (0.68, 0.76), "on_ratio": SAME}),
    "outage-threshold-high": Seen("R", RATE | OUTAGE_VALUES, {"rate_per_min": up(1.1), "trailer_ratio": down(0.95)}, how="decide"),
    "outage-threshold-low": Seen("R", OUTAGE_VALUES, {"rate_per_min": SAME, "outage_ratio": down(0.6)}, how="decide"),
    "relay-welded": LIT,
    "output-open": DARK,
    "leaky-output": Seen("R", frozenset({"dark_a"}), {"dark_a": up(4.0)}),
}
"""All but the one that trips the board."""


def tried(name: str) -> tuple[str, ...]:
    """The kinds that a fault is tried on: as the table says, or the first and the last that can have it."""
    kinds = UNIT_FAULTS[name].kinds or FAULTS[name].kinds
    return kinds if UNIT_FAULTS[name].kinds else tuple(dict.fromkeys((kinds[0], kinds[-1])))


def test_no_fault_is_forgotten() -> None:
    of_units = {name for name, fault in FAULTS.items() if fault.side == "unit"}
    assert of_units == set(UNIT_FAULTS) | {"suppressor-shorted"}
    assert set(FAULTS) - of_units | set(RIG_FAULTS) == set(NAMED) | set(UNSEEN) | set(CORRECTED) | {"board-overrun"}
    assert set(CLAIMS) == ALL
    for name, seen in UNIT_FAULTS.items():
        assert set(seen.kinds) <= set(FAULTS[name].kinds) <= ALL


@pytest.mark.parametrize("kind", UNITS)
def test_a_good_unit_is_as_new(kind: str) -> None:
    """Or all that follows would show nothing."""
    record = record_of(kind, how="decide")
    assert (record.outcome, record.conclusion.letter) == (Outcome.GOOD, "A"), record.reason
    assert not record.bench_faults
    assert {"lamps", "supply", "sense leads"} <= {proof.item for proof in record.measured.proofs if proof.proved}


@pytest.mark.parametrize("kind", UNITS)
def test_eight_flashes_give_no_grade_and_show_no_function_with_a_lamp_out(kind: str) -> None:
    plain, claimed = record_of(kind, claimed=False), record_of(kind)
    assert (plain.outcome, plain.conclusion.letter) == (Outcome.GOOD, ""), plain.reason
    assert (claimed.outcome, claimed.conclusion.letter) == (Outcome.NOT_DECIDED, ""), claimed.reason
    assert "could not be seen" in claimed.reason
    assert not charged(claimed.verdicts)


@pytest.mark.parametrize(("name", "kind"), [(name, kind) for name in UNIT_FAULTS for kind in tried(name)])
def test_a_fault_of_a_unit_shows(name: str, kind: str) -> None:
    seen = UNIT_FAULTS[name]
    good, bad = record_of(kind, "", seen.how), record_of(kind, name, seen.how)
    for quantity, (low, high) in seen.ratios.items():
        assert low <= value(bad, quantity) / value(good, quantity) <= high, (quantity, value(bad, quantity), value(good, quantity))
    for quantity, least in seen.least.items():
        assert value(good, quantity) < least <= value(bad, quantity), (quantity, value(bad, quantity), value(good, quantity))
    for fact, word in seen.facts.items():
        assert (bad.measured.facts[fact], good.measured.facts[fact] == word) == (word, False), fact
    for fact, word in seen.one_out.items():
        assert (one_out(bad, fact), one_out(good, fact) == word) == (word, False), fact


@pytest.mark.parametrize("how", PROCEDURES)
@pytest.mark.parametrize(("name", "kind"), [(name, kind) for name in UNIT_FAULTS for kind in tried(name)])
def test_a_fault_of_a_unit_is_the_units(name: str, kind: str, how: str) -> None:
    """By the long procedure with the outcome that it deserves; the short one may leave it open, but sells nothing."""
    seen, record = UNIT_FAULTS[name], record_of(kind, name, how)
    assert record.interrupted is None
    assert not record.bench_faults, "the bench is in order"
    assert charged(record.verdicts) <= seen.may
    if how == "decide":
        end = "L" if record.outcome is Outcome.NOT_FOR_LOAD else record.conclusion.letter
        assert end and end in seen.ends, record.reason
        assert record.outcome is {"L": Outcome.NOT_FOR_LOAD, "R": Outcome.NOT_GOOD}.get(end, Outcome.GOOD)
        assert not charged(record.verdicts) or record.outcome is not Outcome.GOOD
    else:
        assert record.outcome is Outcome.NOT_DECIDED or (record.outcome is Outcome.NOT_GOOD and set(seen.ends) & {"R", "L"}), record.reason


def one_out(record: TestRecord, fact: str) -> str:
    (step,) = [step for step in record.steps if step.name == "one-out"]
    return step.measured.facts[fact]


def test_a_good_unit_of_another_rating_passes_on_its_own_load() -> None:
    """Three lamps of 21 W on the unit that is lit steadily on two."""
    port = open_port("sim://bench-nc-3x21?seed=3")
    record = run_test(port, plan("quick"), Setup("x", rated=(21.0,) * 3, limits=(named_limits("un-r48"),)), when="", software="")
    assert record.outcome is Outcome.GOOD


@pytest.mark.parametrize("how", PROCEDURES)
@pytest.mark.parametrize("kind", ["ELo", "EL"])
def test_a_shorted_unit_trips_the_board_and_is_blamed_once_its_lamps_are_proved(kind: str, how: str) -> None:
    record = record_of(kind, "suppressor-shorted", how)
    assert (record.outcome, record.conclusion.letter, record.interrupted) == (Outcome.NOT_GOOD, "R", None)
    assert "a short inside" in record.reason
    assert not record.bench_faults
    assert any(proof.item == "lamps" and proof.proved and "shorting link" in proof.text for proof in record.measured.proofs)


@pytest.mark.parametrize("how", PROCEDURES)
@pytest.mark.parametrize("kind", ["NC", "HWh", "EL"])
def test_a_dark_unit_on_a_dead_lamp_is_not_blamed(kind: str, how: str) -> None:
    """Nothing lights: whether that is the unit's doing is seen through the shorting link alone, and there the lamp shows."""
    dark = {"NC": "heater-open", "HWh": "wire-open", "EL": "output-open"}[kind]
    record = record_of(kind, f"{dark},lamp-dead", how)
    nobody_is_charged(record)
    assert record.outcome is Outcome.BENCH_FAULT
    assert "lamp-current" in {fault.code for fault in record.bench_faults}


# --- faults of the bench, its board and its link

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
    assert (found["lamp 1"], found["lamp 2"], found["lamp 3"]) == (State.GOOD, State.BAD, State.GOOD)


@pytest.mark.parametrize(("kind", "seed"), [("NC", 4), ("EL", 3)])
@pytest.mark.parametrize("name", LINK_FAULTS)
def test_a_fault_of_the_link_costs_cycles_and_never_the_truth(name: str, kind: str, seed: int) -> None:
    good, record = record_of(kind, seed=seed), record_of(kind, name, seed=seed)
    nobody_is_charged(record)
    if name in ("stall", "unplug", "board-reset"):
        assert record.interrupted is not None
        assert record.outcome is Outcome.BENCH_FAULT
        assert record.bench_faults
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


def nobody_is_charged(record: TestRecord) -> None:
    """What holds whatever is wrong on the bench: nothing is said against the unit, by outcome, verdict, grade or sentence."""
    assert not any(fault.code == "program" for fault in record.bench_faults), record.interrupted
    assert record.outcome not in AGAINST, record.reason
    assert "Rejected" not in record.reason
    assert not charged(record.verdicts)
    assert record.conclusion.letter != "R"
    if any(fault.spoils for fault in record.bench_faults):
        assert {v.conformity for v in record.verdicts} <= {Conformity.NOT_MEASURED}
        assert record.outcome is Outcome.BENCH_FAULT
    if record.outcome is Outcome.BENCH_FAULT:
        assert record.grade is None
        assert record.reason.startswith("The bench is at fault, not the unit: ")


@pytest.mark.parametrize("kind", ["NC", "EL", "EL2"])
def test_a_zero_that_drifts_is_no_leak(kind: str) -> None:
    """It moves while the unit flashes, which no leak does: so nothing is said of the dark current."""
    found = record_of(kind, "current-zero-off").measured.values["dark_a"]
    assert isinstance(found, NotMeasured) and found.fault == "bench"
    assert "moved by" in found.reason
    leak = record_of("EL2", "leaky-output").measured.values["dark_a"]
    assert isinstance(leak, Estimate)


# --- a blip at switch-on is neither a start nor a reading


def test_a_two_coil_unit_can_pass_a_procedure_with_several_starts() -> None:
    """Its 10 ms blip at switch-on is no first extinction."""
    record = record_of("TC", how="zeroed", limits=(*ORDINARY, "sae-j945"), claimed=False)
    assert record.outcome is Outcome.GOOD, record.reason
    assert isinstance(record.measured.values["start_largest_s"], Estimate)


@pytest.mark.parametrize("seed", [3, 6])
def test_a_blip_within_the_inrush_says_nothing_of_the_supply(seed: int) -> None:
    record = record_of("TC", "capacitor-leaky", seed=seed)
    assert "supply-out-of-range" not in {f.code for f in (*record.bench_faults, *record.measured.bench_faults)}
