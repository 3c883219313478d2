"""Every fault by name, on the units that can have it, through the whole line: the right verdict, or an honest "not measured".

The simulated unit with the fault is compared with the very same unit without it. What must show is common practice, no source; the
figures beside the faults in `bench.simboard.faults` were computed. A fault of the bench or of the link is never charged to the unit.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from functools import cache

import pytest

from bench.files import grade_rule, named_limits, procedure
from bench.limits import AllOf, AnyOf, Limit, Requirement
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

UNITS = {
    "NC": "bench-nc-2x21", "HWh": "bench-hw-hold", "HWp": "bench-hw-plain", "TC": "bench-tc-2x21",
    "ELo": "bench-el-outage", "EL": "bench-el-plain", "EL2": "bench-el-two",
}  # fmt: skip
ORDINARY = ("un-r48", "sae-j945")
OUTAGE = (*ORDINARY, "outage-qct501")
ALL = frozenset(UNITS)
RATE, DROP = frozenset({"rate_per_min"}), frozenset({"drop_v", "drop_largest_v"})
START = frozenset({"start_s", "start_largest_s", "first_light_s", "first_extinction_s"})
STANDING = RATE | START | {"on_ratio", "outage_ratio", "outage_rate_per_min"}
OUTAGE_VALUES = frozenset({"outage_ratio", "outage_rate_per_min"})
CHARGED = (Conformity.FAIL, Conformity.CONDITIONAL_FAIL)


@cache
def plan(name: str) -> Procedure:
    """`quick`; `long`: the same for sixty flashes; `steps`: the full procedure for sixteen flashes."""
    if name == "quick":
        return procedure("quick")
    if name == "long":
        (step,) = procedure("quick").runs
        return Procedure("long", "", "", (replace(step, cycles=60, at_most_s=90.0),))
    full = procedure("full")
    return replace(full, steps=tuple(replace(s, cycles=min(s.cycles, 16)) if isinstance(s, RunStep) else s for s in full.steps))


@cache
def record_of(kind: str, fault: str = "", how: str = "quick", limits: tuple[str, ...] = ORDINARY, seed: int = 3) -> TestRecord:
    """The record of the unit of this kind with this fault (of whatever sort); with `how` `zeroed` the link is fitted first."""
    port = open_port(f"sim://{UNITS[kind]}?seed={seed}" + (f"&fault={fault}" if fault else ""))
    setup = Setup(
        kind, limits=tuple(named_limits(name) for name in limits), grade_rule=grade_rule(), rating_known=True, zero=how == "zeroed"
    )
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
        case AllOf(limits=parts) | AnyOf(alternatives=parts):
            return frozenset[str]().union(*(quantities(part) for part in parts))
        case _:
            return frozenset()


def charged(verdicts: Iterable[Verdict]) -> frozenset[str]:
    """The quantities that the unit is told off for."""
    return frozenset[str]().union(*(quantities(v.limit) for v in verdicts if v.conformity in CHARGED))


# --- faults of units


@dataclass(frozen=True)
class Seen:
    """What a fault of a unit must show.

    `ratios`: the value over that of the same unit without the fault lies between these. `least`: the value is at least so much.
    `facts`: what is seen; `one_out`: facts of the step with one lamp out, as the good unit must not show them. `may`: the quantities
    that the unit may be told off for, and no others; `must`: it is, for at least one of them. `kinds`: those tried, all if empty.
    """

    may: frozenset[str] = frozenset()
    must: bool = False
    ratios: dict[str, tuple[float, float]] = field(default_factory=dict)
    least: dict[str, float] = field(default_factory=dict)
    facts: dict[str, str] = field(default_factory=dict)
    one_out: dict[str, str] = field(default_factory=dict)
    kinds: tuple[str, ...] = ()
    how: str = "quick"
    limits: tuple[str, ...] = ORDINARY
    grade: str = ""


def up(by: float) -> tuple[float, float]:
    return by, math.inf


def down(to: float) -> tuple[float, float]:
    return -math.inf, to


SAME = (0.97, 1.03)
LIT = Seen(STANDING, True, facts={"behaviour": "steady on"}, grade="R")
DARK = Seen(STANDING, True, facts={"behaviour": "dark"}, grade="R")

UNIT_FAULTS: dict[str, Seen] = {
    "contact-eroded": Seen(DROP, ratios={"drop_v": up(1.5)}),
    "contact-burnt": Seen(DROP, True, {"drop_v": up(2.5)}, grade="R"),
    "film": Seen(DROP | START, ratios={"drop_v": up(1.5)}),
    "contact-welded": LIT,
    "sticking": Seen(STANDING, least={"stuck": 1.0}, kinds=("NC", "TC", "EL"), how="long", grade="R"),
    "bounce": Seen(least={"bounce_make_s": 0.005}),
    "heater-shorted-turns": Seen(RATE | START, True, {"rate_per_min": down(0.7), "start_s": up(1.5), "drop_v": down(0.95)}),
    "heater-open": DARK,
    "opens-late": Seen(RATE, ratios={"rate_per_min": down(0.8), "start_s": up(1.2), "drop_v": SAME}),
    "opens-early": Seen(RATE, ratios={"rate_per_min": up(1.2), "start_s": down(0.9), "drop_v": SAME}),
    "closes-late": Seen(RATE, ratios={"rate_per_min": down(0.85), "start_s": SAME}),
    "small-snap-gap": Seen(RATE, True, {"rate_per_min": up(1.3), "start_s": SAME}),
    "frame-bent": Seen(ratios={"on_ratio": up(1.1), "start_s": up(1.25)}),
    "spring-fatigue": Seen(RATE, ratios={"period_spread": up(2.5)}, kinds=("NC", "HWh", "TC"), how="long", grade="R"),
    "can-unsealed": Seen(ratios={"rate_per_min": down(0.95), "on_ratio": up(1.1), "start_s": up(1.1)}),
    "wrong-rating": LIT,
    "wire-open": replace(DARK, ratios={"dark_a": down(0.1)}),
    "ballast-high": Seen(RATE, ratios={"rate_per_min": down(0.9), "first_light_s": up(1.1), "dark_a": down(0.95)}),
    "ballast-shorted": Seen(RATE | {"on_ratio"}, True, {"rate_per_min": up(1.3), "dark_a": up(2.5)}),
    "wire-stretched": Seen(ratios={"first_light_s": up(1.1), "dark_a": SAME}),
    "wire-tight": Seen(ratios={"first_light_s": down(0.9), "on_ratio": up(1.1), "dark_a": SAME}),
    "hold-weak": Seen(RATE, True, {"rate_per_min": up(1.3)}),
    "pilot-dead": Seen(ratios={"rate_per_min": SAME}, facts={"pilot": "dead"}, kinds=("HWh", "ELo")),
    "pilot-shifted": Seen(one_out={"pilot": "in step"}, kinds=("HWh", "HWp"), how="steps"),
    "pilot-lazy": Seen(ratios={"rate_per_min": SAME}, facts={"pilot": "dead"}, kinds=("HWh", "TC")),
    "capacitor-low": Seen(RATE, ratios={"rate_per_min": up(1.2), "first_light_s": down(0.9)}),
    "capacitor-open": Seen(STANDING, True, {"rate_per_min": up(5.0)}),
    "capacitor-leaky": DARK,
    "spring-weak": Seen(ratios={"on_ratio": down(0.9)}),
    "spring-strong": Seen(ratios={"on_ratio": up(1.05)}),
    "timing-drift": Seen(RATE, ratios={"rate_per_min": (0.68, 0.76), "on_ratio": SAME}),
    "outage-threshold-high": Seen(RATE | OUTAGE_VALUES, ratios={"rate_per_min": up(1.1)}, how="steps", limits=OUTAGE),
    "outage-threshold-low": Seen(OUTAGE_VALUES, True, {"rate_per_min": SAME, "outage_ratio": down(0.6)}, how="steps", limits=OUTAGE),
    "relay-welded": LIT,
    "output-open": DARK,
    "leaky-output": Seen(ratios={"dark_a": up(4.0)}),
}
"""All but the one that the board itself cuts off."""


def tried(name: str) -> tuple[str, ...]:
    """The kinds that a fault is tried on: as the table says, or the first and the last that can have it."""
    kinds = UNIT_FAULTS[name].kinds or FAULTS[name].kinds
    return kinds if UNIT_FAULTS[name].kinds else tuple(dict.fromkeys((kinds[0], kinds[-1])))


def test_no_fault_is_forgotten() -> None:
    of_units = {name for name, fault in FAULTS.items() if fault.side == "unit"}
    assert of_units == set(UNIT_FAULTS) | {"suppressor-shorted"}
    assert set(FAULTS) - of_units | set(RIG_FAULTS) == set(NAMED) | set(UNSEEN) | set(CORRECTED) | {"board-overrun"}
    for name, seen in UNIT_FAULTS.items():
        assert set(seen.kinds) <= set(FAULTS[name].kinds) <= ALL


@pytest.mark.parametrize("kind", UNITS)
def test_a_good_unit_passes(kind: str) -> None:
    """Or all that follows would show nothing."""
    record = record_of(kind)
    assert (record.outcome, record.grade and record.grade.name) == (Conformity.PASS, "B")
    assert not record.bench_faults


@pytest.mark.parametrize(("name", "kind"), [(name, kind) for name in UNIT_FAULTS for kind in tried(name)])
def test_a_fault_of_a_unit_shows(name: str, kind: str) -> None:
    seen = UNIT_FAULTS[name]
    good, bad = record_of(kind, "", seen.how, seen.limits), record_of(kind, name, seen.how, seen.limits)
    assert bad.interrupted is None
    assert not bad.bench_faults, "the bench is in order"
    for quantity, (low, high) in seen.ratios.items():
        assert low <= value(bad, quantity) / value(good, quantity) <= high, (quantity, value(bad, quantity), value(good, quantity))
    for quantity, least in seen.least.items():
        assert value(good, quantity) < least <= value(bad, quantity), (quantity, value(bad, quantity), value(good, quantity))
    for fact, word in seen.facts.items():
        assert (bad.measured.facts[fact], good.measured.facts[fact] == word) == (word, False), fact
    for fact, word in seen.one_out.items():
        assert (one_out(bad, fact), one_out(good, fact) == word) == (word, False), fact
    assert charged(bad.verdicts) <= seen.may
    assert bad.outcome in CHARGED if seen.must else bad.outcome is not Conformity.NOT_MEASURED
    assert bad.grade is not None and bad.grade.name in (seen.grade or "BCR")


def one_out(record: TestRecord, fact: str) -> str:
    (step,) = [step for step in record.steps if step.name == "one-out"]
    return step.measured.facts[fact]


def test_a_good_unit_of_another_rating_passes_on_its_own_load() -> None:
    """Three lamps of 21 W on the unit that is lit steadily on two."""
    port = open_port("sim://bench-nc-3x21?seed=3")
    record = run_test(port, plan("quick"), Setup("x", rated=(21.0,) * 3, limits=(named_limits("un-r48"),)), when="", software="")
    assert record.outcome is Conformity.PASS


@pytest.mark.parametrize("kind", ["ELo", "EL"])
def test_a_shorted_unit_trips_the_board_and_both_are_named(kind: str) -> None:
    """The board cannot know whose short it is, so nothing is charged; but the unit stands first among what to look at."""
    record = record_of(kind, "suppressor-shorted")
    assert record.outcome is Conformity.NOT_MEASURED
    assert record.grade is None
    assert [fault.code for fault in record.bench_faults] == ["board-tripped"]
    assert "look for a short in the unit" in record.reason


# --- faults of the bench, its board and its link

NAMED: dict[str, tuple[tuple[str, ...], tuple[str, ...], str]] = {
    "lamp-dead": (("NC", "EL"), ("lamp-current",), "quick"),
    "lamp-dies": (("NC", "EL"), ("lamp-died",), "quick"),
    "lamp-wrong": (("NC", "EL"), ("lamp-current",), "quick"),
    "lamps-are-resistors": (("NC", "HWp"), ("lamps-not-cold",), "quick"),
    "lamps-warm": (("NC", "EL"), ("lamps-not-cold",), "quick"),
    "bank-contact-high": (("NC", "EL"), ("lamps-not-cold",), "quick"),
    "supply-limit": (("NC",), ("supply-limited",), "quick"),
    "supply-sag": (("NC", "EL"), ("supply-out-of-range",), "quick"),
    "supply-low": (("NC", "EL"), ("supply-not-set",), "quick"),
    "supply-set-at-source": (("NC", "EL"), ("supply-not-set",), "quick"),
    "sense-on-clips": (("NC",), ("zero",), "zeroed"),
    "sense-in-broken": (("NC", "EL"), ("sense-leads",), "quick"),
    "sense-out-broken": (("NC", "HWh"), ("sense-out-off",), "quick"),
    "sense-leads-swapped": (("EL",), ("sense-leads",), "quick"),
    "reference-off": (("NC",), ("self-test",), "quick"),
    "drop-stuck": (("EL",), ("self-test",), "quick"),
}
"""Kinds tried, the codes by one of which the bench's fault must be named, and how the unit is tested."""

