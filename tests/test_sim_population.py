"""Spread between units, wear, and the catalogue of invented units."""

from __future__ import annotations

import math
import random
import re
from dataclasses import replace

import numpy as np
import pytest

from bench.simboard import catalogue
from bench.simboard.ageing import aged, contact_factor, draw_life, fatigue, threshold_shift_k
from bench.simboard.faults import FAULTS
from bench.simboard.population import draw
from bench.simboard.units import MECHANISMS, ContactConstants, Rating, nominal
from bench.simboard.world import World


def flashing(unit: object, seconds: float, scatter: bool = False) -> tuple[float, float]:
    """Rate per minute and mean lowest drop."""
    world = World(unit, scatter=scatter)  # type: ignore[arg-type]
    world.switch(loads=frozenset({1, 2}), master=True)
    world.advance(seconds)
    settled = list(world.pulses)[2:]
    rate = 60.0 * (len(settled) - 1) / (settled[-1].make_s - settled[0].make_s)
    return rate, float(np.mean([p.lowest_drop_v for p in settled if p.lowest_drop_v is not None]))


# Standard deviation of the rate between units, as the trade's constants give it: common practice, no source.
@pytest.mark.parametrize(("kind", "spread"), [("NC", 8.6), ("HWh", 6.8), ("HWp", 5.9), ("TC", 6.0), ("EL", 3.6)])
def test_units_differ_as_real_ones_do(kind: str, spread: float) -> None:
    found = [flashing(draw(kind, seed), 5.0) for seed in range(60)]
    rates = [rate for rate, _ in found]
    # Sixty units know their standard deviation to 9 %: two of these, and the rounding of the figure.
    assert np.std(rates) == pytest.approx(spread, rel=0.25)
    assert np.mean(rates) == pytest.approx(flashing(nominal(kind), 5.0)[0], abs=3.0 * spread / math.sqrt(60.0))
    assert 0.006 < np.std([drop for _, drop in found]) < 0.016


def test_drawing_is_by_seed() -> None:
    for kind in MECHANISMS:
        assert draw(kind, 5) == draw(kind, 5) != draw(kind, 6)
    with pytest.raises(ValueError, match="must be one of NC, "):
        draw("XX", 1)


def test_scaling_keeps_heat_and_ampere_turns() -> None:
    assert nominal("NC") == nominal("NC", Rating(12.0, (21.0, 21.0)))
    three = nominal("NC", Rating(12.0, (21.0, 21.0, 21.0)))
    assert three.mechanism.heater_ohm == pytest.approx(0.090 * 4.0 / 9.0)  # type: ignore[union-attr]
    # Common practice, no source: 2 x 21 W at 6 V take 7.5 A.
    assert Rating(6.0).current_a() == pytest.approx(7.5, rel=0.02)


def test_outage_threshold_stands_between_the_loads() -> None:
    law = nominal("ELo").mechanism
    assert law.outage_a == pytest.approx(2.8, rel=0.02)  # type: ignore[union-attr]


# --- wear ---


def test_contact_wears() -> None:
    # Common practice, no source: 16, 34, 74, 146 milliohm at 0.1, 0.3, 0.6, 1 million flashes from 12.
    for flashes, milliohm in ((1e5, 16.0), (3e5, 34.0), (6e5, 74.0), (1e6, 146.0)):
        assert 12.0 * contact_factor(flashes) == pytest.approx(milliohm, rel=0.02)


@pytest.mark.parametrize(("flashes", "rate", "drop_v"), [(100_000, 90.7, 0.38), (600_000, 89.8, 0.58), (1_000_000, 86.9, 0.82)])
def test_age_hides_in_the_rate_and_shows_in_the_drop(flashes: int, rate: float, drop_v: float) -> None:
    worn = replace(aged(nominal("NC"), flashes), life_flashes=1e9)
    found = flashing(worn, 10.0)
    assert found[0] == pytest.approx(rate, rel=0.05)
    assert found[1] == pytest.approx(drop_v, abs=0.02)


