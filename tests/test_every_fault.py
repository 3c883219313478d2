"""Every fault of a unit by name, on the units that can have it, through the whole line: the right outcome, by two procedures.

The simulated unit with the fault is compared with the very same unit without it. What must show is common practice, no source; the
figures beside the faults in `bench.simboard.faults` were computed. Each kind is held to what its part is said to be. A fault of the bench
or of the link is never charged to the unit; a fault of the unit is never blamed on the bench.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import pytest
from faulty_records import ORDINARY, PROCEDURES, SAME, charged, nobody_is_charged, plan, record_of, value

from bench.files import named_limits
from bench.outcome import Outcome
from bench.ports.opening import open_port
from bench.record import TestRecord
from bench.session import run_test
from bench.setup import Setup
from bench.simboard.faults import FAULTS
from bench.uncertainty import Estimate
from reports.outcomes import UNITS

ALL = frozenset(UNITS)
RATE, DROP = frozenset({"rate_per_min"}), frozenset({"drop_v", "drop_largest_v"})
START = frozenset({"start_s", "start_largest_s", "first_light_s", "first_extinction_s"})
FUNCTIONS = frozenset({"pilot", "pilot, lamp out", "lamp out", "outage", "trailer"})
STANDING = RATE | START | FUNCTIONS | {"on_ratio", "outage_ratio", "outage_rate_per_min"}
OUTAGE_VALUES = frozenset({"outage_ratio", "outage_rate_per_min", "lamp out"})


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
