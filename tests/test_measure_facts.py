"""Facts of waves made up: the mechanism, what of the bench was proved, the zero of the current, single events."""

from __future__ import annotations

import pytest
from test_measure import FILAMENT, codes, good_load, measured, value
from waves import Wave, flashes

from bench.measure import Conditions, Measured
from bench.uncertainty import Estimate, NotMeasured

# The mechanism, from the start.


@pytest.mark.parametrize(
    ("wave", "mechanism"),
    [
        (Wave([0.3, 1.0, *flashes(8, first_s=1.32)], 7.0), "thermal, closed at rest"),
        (Wave(flashes(9, first_s=0.77), 7.0, dark_a=0.28), "hot wire"),
        (Wave([0.3, 0.31, *flashes(8, first_s=0.76)], 7.0, dark_a=0.015), "two-coil"),
        (Wave(flashes(9, first_s=0.3015), 7.0), "electronic"),
        (Wave(flashes(9, first_s=0.3), 7.0), "unknown"),  # at once, and with a first flash like the others
        (Wave(flashes(9, first_s=0.3), 7.0, dark_a=0.28), "unknown"),  # a hot wire takes its time
        (Wave(flashes(2, first_s=0.77), 2.2, dark_a=0.28), "unknown"),  # too few
        (Wave(flashes(9, first_s=0.3015), 7.0, applied_s=-1.0), "unknown"),  # the start was not seen
        (Wave(flashes(9, first_s=0.3015), 7.0, lost_s=[(0.4, 0.45)]), "unknown"),  # nor was all of it here
    ],
)
def test_the_mechanism_from_the_start(wave: Wave, mechanism: str) -> None:
    assert measured(wave).facts["mechanism"] == mechanism


# What of the bench was proved.


def proof(m: Measured, item: str) -> tuple[bool, str]:
    (found,) = [p for p in m.proofs if p.item == item]
    return found.proved, found.text


@pytest.mark.parametrize(
    ("wave", "conditions", "proved", "text"),
    [
        (good_load(), FILAMENT, True, "100 % of the expected current"),
        (good_load(steady_a=1.8), FILAMENT, False, "50 % of the expected current"),
        (good_load(inrush=0.0), FILAMENT, False, "100 % of the expected current"),
        (Wave([98.0, 99.0], 7.0), FILAMENT, False, "nothing lit them"),
        (good_load(), Conditions(lamps_w=()), False, "their watts are not known"),
        (good_load(), Conditions(filament=False), False, "not filament lamps: their current says nothing"),
    ],
)
def test_whether_the_lamps_were_proved(wave: Wave, conditions: Conditions, proved: bool, text: str) -> None:
    assert proof(measured(wave, conditions=conditions), "lamps") == (proved, text)


def test_a_lit_bench_proves_supply_and_leads_and_a_dark_one_nothing() -> None:
    lit, dark = measured(good_load(), conditions=FILAMENT), measured(Wave([98.0, 99.0], 7.0), conditions=FILAMENT)
    assert {p.item: p.proved for p in lit.proofs} == {"lamps": True, "supply": True, "sense leads": True}
    assert {p.item: p.proved for p in dark.proofs} == {"lamps": False, "supply": False, "sense leads": False}
    assert all(p.text for p in (*lit.proofs, *dark.proofs))


@pytest.mark.parametrize("on_s", [0.05, 0.13, 0.35])
def test_a_dead_lamp_shows_in_short_flashes(on_s: float) -> None:
    """A unit that flashes fast because a lamp is out lights the other for a tenth of a second: that must not be its fault."""
    assert codes(good_load(edges=flashes(12, on_s=on_s, off_s=0.2), end_s=12 * (on_s + 0.2) + 0.3, steady_a=1.8)) == ["lamp-current"]
    assert codes(good_load(edges=flashes(12, on_s=on_s, off_s=0.2), end_s=12 * (on_s + 0.2) + 0.3)) == []


def test_a_steady_current_read_inside_the_inrush_says_so() -> None:
    """What the inrush may still add after 50 ms: 2 exp(-50 / 33) of the current (computed), as a rectangular part of the budget."""
    short = measured(good_load(edges=flashes(12, on_s=0.05, off_s=0.3), end_s=4.5), conditions=FILAMENT).values["steady_a"]
    long = measured(good_load(), conditions=FILAMENT).values["steady_a"]
    assert isinstance(short, Estimate) and isinstance(long, Estimate)
    (inside,) = [c for c in short.budget if c.source == "inrush not over"]
    assert inside.u == pytest.approx(short.value * 2.0 * 2.718281828 ** (-50 / 33) / 3**0.5, rel=0.02)
    assert inside.shape == "rectangular" and "inrush" in short.note
    assert not any(c.source == "inrush not over" for c in long.budget) and not long.note


# The zero of the current.


def test_a_leak_is_measured_and_a_drifting_zero_is_not() -> None:
    """A leak is there from the first flash and stays; a zero that moves by more than 6 mA while the unit flashes may be no leak at all."""
    leak = measured(Wave(flashes(14), 9.7, dark_a=0.02))
    assert value(leak, "dark_a") == pytest.approx(0.02, abs=1e-3)
    drifting = measured(Wave(flashes(14), 9.7, dark_a_per_s=3e-3)).values["dark_a"]
    assert isinstance(drifting, NotMeasured) and drifting.fault == "bench"
    assert "the dark current moved by" in drifting.reason and "let it warm up" in drifting.reason
    assert isinstance(measured(Wave(flashes(14), 9.7, dark_a_per_s=3e-4)).values["dark_a"], Estimate)


@pytest.mark.parametrize(("count", "told"), [(0, False), (6, False), (7, True)])
def test_a_leak_is_told_from_a_zero_that_moves_by_six_dark_states(count: int, told: bool) -> None:
    found = measured(Wave(flashes(count), 0.3 + 0.67 * count + 3.0, dark_a=0.02)).values["dark_a"]
    assert isinstance(found, Estimate)
    assert found.value == pytest.approx(0.02, abs=1e-3)
    assert (found.value - found.expanded() > 0.010) == told
    assert ("zero that moves" in found.note) != told


# Single events.


def test_a_start_says_that_it_is_one() -> None:
    m = measured(Wave(flashes(5), 4.0))
    for name in ("first_light_s", "first_extinction_s", "start_s", "start_largest_s"):
        found = m.values[name]
        assert isinstance(found, Estimate) and found.n == 1 and "one start; the next may differ" in found.note, name


def test_a_stream_that_begins_closed_has_no_make() -> None:
    """What was closed when the samples began was not seen to close: no inrush, no start, no bounce of that make."""
    m = measured(Wave([-1.0, 0.5, *flashes(9, first_s=0.82)], 7.0, applied_s=-2.0))
    assert value(m, "rate_per_min") == pytest.approx(60.0 / 0.67, abs=0.05)
    for name in ("inrush_first_a", "start_s", "first_light_s"):
        assert isinstance(m.values[name], NotMeasured), name
    found = m.values["bounce_make_s"]
    assert isinstance(found, Estimate) and found.n == 9
