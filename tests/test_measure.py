"""Measurements from waveforms whose truth is known by construction, and from published worked examples."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pytest
from waves import Wave, flashes

from bench.lamps import expected_current_a
from bench.measure import QUANTITIES, Conditions, Counts, Measured, measure
from bench.procedure import OF_LOAD
from bench.samples import Array
from bench.uncertainty import Estimate, NotMeasured

ALL = Counts(skip=0, average=3)
FILAMENT = Conditions(lamps_w=(21.0, 21.0))


def measured(wave: Wave, counts: Counts = ALL, conditions: Conditions | None = None) -> Measured:
    return measure(wave.pipeline(conditions).evidence(), counts)


def value(m: Measured, name: str) -> float:
    found = m.values[name]
    assert isinstance(found, Estimate), found
    return found.value


def holds(m: Measured, name: str, truth: float, k: float = 3.0) -> bool:
    found = m.values[name]
    assert isinstance(found, Estimate), found
    return abs(found.value - truth) <= k * found.u + 1e-12


def pattern(*on_off_ms: tuple[float, float], first_s: float = 0.3) -> list[float]:
    """Edges of flashes of these on and off times in ms, and one last make to end the last cycle."""
    t, found = first_s, list[float]()
    for on, off in on_off_ms:
        found += [t, t + on / 1000.0]
        t += (on + off) / 1000.0
    return [*found, t, t + 0.1]


def test_every_value_has_a_name_of_the_vocabulary() -> None:
    names = set(measured(Wave(flashes(12), 8.0)).values)
    assert names == set(QUANTITIES) - {name for names in OF_LOAD.values() for name in names}


@dataclass
class Unsteady(Wave):
    """A wave whose contact loses now more, now less: in the output's voltage and the drop, and nowhere else."""

    def channel(self, name: str, t_s: Array) -> Array:
        """The waveform as of `Wave`, with a sway of 40 mV, slow and fast, while the contact is closed."""
        values = super().channel(name, t_s)
        sway_v = (0.03 * np.sin(0.9 * t_s) + 0.01 * np.sin(23.0 * t_s)) * (super().channel("i_load", t_s) > 1.0)
        return values + {"v_out": -sway_v, "v_drop": sway_v}.get(name, 0.0 * t_s)


def test_what_is_read_of_the_output_is_marked_so() -> None:
    """A recording without the output has a stand-in for it: of what is not marked, that stand-in would be told."""
    steady, swaying = (measured(kind(flashes(14), 9.6), Counts()).values for kind in (Wave, Unsteady))
    moved = set()
    for name, one in steady.items():
        other = swaying[name]
        if isinstance(one, Estimate) and isinstance(other, Estimate) and other.value != pytest.approx(one.value, rel=1e-4, abs=1e-4):
            moved.add(name)
    assert moved == {name for name, quantity in QUANTITIES.items() if quantity.of_output}


def test_nhtsa_letter_of_14_november_2002_averages_the_cycles_rates() -> None:
    # NHTSA interpretation letter, 14 Nov 2002: 160/200, 160/200, 160/620 ms gives 166.7, 166.7, 76.9, mean 136.8 per minute, above 120.
    # The same three cycles over their total time give 120.0.
    m = measured(Wave(pattern((160, 200), (160, 200), (160, 620)), 2.4))
    assert value(m, "rate_per_min") == pytest.approx(136.8, abs=0.05)
    assert value(m, "rate_total_per_min") == pytest.approx(120.0, abs=0.05)


