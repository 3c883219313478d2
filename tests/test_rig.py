"""The rig against answers known in closed form and against scipy: filters, clamps, comparator, errors, noise."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.stats import kstest

from bench.description import scan_plan
from bench.samples import Array, accuracies
from bench.simboard.hidden import RIG_FAULTS, draw_hidden
from bench.simboard.protection import SLOW_TRIP_TAU_S, Protection, low_passed
from bench.simboard.rig import Rig, rig_description
from bench.simboard.waveform import Waveform
from bench.wire import TripCause

DESCRIPTION = rig_description(1)
TAU = 4.7e-5
PERIOD = 26e-6


def wave(t: list[float], v_in: list[float], v_out: list[float] | None = None, i_load: list[float] | None = None) -> Waveform:
    zero = [0.0] * len(t)
    return Waveform(*(np.array(x, dtype=float) for x in (t, v_in, v_out or zero, i_load or zero, zero)))


def rig(*, ideal: bool = True, seed: int = 1, faults: tuple[str, ...] = ()) -> Rig:
    errors, noise = np.random.default_rng(seed).spawn(2)
    hidden = draw_hidden(DESCRIPTION, errors, ideal=ideal)
    for name in faults:
        hidden = RIG_FAULTS[name].change(hidden)
    return Rig(DESCRIPTION, hidden, noise, 24.0)


def instants(count: int, period_s: float = PERIOD) -> Array:
    return period_s * np.arange(count, dtype=np.float64)


def readings(made: Rig, t: Array, channel: str, first: int = 0) -> tuple[Array, Array]:
    """Instants and readings of a channel among the samples at t."""
    counts = np.concatenate([made.counts(t[k : k + 1000], first + k) for k in range(0, len(t), 1000)])
    position = (first + np.arange(len(t))) % 320
    mine = np.isin(position, scan_plan(DESCRIPTION)[channel])
    r = DESCRIPTION.channels[channel].range(0)
    return t[mine], (counts[mine].astype(float) - r.zero) * r.scale


def test_a_step_goes_through_the_filter_as_an_exponential() -> None:
    made = rig()
    made.follow(wave([0.0, 0.01], [0.0, 0.0]))
    made.follow(wave([0.01, 0.01, 0.02], [0.0, 12.8, 12.8]))
    t, volts = readings(made, 0.01 + instants(300), "v_in")
    expected = 12.8 * (1.0 - np.exp(-(t - 0.01) / TAU))
    assert np.abs(volts - expected).max() <= 0.5 * 0.03596 + 1e-9


def test_any_waveform_goes_through_the_filter_as_its_differential_equation_says() -> None:
    rng = np.random.default_rng(3)
    nodes = np.sort(rng.uniform(0.0, 0.004, 60))
    nodes[[20, 40]] = nodes[[19, 39]]  # two jumps
    values = rng.uniform(0.0, 30.0, 60)
    made = rig()
    made.follow(wave([-1.0, 0.0], [0.0, 0.0]))
    t = np.concatenate(([0.0, 0.0], nodes, [0.005]))
    x = np.concatenate(([0.0, values[0]], values, [values[-1]]))
    # Cut into stretches anywhere, one inside a straight line.
    cut = 0.5 * (nodes[9] + nodes[10])
    at_cut = np.interp(cut, t, x)
    before = t <= cut
    got = []
    moments_asked = instants(190)[1:]
    for part_t, part_x, chosen in (
        (np.append(t[before], cut), np.append(x[before], at_cut), moments_asked <= cut),
        (np.insert(t[~before], 0, cut), np.insert(x[~before], 0, at_cut), moments_asked > cut),
    ):
        made.follow(wave(part_t.tolist(), part_x.tolist()))
        got.append(readings(made, moments_asked[chosen], "v_in", int(np.argmax(chosen))))
    moments = np.concatenate([g[0] for g in got])
    volts = np.concatenate([g[1] for g in got])
    # Between jumps and kinks the equation is smooth: solve it piece by piece.
    state = 0.0
    expected: dict[float, float] = {}
    for a, b, xa, xb in zip(t[:-1], t[1:], x[:-1], x[1:], strict=True):
        if b <= a:
            continue
        inside = [m for m in moments if a < m <= b]
        solved = solve_ivp(
            lambda s, y, a=a, b=b, xa=xa, xb=xb: (xa + (xb - xa) * (s - a) / (b - a) - y) / TAU,
            (a, b),
            [state],
            t_eval=[*inside, b] if b not in inside else inside,
            rtol=1e-9,
            atol=1e-9,
        )
        expected.update(zip(solved.t.tolist(), solved.y[0].tolist(), strict=True))
        state = float(solved.y[0, -1])
    assert len(moments) > 30
    assert max(abs(v - expected[m]) for m, v in zip(moments.tolist(), volts.tolist(), strict=True)) <= 0.5 * 0.03596 + 1e-6


def test_channels_clip_at_their_ends() -> None:
    made = rig()
    made.follow(wave([0.0, 0.05], [60.0, 60.0], [0.0, 0.0], [200.0, 200.0]))
    t = instants(1900)
    assert set(readings(made, t, "v_in")[1]) == {1023 * 0.03596}
    assert readings(made, t, "v_drop")[1] == pytest.approx(0.959)
    assert readings(made, t, "i_load")[1] == pytest.approx(76.72)
    assert readings(made, t, "i_load_low")[1] == pytest.approx(7.672)
    made.follow(wave([0.05, 0.05, 0.10], [60.0, 12.0, 12.0], [0.0, 12.8, 12.8], [200.0, -200.0, -200.0]))
    late = 0.06 + instants(1000)
    assert readings(made, late, "v_drop")[1] == pytest.approx(-0.064)
    assert readings(made, late, "i_load")[1] == pytest.approx(-5.12)


def test_the_drop_settles_from_its_clamp_within_three_tenths_of_a_millisecond() -> None:
    """A contact closes: 12.8 V become 0.45 V. The rig's own simulation gave 5 mV after 235 us and 1 mV after 308 us; without the
    amplifier's recovery the filter alone takes 0.731 V exp(-t / 47 us): 234 us and 310 us."""
    made = rig()
    made.follow(wave([0.0, 0.01], [12.8, 12.8]))
    made.follow(wave([0.01, 0.01, 0.03], [12.8, 12.8, 12.8], [0.0, 12.35, 12.35], [0.0, 4.0, 4.0]))
    t, drop = readings(made, 0.01 + instants(1000, 1e-6), "v_drop")
    assert drop[0] == pytest.approx(0.959)
    five = t[np.argmax(drop <= 0.455)] - 0.01
    one = t[np.argmax(drop <= 0.4515)] - 0.01
    assert five == pytest.approx(234e-6, abs=12e-6)
    assert one == pytest.approx(290e-6, abs=40e-6)


