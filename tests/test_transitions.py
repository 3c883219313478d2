"""Transitions found in waveforms whose edges are known by construction."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from square_waves import FLASH, Seen
from waves import CHANNELS, Wave, flashes

from bench.samples import Block, Trace
from bench.transitions import Change, Gap, Interruption, SupplyEdge, Transition, TransitionFinder


def changes(wave: Wave, scans: int = 32, floor: float = 3.6) -> list[Change]:
    finder = TransitionFinder(supply_floor_v=floor, tau_s=wave.tau_s, noise_v=0.009 * wave.noise)
    found = [change for block in wave.blocks(scans) for change in finder.feed(block)]
    return found + finder.flush()


def edges(found: list[Change]) -> list[Transition]:
    return [c for c in found if isinstance(c, Transition)]


def test_a_trapezoid_has_its_50_percent_instants_pulse_duration_and_duty_factor() -> None:
    # IEEE Std 181 terms; exact by construction: 0 to 10 V, period 1 s, up 0.200-0.210, down 0.610-0.630:
    # mid instants 0.205 and 0.620, pulse duration 0.415 s, duty factor 0.415.
    t = np.arange(0.0, 4.0, 1e-3)
    v = np.interp(t % 1.0, [0.0, 0.200, 0.210, 0.610, 0.630, 1.0], [0.0, 0.0, 10.0, 10.0, 0.0, 0.0])
    finder = TransitionFinder(supply_floor_v=3.0, v_in_v=10.0)
    found = finder.feed(Block(0.0, 4.0, {"v_out": Trace(t, v)})) + finder.flush()
    instants = [c.t_s for c in edges(found)]
    assert instants == pytest.approx([k + x for k in range(4) for x in (0.205, 0.620)], abs=1e-9)
    durations = np.array(instants[1::2]) - np.array(instants[::2])
    assert durations == pytest.approx(0.415, abs=1e-9)
    assert durations[:-1] / np.diff(instants[::2]) == pytest.approx(0.415, abs=1e-9)


@pytest.mark.parametrize("tau_s", [0.0, 47e-6])
@pytest.mark.parametrize("inrush", [0.0, 9.0])
def test_edges_lie_where_they_are_whatever_the_inrush_and_the_filter(tau_s: float, inrush: float) -> None:
    wave = Wave(flashes(9, on_s=0.3531, off_s=0.3177), 6.5, tau_s=tau_s, inrush=inrush, noise=1.0)
    found = edges(changes(wave))
    # One edge lies in the future of the record's last samples or is the supply's own: compare those inside.
    assert [c.closed for c in found] == [True, False] * 9
    tolerance = 12e-6 if tau_s else 130e-6
    for change, truth in zip(found, wave.edges, strict=True):
        assert change.t_s == pytest.approx(truth, abs=tolerance)


@given(scans=st.integers(1, 400))
@settings(max_examples=5)
def test_the_cut_of_the_stream_changes_nothing(scans: int) -> None:
    wave = Wave([0.3, 0.3102, 0.77, 1.06, 1.5, 1.5007, 1.5011, 1.83], 2.2, tau_s=47e-6, dark_a=0.3)
    cut, whole = changes(wave, scans), changes(wave, 32)
    assert [type(c) for c in cut] == [type(c) for c in whole]
    for a, b in zip(cut, whole, strict=True):
        # Sums over the same samples may round differently with their place in memory.
        assert a.t_s == pytest.approx(b.t_s, abs=1e-12)
        assert getattr(a, "again_s", ()) == pytest.approx(getattr(b, "again_s", ()), abs=1e-12)


def test_bounce_belongs_to_its_transition_and_a_short_gap_is_no_transition() -> None:
    wave = Wave([0.3, 0.3005, 0.3012, 0.3018, 0.3021, 0.65, 0.6504, 0.651, 1.0, 1.2, 1.2007, 1.4], 1.6, inrush=0.0)
    found = changes(wave)
    make, broke = edges(found)[:2]
    assert make.closed
    assert make.t_s == pytest.approx(0.3, abs=1.3e-4)
    assert make.bounce_s == pytest.approx(2.1e-3, abs=1.5e-4)
    assert len(make.again_s) == 4
    assert not broke.closed
    assert broke.t_s == pytest.approx(0.65, abs=1e-4)
    assert broke.bounce_s == pytest.approx(1.0e-3, abs=1.5e-4)
    drop_outs = [c for c in found if isinstance(c, Interruption)]
    assert [(c.closed, round(c.t_s, 3)) for c in drop_outs] == [(True, 1.2)]
    assert len(edges(found)) == 4


def test_a_leaking_unit_on_an_led_lamp_is_open_although_its_output_floats_high() -> None:
    wave = Wave(flashes(6), 4.3, steady_a=0.1, inrush=0.0, dark_a=0.005, open_ratio=0.7)
    found = edges(changes(wave))
    assert [c.closed for c in found] == [True, False] * 6
    for change, truth in zip(found, wave.edges, strict=True):
        assert change.t_s == pytest.approx(truth, abs=1.3e-4)


def test_a_dark_start_through_a_leak_waits_until_it_is_clear_which_level_is_which() -> None:
    wave = Wave(flashes(5, first_s=0.9), 4.5, steady_a=0.1, inrush=0.0, dark_a=0.005, open_ratio=0.7)
    found = edges(changes(wave))
    assert [c.closed for c in found] == [True, False] * 5
    assert found[0].t_s == pytest.approx(0.9, abs=1.3e-4)


def test_a_burnt_contact_is_closed_although_its_output_is_low() -> None:
    wave = Wave(flashes(6), 4.3, contact_ohm=1.4, steady_a=3.0, inrush=0.5)
    found = edges(changes(wave))
    assert [c.closed for c in found] == [True, False] * 6


def test_a_gap_is_said_and_nothing_is_found_across_it() -> None:
    wave = Wave(flashes(6), 4.3, lost_s=[(1.2, 1.3)])
    found = changes(wave)
    gaps = [c for c in found if isinstance(c, Gap)]
    assert len(gaps) == 1
    assert gaps[0].t_s < 1.2 and gaps[0].end_s > 1.3
    assert not [c for c in edges(found) if gaps[0].t_s < c.t_s < gaps[0].end_s]


def test_the_supply_comes_and_goes() -> None:
    wave = Wave([0.5, 1.0], 1.5, applied_s=0.4, tau_s=47e-6)
    supply = [c for c in changes(wave) if isinstance(c, SupplyEdge)]
    assert [c.on for c in supply] == [True]
    assert supply[0].t_s == pytest.approx(0.4, abs=5e-6)


@pytest.mark.parametrize("supply_v", [6.4, 12.8, 18.0])
def test_6_and_12_volts_and_more_are_alike(supply_v: float) -> None:
    wave = Wave(flashes(4), 3.0, supply_v=supply_v, noise=1.0, tau_s=47e-6, contact_ohm=0.05)
    assert len(edges(changes(wave, floor=0.3 * supply_v))) == 8


def test_a_recording_without_the_inputs_voltage_is_judged_against_a_fixed_one() -> None:
    wave = Wave(flashes(4), 3.0)
    finder = TransitionFinder(supply_floor_v=3.0, v_in_v=12.8)
    found: list[Change] = []
    for block in wave.blocks():
        found += finder.feed(Block(block.begin_s, block.end_s, {"v_out": block.traces["v_out"]}, block.gap_before))
    assert len(edges(found + finder.flush())) == 8
    assert "v_in" in CHANNELS


@pytest.mark.parametrize("current", [True, False])
@pytest.mark.parametrize("kind", ["leak", "film"])
@pytest.mark.parametrize("rate", [250.0, 100.0, 50.0])
def test_slow_recordings_show_every_transition_of_a_contact_between_the_levels(rate: float, kind: str, current: bool) -> None:
    """Groups of samples last longer there than at the rig's rate, so a level has stood long enough after fewer of them."""
    rng = np.random.default_rng(5)
    for _ in range(12):
        # Between supply and first light a leak must have stood for a group of samples too.
        level, first = float(rng.uniform(0.3, 0.75)), 0.3 + float(rng.uniform(0.16, 0.8))
        on_s, off_s = (float(s) for s in rng.uniform(0.15, 0.45, 2))
        made, end_s = flashes(12, first_s=first, on_s=on_s, off_s=off_s), first + 12 * (on_s + off_s) + 0.5
        wave = Wave(made, end_s, scan_s=1.0 / rate, noise=1.0, steady_a=0.1, inrush=0.0, dark_a=0.005, open_ratio=level)
        if kind == "film":
            wave = Wave(made, end_s, scan_s=1.0 / rate, noise=1.0, steady_a=3.0, inrush=0.3, contact_ohm=(1.0 - level) * 12.8 / 3.0)
        names = CHANNELS if current else ("v_in", "v_out")
        blocks = [Block(b.begin_s, b.end_s, {name: b.traces[name] for name in names}, b.gap_before) for b in wave.blocks()]
        finder = TransitionFinder(supply_floor_v=3.6, noise_v=0.009)
        found = edges([change for block in blocks for change in finder.feed(block)] + finder.flush())
        assert [c.closed for c in found] == [True, False] * 12
        assert [c.t_s for c in found] == pytest.approx(wave.edges, abs=1.0 / rate)


@pytest.mark.parametrize(("step_s", "least_s", "most_s"), [(130e-6, 0.0, 60e-6), (520e-6, 150.0e-6, 150.2e-6)])
def test_slow_samples_say_no_better_than_their_interval_when_a_contact_that_may_bounce_closed(
    step_s: float, least_s: float, most_s: float
) -> None:
    """A step behind a filter of 47 us leaves a sample part-way; of two contacts within 520 us it is that of the later one, and the first
    may lie anywhere within them: 520 us / sqrt(12)."""
    seen = Seen(FLASH, step_s=step_s, tau_s=47e-6)
    assert len(seen.of(Transition)) == 4
    for change in seen.of(Transition):
        assert least_s < change.u_s < most_s