UNSEEN: dict[str, tuple[str, dict[str, tuple[float, float]]]] = {
    "unit-not-cooled": ("NC", {"start_s": (0.90, 0.98), "rate_per_min": SAME}),
    "draught": ("NC", {"rate_per_min": (0.93, 0.99), "start_s": (1.02, 1.10)}),
    "current-zero-off": ("HWh", {"dark_a": (1.02, 1.12), "rate_per_min": SAME, "start_s": SAME, "drop_v": SAME}),
}
"""What no channel of the rig can tell from another unit. It may move a value (so much) but fails no good unit."""

CORRECTED: dict[str, tuple[str, str]] = {"resonator-off": ("EL", "clock-off")}
"""What the rig puts right: every value agrees with the good rig's; and the code under which it says so."""


@pytest.mark.parametrize(("name", "kind"), [(name, kind) for name, (kinds, _, _) in NAMED.items() for kind in kinds])
def test_a_fault_of_the_bench_is_named_and_spoils(name: str, kind: str) -> None:
    _, codes, how = NAMED[name]
    record = record_of(kind, name, how)
    nobody_is_charged(record)
    assert record.outcome is Conformity.NOT_MEASURED
    assert {fault.code for fault in record.bench_faults} & set(codes), record.bench_faults


@pytest.mark.parametrize(
    ("name", "kind"),
    [("supply-limit", "EL"), ("supply-limit", "HWh"), ("sense-leads-swapped", "NC"), ("sense-leads-swapped", "HWh"),
     ("sense-out-broken", "TC"), ("board-overrun", "NC")],
)
def test_a_fault_of_the_bench_that_may_be_nameless_leaves_it_open(name: str, kind: str) -> None:
    record = record_of(kind, name)
    nobody_is_charged(record)
    assert record.outcome is Conformity.NOT_MEASURED