def test_a_clamp_is_left_in_the_middle_of_a_straight_line() -> None:
    made = rig()
    made.follow(wave([0.0, 0.01], [3.0, 3.0], [0.0, 0.0]))
    # The drop falls from 3 V to 0 in 10 ms: it leaves the clamp (1.181 V) long before the node.
    made.follow(wave([0.01, 0.02], [3.0, 3.0], [0.0, 3.0]))
    t, drop = readings(made, 0.01 + instants(384), "v_drop")
    clear = (t > 0.0172) & (t < 0.0199)
    assert np.abs(drop[clear] - (3.0 - 300.0 * (t[clear] - TAU - 0.01))).max() < 0.001


@pytest.mark.parametrize(
    ("v_in", "v_out", "expected"),
    [
        ([12.8] * 4, [0.0, 0.0, 12.0, 12.0], [0.5 + 6.4 / 12.0 * 0.1]),
        ([12.8] * 4, [12.0, 12.0, 0.0, 0.0], [0.0, 0.5 + 5.6 / 12.0 * 0.1]),
        ([0.0] * 4, [0.0, 0.0, 0.4, 0.4], []),
        ([0.0, 0.0, 12.8, 12.8], [0.0] * 4, []),
    ],
)
def test_the_comparator_changes_where_the_output_crosses_half_the_input(
    v_in: list[float], v_out: list[float], expected: list[float]
) -> None:
    changes = rig().follow(wave([0.0, 0.5, 0.6, 1.0], v_in, v_out))
    assert changes == pytest.approx(expected)