def test_nhtsa_letter_of_2003_second_pattern() -> None:
    # NHTSA interpretation letter GF006498, 2003: 200/250, 200/250, 200/850 ms: 133.3, 133.3, 57.1, mean 107.9; over total time 92.3.
    m = measured(Wave(pattern((200, 250), (200, 250), (200, 850)), 3.0))
    assert value(m, "rate_per_min") == pytest.approx(107.9, abs=0.05)
    assert value(m, "rate_total_per_min") == pytest.approx(92.3, abs=0.05)
    # The on-time of each cycle is 44.4, 44.4 and 19.0 %: their mean 36.0; 600 ms of 1950 would be 30.8.
    assert value(m, "on_ratio") == pytest.approx((200 / 450 * 2 + 200 / 1050) / 3, abs=3e-4)


def test_the_first_five_cycles_are_skipped_and_three_are_enough() -> None:
    slow, fast = [(400.0, 400.0)] * 5, [(300.0, 300.0)] * 3
    m = measured(Wave(pattern(*slow, *fast), 6.6), Counts())
    assert value(m, "rate_per_min") == pytest.approx(100.0, abs=0.05)
    short = measured(Wave(pattern(*slow, *fast[:2]), 6.0), Counts()).values["rate_per_min"]
    assert isinstance(short, NotMeasured)
    assert short.reason == "7 complete cycles seen, 8 needed"


def test_start_of_a_unit_closed_at_rest_ends_at_its_first_opening() -> None:
    m = measured(Wave(flashes(5, first_s=0.3, on_s=0.69), 6.0, tau_s=47e-6))
    assert m.facts["rest"] == "closed"
    assert value(m, "first_light_s") == pytest.approx(0.0, abs=2e-5)
    for name in ("start_s", "first_extinction_s"):
        assert value(m, name) == pytest.approx(0.69, abs=2e-5)


def test_start_of_a_unit_open_at_rest_ends_with_its_first_full_cycle() -> None:
    m = measured(Wave(flashes(5, first_s=0.77, on_s=0.42), 6.0, tau_s=47e-6, dark_a=0.28))
    assert m.facts["rest"] == "open"
    assert value(m, "first_light_s") == pytest.approx(0.47, abs=2e-5)
    assert value(m, "start_s") == pytest.approx(0.89, abs=2e-5)
    assert holds(m, "dark_a", 0.28)


def test_a_unit_that_opens_within_a_tenth_of_a_second_counts_as_open_at_rest() -> None:
    # SAE J2068-1999, after a public summary. A two-coil relay: 10 ms closed, dark to 0.46 s, lit to 0.75 s.
    m = measured(Wave([0.3, 0.31, *flashes(5, first_s=0.76, on_s=0.29)], 5.0))
    assert m.facts["rest"] == "open"
    assert value(m, "first_light_s") == pytest.approx(0.46, abs=2e-4)
    assert value(m, "start_s") == pytest.approx(0.75, abs=2e-4)


def test_a_welded_contact_is_steady_on_and_has_a_drop_but_no_rate() -> None:
    m = measured(Wave([0.3, 99.0], 7.0, noise=1.0), conditions=FILAMENT)
    assert m.facts["behaviour"] == "steady on"
    assert isinstance(m.values["rate_per_min"], NotMeasured)
    assert holds(m, "drop_v", 0.36)
    assert holds(m, "steady_a", 3.6)


@pytest.mark.parametrize(("edges", "word"), [([98.0, 99.0], "dark"), ([0.3, 1.2], "one flash"), ([0.3, 1.2, 1.5, 2.0], "too few")])
def test_units_that_do_not_flash(edges: list[float], word: str) -> None:
    m = measured(Wave(edges, 3.0 if word == "too few" else 8.0), Counts())
    assert m.facts["behaviour"] == word
    assert isinstance(m.values["rate_per_min"], NotMeasured)


def test_no_supply_is_said() -> None:
    assert measured(Wave([98.0, 99.0], 4.0, applied_s=90.0)).facts["behaviour"] == "no supply"