def test_thresholds_relax_by_decades() -> None:
    assert threshold_shift_k(0.0) == (0.0, 0.0)
    opening, closing = threshold_shift_k(90_000.0)
    assert opening == pytest.approx(-3.0) and closing == pytest.approx(-2.0)


def test_life_is_a_weibull_and_its_end_misses() -> None:
    rng = random.Random(1)
    lives = np.sort([draw_life(rng) for _ in range(4000)])
    # Common practice, no source: a tenth have failed at 0.37 million, half at 0.63.
    assert np.quantile(lives, 0.1) == pytest.approx(3.7e5, rel=0.04)
    assert np.quantile(lives, 0.5) == pytest.approx(6.3e5, rel=0.02)
    assert fatigue(0.0, 6e5) == (0.0, 1.0)
    assert fatigue(5.4001e5, 6e5)[0] == pytest.approx(1e-3, rel=0.01)
    assert fatigue(6e5, 6e5)[0] == fatigue(9e5, 6e5)[0] == pytest.approx(0.1)


def test_a_tired_unit_misses_flashes() -> None:
    tired = replace(nominal("HWh"), flashes=630_000, life_flashes=6.3e5)
    world = World(tired, seed=3)
    world.switch(loads=frozenset({1, 2}), master=True)
    world.advance(60.0)
    periods = np.diff([p.make_s for p in world.pulses])
    assert 2 <= np.sum(periods > 1.6 * np.median(periods)) <= 20


# --- catalogue ---


def test_every_named_unit_can_be_had_and_says_that_it_is_invented() -> None:
    names = catalogue.names()
    assert 12 <= len(names) <= 30
    for name in names:
        entry = catalogue.entry(name)
        unit = catalogue.unit(name, 3)
        assert "(invented)" in entry.title and len(entry.find) > 30
        assert unit.name == name and unit.kind == entry.kind and unit.flashes == entry.flashes
        assert unit == catalogue.unit(name, 3) != catalogue.unit(name, 4)
    assert {catalogue.entry(name).kind for name in names} == set(MECHANISMS)


@pytest.mark.parametrize("name", catalogue.names())
def test_every_named_unit_runs(name: str) -> None:
    entry = catalogue.entry(name)
    system_v = entry.rating.system_v
    loads = frozenset(range(1, 1 + len(entry.rating.lamps_w)))
    world = World(catalogue.unit(name), supply_v=system_v * 12.8 / 12.0, system_v=system_v, rated_loads=tuple(loads))
    world.switch(loads=loads, master=True)
    world.advance(8.0)
    world.switch(master=False)
    assert len(world.pulses) >= (1 if "contact-welded" in entry.faults else 5)


def test_catalogue_errors() -> None:
    with pytest.raises(KeyError, match="no simulated unit is called 'nothing'; there are: bench-el-drift"):
        catalogue.unit("nothing")
    text = 'title="x"\nkind="NC"\nsystem_v=12\nlamps_w=[21]\nflashes=0\nfaults=["wire-open"]\nfind="x"\n'
    with pytest.raises(ValueError, match="a NC unit can't have the fault 'wire-open'"):
        catalogue.parse("x", text)
    with pytest.raises(ValueError, match="kind must be one of"):
        catalogue.parse("x", text.replace('"NC"', '"AB"'))
    with pytest.raises(ValueError, match=re.escape("keys must be faults, find")):
        catalogue.parse("x", text + "more=1\n")


def test_no_fault_of_the_catalogue_is_unknown() -> None:
    used = {fault for name in catalogue.names() for fault in catalogue.entry(name).faults}
    assert used and used <= set(FAULTS)


def test_a_drawn_contact_is_its_own_measure() -> None:
    contact = draw("NC", 1).contact
    assert contact.good_ohm == contact.ohm != ContactConstants().ohm