def test_a_jump_is_one_change_at_its_own_moment() -> None:
    made = rig()
    assert made.follow(wave([0.0, 0.25, 0.25, 0.5], [12.8] * 4, [0.0, 0.0, 12.5, 12.5])) == [0.25]
    assert made.comparator
    assert made.follow(wave([0.5, 0.5, 1.0], [12.8] * 3, [12.5, 0.0, 0.0])) == [0.5]


def test_an_ideal_rig_is_only_quantised() -> None:
    made = rig()
    made.follow(wave([0.0, 0.05], [12.8, 12.8], [12.35, 12.35], [3.6, 3.6]))
    t = instants(1900)
    for channel, true in (("v_in", 12.8), ("v_out", 12.35), ("v_drop", 0.45), ("i_load", 3.6), ("i_load_low", 3.6)):
        scale = DESCRIPTION.channels[channel].range(0).scale
        assert np.abs(readings(made, t, channel)[1] - true).max() <= 0.5 * scale + 1e-9


def test_noise_has_the_stated_deviation() -> None:
    made = rig(ideal=False, seed=2)
    made.follow(wave([0.0, 2.0], [12.8, 12.8], [12.35, 12.35], [3.6, 3.6]))
    t = instants(60_000)
    # Half a count of noise hardly blurs the steps of the converter: where the value lies between two counts shows a little.
    for channel in ("v_in", "v_out", "v_drop", "i_load_low"):
        stated = DESCRIPTION.channels[channel].range(0).noise
        assert readings(made, t, channel)[1].std() == pytest.approx(stated, rel=0.1)


def test_the_converters_errors_are_in_every_channel() -> None:
    """The standard's channel has no others, so what it shows is a part of each: correlated as the ratio of the two u."""
    boards = [draw_hidden(DESCRIPTION, np.random.default_rng([10, k])) for k in range(400)]
    standard = DESCRIPTION.channels["self_check"].range(0)
    for name in ("v_in", "v_drop", "i_load_low"):
        r = DESCRIPTION.channels[name].range(0)
        for own, shared, ratio in (
            ([b.ranges[name, 0].gain for b in boards], [b.ranges["self_check", 0].gain for b in boards], standard.u_scale / r.u_scale),
            (
                [b.ranges[name, 0].zero for b in boards],
                [b.ranges["self_check", 0].zero for b in boards],
                standard.u_zero / standard.scale * r.scale / r.u_zero,
            ),
        ):
            assert np.corrcoef(own, shared)[0, 1] == pytest.approx(min(ratio, 1.0), abs=0.12), name


def test_errors_are_drawn_from_what_the_description_states() -> None:
    """Over many boards each error over its stated u is standard normal, and the clock uniform (Kolmogorov-Smirnov)."""
    boards = [draw_hidden(DESCRIPTION, np.random.default_rng([9, k])) for k in range(400)]
    drop = DESCRIPTION.channels["v_drop"].range(0)
    for values, u in (
        ([b.ranges["v_drop", 0].gain for b in boards], drop.u_scale),
        ([b.ranges["v_drop", 0].zero for b in boards], drop.u_zero),
        ([b.ranges["v_drop", 0].line[514] for b in boards], drop.u_line),
        ([b.common["v_drop", "v_in"] for b in boards], 0.00105),
        ([b.checks["self_check"] - 3.84 for b in boards], DESCRIPTION.checks[0].u),
        ([b.ranges["self_check", 0].gain for b in boards], DESCRIPTION.channels["self_check"].range(0).u_scale),
    ):
        assert kstest(np.array(values) / u, "norm").pvalue > 0.001
    clock = np.array([b.clock_error for b in boards])
    assert kstest(clock / 0.005, "uniform", args=(-1.0, 2.0)).pvalue > 0.001