def test_missed_and_long_flashes_are_counted() -> None:
    edges = flashes(14)
    missed = [t for k, t in enumerate(edges) if k // 2 not in (6, 9)]
    m = measured(Wave(missed, 9.6))
    assert (value(m, "missed"), value(m, "stuck")) == (2.0, 0.0)
    stuck = [*edges[:9], edges[11], *edges[12:]]
    m = measured(Wave(stuck, 9.6))
    assert (value(m, "missed"), value(m, "stuck")) == (0.0, 1.0)


def test_a_cycle_with_lost_samples_is_left_out_and_the_rest_is_right() -> None:
    wave = Wave(flashes(12), 8.2, lost_s=[(3.8, 3.85)])
    line = wave.pipeline()
    m = measure(line.evidence(), ALL)
    assert line.cutter.broken == 1
    assert value(m, "rate_per_min") == pytest.approx(60 / 0.67, abs=0.02)
    lost_edge = measured(replace(wave, lost_s=[(3.6, 3.7)]))  # the make at 3.65 s is in it
    assert value(lost_edge, "rate_per_min") == pytest.approx(60 / 0.67, abs=0.02)
    assert value(lost_edge, "missed") == 0.0


def test_samples_lost_during_the_start_cost_the_start_only() -> None:
    m = measured(Wave(flashes(8), 5.5, lost_s=[(0.4, 0.45)]))
    start = m.values["start_s"]
    assert isinstance(start, NotMeasured) and start.fault == "bench"
    assert value(m, "rate_per_min") == pytest.approx(60 / 0.67, abs=0.02)


@pytest.mark.parametrize(("pilot", "fact"), [("in step", "in step"), ("antiphase", "antiphase"), ("steady", "steady"), ("dead", "dead")])
def test_the_pilot_terminal(pilot: str, fact: str) -> None:
    m = measured(Wave(flashes(6), 4.5, pilot=pilot))
    assert m.facts["pilot"] == fact
    if pilot == "dead":
        assert isinstance(m.values["pilot_on_v"], NotMeasured)
    else:
        assert holds(m, "pilot_on_v", 12.0)


def test_the_lowest_drop_is_not_biased_by_noise() -> None:
    errors = []
    for seed in range(12):
        m = measured(Wave(flashes(6), 4.5, noise=3.0, seed=seed))
        errors.append(value(m, "drop_v") - 0.36)
    mean = sum(errors) / len(errors)
    # The lowest single sample of 2,700 with 1.8 mV of noise would be 6 mV low.
    assert abs(mean) < 2e-4
    assert max(abs(x) for x in errors) < 1e-3


def test_a_drop_beyond_the_amplifier_is_read_from_the_two_voltages() -> None:
    m = measured(Wave(flashes(6), 4.5, contact_ohm=0.4))
    assert value(m, "drop_v") == pytest.approx(1.44, abs=0.01)
    assert value(m, "contact_ohm") == pytest.approx(0.4, rel=0.01)


@pytest.mark.parametrize(("steady_a", "carried_v"), [(0.3, 0.3 * 0.05), (3.4, 3.4 * 0.05), (7.0, 3.5 * 0.05)])
def test_a_drop_is_carried_to_the_current_of_two_lamps_where_more_flows(steady_a: float, carried_v: float) -> None:
    """A plain contact is a resistance: four lamps, or two at 6 V, lose twice as much over the same one."""
    m = measured(Wave(flashes(8), 5.6, contact_ohm=0.05, steady_a=steady_a))
    assert value(m, "drop_v") == pytest.approx(0.05 * steady_a, rel=0.02, abs=5e-4)
    assert value(m, "drop_carried_v") == pytest.approx(carried_v, rel=0.02, abs=5e-4)
    drop, carried, ohm = m.values["drop_v"], m.values["drop_carried_v"], m.values["contact_ohm"]
    assert isinstance(drop, Estimate) and isinstance(carried, Estimate) and isinstance(ohm, Estimate)
    # Where it is carried, what is not known of the current comes with it.
    source = ohm if steady_a > 3.5 else drop
    assert carried.u / carried.value == pytest.approx(source.u / source.value)


def test_an_overloaded_unit_opens_while_its_lamps_are_still_in_inrush() -> None:
    m = measured(Wave(flashes(8, on_s=0.018, off_s=0.6), 5.6, contact_ohm=0.05, inrush_s=15e-3))
    end = 3.6 * (1 + 9 * 2.718281828 ** (-18 / 15))
    assert value(m, "steady_a") == pytest.approx(end, rel=0.01)
    assert value(m, "drop_v") == pytest.approx(0.05 * end, rel=0.02)
    assert value(m, "on_ratio") == pytest.approx(0.018 / 0.618, abs=2e-4)


@pytest.mark.parametrize("inrush_s", [8e-3, 15e-3])
def test_the_inrush_peak_is_carried_back_to_the_make(inrush_s: float) -> None:
    for seed in range(4):
        edges = flashes(6, first_s=0.3 + seed * 31e-6)
        m = measured(Wave(edges, 4.5, applied_s=0.29, inrush_s=inrush_s, noise=1.0, tau_s=47e-6, seed=seed))
        assert value(m, "inrush_first_a") == pytest.approx(36.0, rel=0.03)


def good_load(**changes: object) -> Wave:
    steady = expected_current_a((21.0, 21.0), 12.0, 12.45)
    return replace(Wave(flashes(12), 8.3, steady_a=steady), **changes)  # type: ignore[arg-type]


def codes(wave: Wave, conditions: Conditions = FILAMENT) -> list[str]:
    return [fault.code for fault in measured(wave, conditions=conditions).bench_faults]


def test_a_bench_in_order_shows_no_fault() -> None:
    assert codes(good_load()) == []


@pytest.mark.parametrize(
    ("changes", "code"),
    [
        ({"steady_a": 1.8}, "lamp-current"),
        ({"steady_a": 5.4}, "lamp-current"),
        ({"inrush": 0.0}, "lamps-not-cold"),
        ({"supply_v": 11.0, "steady_a": 3.3}, "supply-out-of-range"),
    ],
)
def test_faults_of_the_bench_are_named(changes: dict[str, object], code: str) -> None:
    conditions = replace(FILAMENT, supply_low_v=12.3, supply_high_v=13.3)
    assert codes(good_load(**changes), conditions) == [code]


def test_a_closed_lamp_of_led_kind_is_not_checked_against_watts() -> None:
    assert codes(good_load(steady_a=0.1, inrush=0.0), Conditions(lamps_w=(), filament=False)) == []


# A film on the contacts, by itself.


@pytest.mark.parametrize(
    ("first_ohms", "fact"),
    [
        ((), "none"),
        ((0.3, 0.25, 0.2, 0.15, 0.12), "recovered"),
        ((0.1, 0.3), "recovered"),
        ((0.11, 0.11, 0.11), "none"),
        ((0.2,) * 12, "none"),
    ],
)
def test_a_film_shows_in_the_first_flashes_alone(first_ohms: tuple[float, ...], fact: str) -> None:
    """0.36 V later: a film is higher by a tenth of a volt and by a quarter of the drop (common practice, no source)."""
    m = measured(Wave(flashes(12), 8.3, first_ohms=first_ohms), Counts())
    assert m.facts["film"] == fact
    if len(first_ohms) < 6:
        assert value(m, "film_v") == pytest.approx(3.6 * (max((0.1, *first_ohms)) - 0.1), abs=0.01)
        assert value(m, "drop_v") == pytest.approx(0.36, abs=0.002), "the film is not in the drop that is judged"


def test_a_contact_that_scatters_is_no_film() -> None:
    ohms = (0.25, 0.1, 0.3, 0.1, 0.2, 0.1, 0.3, 0.1, 0.26, 0.1, 0.28)
    m = measured(Wave(flashes(12), 8.3, first_ohms=ohms), Counts())
    assert m.facts["film"] == "none"
    assert value(m, "drop_spread_v") > 0.2


def test_without_the_first_flashes_nothing_is_known_of_a_film() -> None:
    m = measured(Wave(flashes(12), 8.3, applied_s=-1.0), Counts())
    assert m.facts["film"] == "unknown" and isinstance(m.values["film_v"], NotMeasured)


# In any flash, the first ones included.


def with_gap(edges: list[float], flash: int, gap_s: float) -> list[float]:
    """The contact opens in the middle of this flash for so long."""
    make, broke = edges[2 * flash], edges[2 * flash + 1]
    middle = 0.5 * (make + broke)
    return sorted([*edges, middle, middle + gap_s])


@pytest.mark.parametrize("flash", [1, 3, 8])
def test_a_gap_while_lit_is_a_drop_out_and_no_flash(flash: int) -> None:
    m = measured(Wave(with_gap(flashes(12), flash, 2e-3), 8.3), Counts())
    assert (value(m, "dropouts"), value(m, "missed"), value(m, "stuck")) == (1.0, 0.0, 0.0)
    assert value(m, "rate_per_min") == pytest.approx(60.0 / 0.67, abs=0.05)
    assert value(measured(Wave(flashes(12), 8.3), Counts()), "dropouts") == 0.0


@pytest.mark.parametrize("flash", [2, 3, 4])
def test_a_long_or_missing_flash_among_the_skipped_ones_counts(flash: int) -> None:
    """The averages leave the first five out, as the standards do; what may happen in any flash is looked for in all."""
    edges = flashes(12)
    stuck = [*edges[: 2 * flash + 1], *edges[2 * flash + 3 :]]
    m = measured(Wave(stuck, 8.3), Counts())
    assert (value(m, "missed"), value(m, "stuck")) == (0.0, 1.0)
    assert m.facts["behaviour"] == "irregular"
    missed = [*edges[: 2 * flash], *edges[2 * flash + 2 :]]
    m = measured(Wave(missed, 8.3), Counts())
    assert (value(m, "missed"), value(m, "stuck")) == (1.0, 0.0)
    found = m.values["missed"]
    assert isinstance(found, Estimate) and found.n >= 9, "of all flashes"


def test_the_flash_at_hand_may_be_too_long_already() -> None:
    edges = flashes(9)
    m = measured(Wave([*edges[:-1], 99.0], edges[-2] + 1.0), Counts())
    assert value(m, "stuck") == 1.0
    assert value(measured(Wave([*edges[:-1], 99.0], edges[-2] + 0.4), Counts()), "stuck") == 0.0


def test_the_first_flash_of_a_thermal_unit_is_long_by_nature() -> None:
    """Its heater is cold. That of an electronic one is not."""
    later = flashes(10, first_s=1.4)
    thermal = measured(Wave([0.3, 1.08, *later], 8.0), Counts())
    assert (thermal.facts["mechanism"], value(thermal, "stuck")) == ("thermal, closed at rest", 0.0)
    electronic = measured(Wave([0.32, 1.08, *later], 8.0), Counts())
    assert (electronic.facts["mechanism"], value(electronic, "stuck")) == ("unknown", 1.0)


def test_the_drop_is_of_all_cycles_averaged_up_to_the_twentieth_and_its_text_says_so() -> None:
    """SAE J2068 reads it after five cycles and before the twentieth; more of those than three make it surer."""
    ohms = [0.1 + 0.002 * k for k in range(30)]
    m = measured(Wave(flashes(30), 20.5, first_ohms=ohms, inrush=0.0), Counts())
    found = m.values["drop_v"]
    assert isinstance(found, Estimate) and found.n == 15
    assert found.value == pytest.approx(3.6 * sum(ohms[5:20]) / 15, abs=1e-4)
    text = QUANTITIES["drop_v"].definition
    assert "cycles averaged up to the twentieth" in text and "three" not in text