@pytest.mark.parametrize("name", UNSEEN)
def test_a_fault_that_nothing_can_tell_fails_no_good_unit(name: str) -> None:
    kind, ratios = UNSEEN[name]
    good, record = record_of(kind), record_of(kind, name)
    nobody_is_charged(record)
    for quantity, (low, high) in ratios.items():
        assert low <= value(record, quantity) / value(good, quantity) <= high, quantity


@pytest.mark.parametrize("name", CORRECTED)
def test_a_fault_that_the_rig_puts_right_leaves_the_values_right(name: str) -> None:
    kind, code = CORRECTED[name]
    good, record = record_of(kind), record_of(kind, name)
    assert record.outcome is Conformity.PASS
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
        assert record.outcome is Conformity.NOT_MEASURED
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
    """What holds whatever is wrong on the bench: no verdict against the unit, no grade that rejects it, no error of the program."""
    assert not any(fault.code == "program" for fault in record.bench_faults), record.interrupted
    assert record.outcome not in CHARGED, record.reason
    assert not charged(record.verdicts)
    assert record.grade is None or record.grade.name != "R"
    if any(fault.spoils for fault in record.bench_faults):
        assert {v.conformity for v in record.verdicts} <= {Conformity.NOT_MEASURED}
        assert record.grade is None or record.grade.name == "none"


# --- a blip at switch-on is neither a start nor a reading


def test_a_two_coil_unit_can_pass_a_procedure_with_several_starts() -> None:
    """Its 10 ms blip at switch-on is no first extinction."""
    record = record_of("TC", how="zeroed")
    assert record.outcome is Conformity.PASS
    assert isinstance(record.measured.values["start_largest_s"], Estimate)


@pytest.mark.parametrize("seed", [3, 6])
def test_a_blip_within_the_inrush_says_nothing_of_the_supply(seed: int) -> None:
    record = record_of("TC", "capacitor-leaky", seed=seed)
    assert "supply-out-of-range" not in {f.code for f in (*record.bench_faults, *record.measured.bench_faults)}