def test_zeroing_leaves_what_the_error_budget_of_the_rig_says() -> None:
    """Raw 13.5 mV, and about 1.1 mV after zeroing with the link at 12.8 V, for a drop of 0.45 V: the rig's error budget."""
    raw, zeroed = [], []
    for seed in range(60):
        made = rig(ideal=False, seed=seed)
        t = instants(1900)
        made.follow(wave([0.0, 0.05], [12.8, 12.8], [12.8, 12.8], [4.0, 4.0]))
        link = readings(made, t, "v_drop")[1].mean()
        made.follow(wave([0.05, 0.05, 0.10], [12.8] * 3, [12.8, 12.35, 12.35], [4.0] * 3))
        drop = readings(made, 0.0501 + t[:1800], "v_drop")[1].mean()
        raw.append(drop - 0.45)
        zeroed.append(drop - link - 0.45)
    assert np.std(raw) == pytest.approx(13.5e-3, rel=0.35)
    assert 0.7e-3 < np.std(zeroed) < 1.6e-3


def test_noise_does_not_depend_on_how_time_was_cut() -> None:
    t = instants(900)
    whole, parts = rig(ideal=False), rig(ideal=False)
    for made in (whole, parts):
        made.follow(wave([0.0, 0.05], [12.8, 12.8], [12.35, 12.35], [3.6, 3.6]))
    once = whole.counts(t, 0)
    cut = np.concatenate([parts.counts(t[:7], 0), parts.counts(t[7:500], 7), parts.counts(t[500:], 500)])
    assert (once == cut).all()


@pytest.mark.parametrize(
    ("fault", "channel", "seen"),
    [
        ("sense-in-broken", "v_in", 0.0),
        ("sense-in-broken", "v_drop", -0.064),
        ("sense-out-broken", "v_out", 0.0),
        ("sense-out-broken", "v_drop", 0.959),
        ("sense-leads-swapped", "v_in", 12.35),
        ("sense-leads-swapped", "v_drop", -0.064),
        ("drop-stuck", "v_drop", 0.448),
        ("reference-off", "v_in", 12.8 / 1.02),
    ],
)
def test_lead_and_converter_faults_show_as_the_rigs_design_says(fault: str, channel: str, seen: float) -> None:
    made = rig(faults=(fault,))
    made.follow(wave([0.0, 0.05], [12.8, 12.8], [12.35, 12.35], [3.6, 3.6]))
    scale = DESCRIPTION.channels[channel].range(0).scale
    assert readings(made, instants(1900), channel)[1].mean() == pytest.approx(seen, abs=scale)


def test_current_zero_drifts_and_resonator_is_off() -> None:
    made = rig(faults=("current-zero-off", "resonator-off"))
    assert made.hidden.clock_error == 0.012
    made.follow(wave([0.0, 30.0], [12.8, 12.8]))
    assert readings(made, 29.9 + instants(1900), "i_load_low")[1].mean() == pytest.approx(0.1, abs=0.008)
    made.follow(wave([30.0, 90.0], [12.8, 12.8]))
    # Drift is a straight line between nodes here, so only the end is exact.
    assert readings(made, 89.94 + instants(1900), "i_load_low")[1][-1] == pytest.approx(0.2, abs=0.008)


def test_self_test_finds_a_bad_reference_and_a_stuck_channel_only() -> None:
    assert all(rig(ideal=False, seed=k).self_test() == 0 for k in range(50))
    assert rig(faults=("reference-off",)).self_test() == 1
    assert rig(faults=("drop-stuck",)).self_test() == 2


def test_temperature_is_read_through_the_thermistor() -> None:
    made = rig(ideal=False, seed=4)
    made.ambient_c = 35.0
    made.configure(0)
    made.follow(wave([0.0, 1.0], [0.0, 0.0]))
    t = instants(38_000)
    counts = np.concatenate([made.counts(t[k : k + 1000], k) for k in range(0, len(t), 1000)])
    mine = counts[scan_plan(DESCRIPTION)["temperature"][0] :: 320].astype(float)
    curve = DESCRIPTION.channels["temperature"].curve
    assert curve is not None
    celsius = curve.temperature_c(float(mine.mean()) / 1024)
    assert celsius == pytest.approx(35.0 + made.hidden.ranges["temperature", 0].zero, abs=0.1)


# --- protection ---


