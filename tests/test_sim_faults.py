"""Faults by name: their signatures as the trade gives them (common practice, no source), and the house-keeping of the list."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pytest

from bench.simboard.circuit import BenchCircuit
from bench.simboard.faults import FAULTS
from bench.simboard.loads import standard_bank
from bench.simboard.pulses import Pulse
from bench.simboard.units import MECHANISMS, nominal
from bench.simboard.world import World


@dataclass(frozen=True)
class Seen:
    pulses: list[Pulse]
    rate_per_min: float
    on_percent: float
    opening_s: float
    light_s: float
    drop_v: float
    lit: bool
    spread: float


def run(kind: str, *faults: str, loads: tuple[int, ...] = (1, 2), seconds: float = 8.0, seed: int | None = None, **kwargs: float) -> Seen:
    world = World(nominal(kind), faults=faults, scatter=seed is not None, seed=seed or 0, **kwargs)  # type: ignore[arg-type]
    world.switch(loads=frozenset(loads) | {7}, master=True)
    world.advance(seconds)
    pulses = list(world.pulses)
    world.switch(master=False)
    lit = not pulses and len(world.pulses) == 1
    if len(pulses) < 6:
        return Seen(list(world.pulses), 0.0, 0.0, _break(pulses), _make(pulses), 0.0, lit, 0.0)
    settled = pulses[2:]
    makes = np.array([p.make_s for p in settled])
    on_s = sum((p.break_s or 0.0) - p.make_s for p in settled[:-1])
    periods = np.diff(makes)
    drop_v = float(np.mean([p.lowest_drop_v for p in settled if p.lowest_drop_v is not None]))
    return Seen(
        pulses, 60.0 / float(periods.mean()), 100.0 * on_s / float(periods.sum()), _break(pulses), _make(pulses), drop_v, lit,
        float(periods.std() / periods.mean()),
    )  # fmt: skip


def _break(pulses: list[Pulse]) -> float:
    return (pulses[0].break_s or 0.0) if pulses else 0.0


def _make(pulses: list[Pulse]) -> float:
    return pulses[0].make_s if pulses else 0.0


# Fault, mechanism, rate, percent on.
RATES = (
    ("contact-eroded", "NC", 84, 54),
    ("heater-shorted-turns", "NC", 46, 75),
    ("opens-late", "NC", 60, 58),
    ("opens-early", "NC", 123, 46),
    ("closes-late", "NC", 66, 49),
    ("small-snap-gap", "NC", 130, 53),
    ("frame-bent", "NC", 79, 61),
    ("can-unsealed", "NC", 73, 65),
    ("ballast-high", "HWh", 67, 47),
    ("ballast-shorted", "HWh", 138, 97),
    ("wire-stretched", "HWh", 89, 51),
    ("wire-tight", "HWh", 76, 68),
    ("hold-weak", "HWh", 130, 55),
    ("capacitor-low", "TC", 119, 42),
    ("spring-weak", "TC", 87, 36),
    ("spring-strong", "TC", 86, 46),
    ("supply-set-at-source", "NC", 83.5, 55),
    ("lamps-are-resistors", "NC", 65, 64),
    ("lamps-are-resistors", "HWh", 82, 57),
    ("lamps-are-resistors", "TC", 88, 42),
    ("draught", "NC", 84, 56),
    ("supply-sag", "NC", 75.5, 59),
)


@pytest.mark.parametrize(("fault", "kind", "rate", "on"), RATES)
def test_rate_and_share(fault: str, kind: str, rate: float, on: float) -> None:
    seen = run(kind, fault, seconds=10.0)
    assert seen.rate_per_min == pytest.approx(rate, rel=0.10)
    assert seen.on_percent == pytest.approx(on, abs=3.0)


@pytest.mark.parametrize(
    ("fault", "opening_s"),
    [
        ("heater-shorted-turns", 1.73),
        ("opens-late", 0.98),
        ("opens-early", 0.53),
        ("closes-late", 0.69),
        ("small-snap-gap", 0.69),
        ("frame-bent", 0.98),
        ("can-unsealed", 0.93),
        ("lamps-warm", 1.09),
        ("supply-limit", 0.80),
        ("unit-not-cooled", 0.65),
        ("lamps-are-resistors", 1.28),
    ],
)
def test_first_opening_of_a_thermal_unit(fault: str, opening_s: float) -> None:
    assert run("NC", fault, seconds=10.0).opening_s == pytest.approx(opening_s, rel=0.04)


@pytest.mark.parametrize(("fault", "light_s"), [("ballast-high", 0.73), ("wire-stretched", 0.58), ("wire-tight", 0.37)])
def test_first_light_of_a_hot_wire(fault: str, light_s: float) -> None:
    assert run("HWh", fault).light_s == pytest.approx(light_s, rel=0.04)


@pytest.mark.parametrize(
    ("fault", "kind", "drop_v"),
    [
        ("contact-eroded", "NC", 0.66),
        ("contact-eroded", "HWh", 0.46),
        ("contact-eroded", "TC", 0.46),
        ("heater-shorted-turns", "NC", 0.30),
    ],
)
def test_drop(fault: str, kind: str, drop_v: float) -> None:
    assert run(kind, fault, seconds=12.0).drop_v == pytest.approx(drop_v, abs=0.02)


def test_an_eroded_contact_scatters() -> None:
    drops = [p.lowest_drop_v for p in run("NC", "contact-eroded", seed=1, seconds=20.0).pulses if p.lowest_drop_v is not None]
    good = [p.lowest_drop_v for p in run("NC", seed=1, seconds=20.0).pulses if p.lowest_drop_v is not None]
    assert np.std(drops) > 20.0 * np.std(good)


def test_a_film_wears_off() -> None:
    drops = [p.lowest_drop_v or 0.0 for p in run("NC", "film", seconds=25.0).pulses]
    assert drops[0] > 1.5 and drops[0] > drops[3] > drops[8] > drops[-1]
    assert drops[-1] == pytest.approx(0.36, abs=0.01)


@pytest.mark.parametrize("kind", ["NC", "HWh", "HWp", "TC"])
def test_a_welded_contact_stays_lit_at_any_load(kind: str) -> None:
    for loads in ((1,), (1, 2), (1, 2, 3)):
        assert run(kind, "contact-welded", loads=loads, supply_v=15.0).lit


@pytest.mark.parametrize("kind", ["ELo", "EL", "EL2"])
def test_an_electronic_unit_welded_or_open(kind: str) -> None:
    assert run(kind, "relay-welded").lit
    dark = run(kind, "output-open")
    assert not dark.pulses and not dark.lit


@pytest.mark.parametrize(("fault", "kind"), [("heater-open", "NC"), ("wire-open", "HWh"), ("wire-open", "HWp")])
def test_dead_units(fault: str, kind: str) -> None:
    world = World(nominal(kind), faults=(fault,))
    world.switch(loads=frozenset({1, 2}), master=True)
    assert not np.any(world.advance(5.0).i_load) and not world.pulses


def test_sticking_makes_single_long_flashes() -> None:
    on = [(p.break_s or 0.0) - p.make_s for p in run("HWh", "sticking", seed=2, seconds=60.0).pulses]
    long = sum(1 for s in on if s > 1.5 * float(np.median(on)))
    assert 1 <= long <= 0.25 * len(on)


@pytest.mark.parametrize("kind", ["NC", "HWh", "HWp", "TC"])
def test_spring_fatigue_scatters_and_misses(kind: str) -> None:
    seen = run(kind, "spring-fatigue", seed=4, seconds=60.0)
    makes = np.diff([p.make_s for p in seen.pulses])
    assert seen.spread > 0.05
    assert np.sum(makes > 1.6 * np.median(makes)) >= 1
    assert np.median(makes) == pytest.approx(60.0 / run(kind).rate_per_min, rel=0.06)


def test_long_bounce() -> None:
    for kind in ("NC", "HWh", "TC", "ELo", "EL"):
        bounces = [p.bounce_make_s for p in run(kind, "bounce", seed=1).pulses[2:]]
        assert min(bounces) > 0.005 and max(bounces) < 0.013


def test_dark_currents() -> None:
    assert run("HWh", "ballast-high").pulses[3].dark_a == pytest.approx(0.25, rel=0.03)
    assert run("HWh", "ballast-shorted").pulses[3].dark_a == pytest.approx(0.97, rel=0.03)
    assert run("EL2", "leaky-output").pulses[3].dark_a == pytest.approx(0.025, rel=0.1)


def test_pilots() -> None:
    assert not run("HWh", "pilot-dead").pulses[3].pilot_lit
    assert run("HWh", "pilot-dead").rate_per_min == pytest.approx(run("HWh").rate_per_min, rel=1e-3)
    assert run("HWh", "pilot-shifted", loads=(1,)).pulses[3].pilot_lit
    assert not run("HWh", loads=(1,)).pulses[3].pilot_lit
    assert not run("HWh", "pilot-lazy").pulses[3].pilot_lit


def test_two_coil_capacitor() -> None:
    assert 20.0 < run("TC", "capacitor-open", seconds=3.0).rate_per_min / 60.0 < 40.0
    leaky = run("TC", "capacitor-leaky")
    assert len(leaky.pulses) == 1 and leaky.opening_s < 0.02
    assert run("TC", "spring-weak", loads=(1,), seconds=12.0).rate_per_min == pytest.approx(59.0, rel=0.05)
    # Steady with one lamp out, after the blink of the inrush.
    blink, steady = run("TC", "spring-strong", loads=(1,)).pulses
    assert blink.break_s is not None and steady.break_s is None


def test_outage_thresholds_and_timing() -> None:
    good = run("ELo").rate_per_min
    assert run("ELo", "outage-threshold-high").rate_per_min > 2.0 * good
    assert run("ELo", "outage-threshold-low", loads=(1,)).rate_per_min == pytest.approx(good, rel=0.01)
    drift = [run("EL", "timing-drift", supply_v=v) for v in (11.0, 12.8, 15.0)]
    assert [one.rate_per_min for one in drift] == pytest.approx([64.3] * 3, rel=0.01)


def test_a_unit_for_three_lamps() -> None:
    assert run("NC", "wrong-rating").lit
    assert run("NC", "wrong-rating", loads=(1, 2, 3)).rate_per_min == pytest.approx(89.0, rel=0.05)


def test_a_shorted_suppressor_draws_all_there_is() -> None:
    world = World(nominal("EL"), faults=("suppressor-shorted",))
    world.switch(loads=frozenset({1, 2}), master=True)
    assert world.advance(0.01).i_load[-1] > 75.0


# --- bench ---


def test_lamp_faults() -> None:
    steady = {name: run("EL", *([name] if name else []), seconds=12.0).pulses for name in ("", "lamp-dead", "lamp-wrong", "lamp-dies")}
    good = steady[""][3].steady_a
    assert steady["lamp-dead"][3].steady_a == pytest.approx(0.5 * good, rel=0.02)
    assert 0.70 < steady["lamp-wrong"][3].steady_a / good < 0.80
    assert [round(p.steady_a / good, 1) for p in steady["lamp-dies"][3:8]] == [1.0, 1.0, 0.5, 0.5, 0.5]
    assert steady["lamp-dies"][5].peak_a < 0.7 * steady["lamp-dies"][4].peak_a


def test_first_peak() -> None:
    assert run("NC", "lamps-warm").pulses[0].peak_a == pytest.approx(8.9, rel=0.03)
    assert run("NC", "supply-limit").pulses[0].peak_a == pytest.approx(6.0)
    assert run("NC", "bank-contact-high").pulses[0].peak_a < 0.85 * run("NC").pulses[0].peak_a
    assert run("NC", "lamps-are-resistors").pulses[0].peak_a < 3.7


def test_supply_low_and_sense_leads() -> None:
    assert run("EL", "supply-low").pulses[3].supply_v == pytest.approx(run("EL").pulses[3].supply_v - 1.28, abs=0.05)
    # The unit's own drop is not touched, only what the sense leads show.
    drops = []
    for faults in ((), ("sense-on-clips",)):
        world = World("LINK", faults=faults)
        world.switch(loads=frozenset({1, 2}), master=True)
        seen = world.advance(1.0)
        drops.append((seen.v_in - seen.v_out)[-1])
    assert drops[1] - drops[0] == pytest.approx(0.020 * 3.594, rel=0.01)


# --- the list ---


def test_the_list() -> None:
    unit = [fault for fault in FAULTS.values() if fault.side == "unit"]
    bench = [fault for fault in FAULTS.values() if fault.side == "bench"]
    assert len(unit) >= 30 and len(bench) >= 12
    for name, fault in FAULTS.items():
        assert name == fault.name and name == name.lower() and " " not in name
        assert fault.title and fault.see and set(fault.kinds) <= set(MECHANISMS)


@pytest.mark.parametrize("name", FAULTS)
def test_every_fault_changes_the_model_where_it_applies_and_nowhere_else(name: str) -> None:
    fault = FAULTS[name]
    for kind in MECHANISMS:
        unit = nominal(kind)
        assert (fault.spoil_unit(unit) != unit) == (fault.side == "unit" and kind in fault.kinds)
    bench = BenchCircuit(standard_bank())
    assert (fault.spoil_bench(bench, 12.0) != bench) == (fault.side == "bench")
    assert replace(bench) == bench


@pytest.mark.parametrize("name", FAULTS)
@pytest.mark.parametrize("system_v", [6.0, 24.0])
def test_every_fault_lives_at_other_voltages(name: str, system_v: float) -> None:
    kind = FAULTS[name].kinds[0]
    world = World(nominal(kind), supply_v=system_v * 12.8 / 12.0, system_v=system_v, faults=(name,), seed=1)
    world.switch(loads=frozenset({1, 2, 7}), master=True)
    seen = world.advance(1.0)
    assert np.all(np.isfinite(seen.i_load)) and np.all(seen.v_in <= 30.0)