def test_the_slow_latch_is_its_rc_circuit() -> None:
    t = np.sort(np.random.default_rng(2).uniform(0.0, 0.3, 40))
    x = np.random.default_rng(3).uniform(0.0, 60.0, 40)
    got = low_passed(t, x, 5.0)
    solved = solve_ivp(
        lambda s, y: (np.interp(s, t, x) - y) / SLOW_TRIP_TAU_S,
        (t[0], t[-1]),
        [5.0],
        t_eval=t,
        rtol=1e-9,
        atol=1e-9,
        max_step=1e-3,
    )
    assert got == pytest.approx(solved.y[0], abs=1e-4)


@pytest.mark.parametrize(
    ("amperes", "after_s", "cause"),
    [
        (80.0, 0.0, TripCause.LATC),
        # 48 A into 47 ms: 30 A after 47 ms ln(48 / 18) = 46.1 ms (the rig's simulation of a shorted lamp at 6.4 V gave 41 ms).
        (48.0, SLOW_TRIP_TAU_S * math.log(48 / 18), TripCause.LATC),
        (10.0, 0.2, TripCause.CURR),
    ],
)
def test_trips_come_when_they_must(amperes: float, after_s: float, cause: TripCause) -> None:
    protection = Protection()
    t = np.concatenate(([0.0, 0.1], np.arange(0.1, 0.6, 0.001)))
    current = np.where(np.arange(len(t)) >= 2, amperes, 0.0)
    trip = protection.watch(wave(t.tolist(), [12.0] * len(t), None, current.tolist()), 9.0, 0.2, 36.0, tripped=False)
    assert trip is not None and trip.cause is cause
    assert trip.t_s - 0.1 == pytest.approx(after_s, abs=0.0015)


def test_the_delay_runs_across_stretches_and_begins_anew_after_a_gap() -> None:
    protection = Protection()

    def show(begin: float, end: float, amperes: float) -> object:
        return protection.watch(wave([begin, end], [12.0] * 2, None, [amperes] * 2), 5.0, 0.05, 36.0, tripped=False)

    assert show(0.00, 0.03, 6.0) is None
    assert show(0.03, 0.04, 4.0) is None
    assert show(0.04, 0.08, -6.0) is None
    trip = show(0.08, 0.12, 6.0)
    assert trip == (pytest.approx(0.09), TripCause.CURR)


def test_a_supply_at_the_top_of_the_range_for_ten_milliseconds_trips() -> None:
    supply = wave([0.0, 0.1, 0.1, 0.109, 0.109, 0.2, 0.2, 0.3], [12.0, 12.0, 18.8, 18.8, 12.0, 12.0, 19.0, 19.0])
    trip = Protection().watch(supply, 75.0, 0.05, 18.8, tripped=False)
    assert trip is not None and trip.cause is TripCause.SUPP
    assert trip.t_s == pytest.approx(0.21)


def test_faults_are_changes_of_the_model_and_described() -> None:
    sound = draw_hidden(DESCRIPTION, np.random.default_rng(1))
    assert len(RIG_FAULTS) >= 5
    for fault in RIG_FAULTS.values():
        assert fault.text
        changed = fault.change(sound)
        assert replace(changed, ranges={}) != replace(sound, ranges={})


def test_two_readings_near_each_other_are_off_together_by_no_more_than_is_stated() -> None:
    """Linearity of 400 boards at some distances from the reading of zero. (Further apart than a tenth of the range the five harmonics of
    these boards lean to opposite sides, by up to a sixth more than independent errors do.)"""
    stated = accuracies(DESCRIPTION, 0)["v_drop"]
    lines = np.array([draw_hidden(DESCRIPTION, np.random.default_rng(seed)).ranges["v_drop", 0].line for seed in range(400)])
    for volts in (0.02, 0.03, 0.04, 0.05, 0.06):
        code = 64 + round(volts / 0.001)
        apart = float((lines[:, code] - lines[:, 64]).std())
        (part,) = [one.u for one in stated.parts("v_drop", volts, {}, 1e-5) if "linearity" in one.source]
        assert apart < 1.05 * part < 1.25 * apart, volts
