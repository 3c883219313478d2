"""Values and budgets of cycles written by hand: every component against its own sum."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hand_evidence import (
    ACCURACY,
    CORRECTED,
    NOT_CORRECTED,
    STEADY_A,
    cycles,
    estimate,
    evidence,
    lit,
    measured,
    near,
    parts,
    reason,
)
from scipy import stats

from bench.measure import Counts
from bench.measure.flash_table import flash_table
from bench.measure.steadiness import is_irregular
from bench.readings import Reading
from bench.samples import Timing
from bench.uncertainty import Component, Estimate, NotMeasured

ON_S, OFF_S = (0.35, 0.36, 0.34, 0.33), (0.31, 0.32, 0.34, 0.30)
UNEVEN = list(zip(ON_S, OFF_S, strict=True))
STEADY = [(0.4, 0.3)] * 4
OWN_U = 2.9e-3


def scatter(found: Estimate) -> Component:
    (one,) = [c for c in found.budget if "scatter of" in c.source]
    return one


# Rates and durations.


def test_rates_and_durations_are_means_with_the_scatter_of_the_cycles() -> None:
    m = measured(cycles(UNEVEN[:3]))
    periods = np.add(ON_S, OFF_S)[:3]
    for name, values in (
        ("rate_per_min", 60.0 / periods),
        ("on_ratio", np.array(ON_S[:3]) / periods),
        ("on_s", np.array(ON_S[:3])),
        ("off_s", np.array(OFF_S[:3])),
    ):
        found = estimate(m, name)
        assert (found.value, found.n) == (near(values.mean()), 3), name
        assert scatter(found).u == near(stats.sem(values)), name
        assert (scatter(found).dof, scatter(found).kind) == (2.0, "A"), name
    total = estimate(m, "rate_total_per_min")
    assert total.value == near(60.0 / periods.mean())
    assert scatter(total).u == near(total.value * stats.sem(periods) / periods.mean())


@pytest.mark.parametrize("name", ["rate_per_min", "rate_total_per_min", "on_s", "off_s"])
def test_an_uncorrected_clock_is_in_every_rate_and_duration_and_in_no_ratio(name: str) -> None:
    m = measured(cycles(UNEVEN))
    found = estimate(m, name)
    own = parts(found)["own tolerance"]
    assert (own.u, own.shape, own.dof) == (near(found.value * OWN_U), "rectangular", math.inf)
    assert "own tolerance" not in parts(estimate(m, "on_ratio"))
    assert reason(m, "clock_error") == NOT_CORRECTED.text


def test_a_clock_that_is_slow_lengthens_durations_and_lowers_rates() -> None:
    """The board's seconds are 0.4 % too short: 0.35 s by it are 0.3514 s."""
    plain, found = measured(cycles(UNEVEN)), measured(cycles(UNEVEN), clock=CORRECTED)
    factors = {"rate_per_min": 1 / 1.004, "rate_total_per_min": 1 / 1.004, "on_s": 1.004, "off_s": 1.004, "on_ratio": 1.0}
    for name, factor in factors.items():
        assert estimate(found, name).value == near(factor * estimate(plain, name).value), name
        assert scatter(estimate(found, name)).u == near(factor * scatter(estimate(plain, name)).u, rel=0.005), name
    on = parts(estimate(found, "on_s"))
    value = estimate(found, "on_s").value
    fit, host = on["fit"], on["host"]
    assert (fit.u, fit.dof, fit.kind) == (near(2e-5 * value), 9.0, "A")
    assert (host.u, host.shape) == (near(3e-5 * value), "rectangular")
    error = estimate(found, "clock_error")
    assert (error.value, error.budget) == (4e-3, CORRECTED.parts)


def test_single_instants_enter_a_rate_once_and_a_pulse_at_both_ends() -> None:
    """A mean of neighbouring periods has but two instants of its own, first and last; a pulse has a make and a break."""
    make_u, break_u = 50e-6, 70e-6
    m = measured(cycles(STEADY, make_u_s=make_u, break_u_s=break_u))
    total_s = 4 * 0.7
    for name in ("rate_per_min", "rate_total_per_min"):
        assert parts(estimate(m, name))["instants of make"].u == near(60.0 / 0.7 * math.sqrt(2.0) * make_u / total_s)
    for name in ("on_s", "off_s"):
        assert parts(estimate(m, name))["make against break"].u == near(math.hypot(make_u, break_u))
    assert parts(estimate(m, "on_ratio"))["make against break"].u == near(math.hypot(make_u, break_u) / 0.7)


def test_the_typical_instant_counts_and_not_the_worst() -> None:
    made = cycles(STEADY, make_u_s=50e-6, break_u_s=70e-6)
    made[1] = replace(made[1], begun=replace(made[1].begun, u_s=0.01), broke=replace(made[1].broke, u_s=0.01))
    assert parts(estimate(measured(made), "on_s"))["make against break"].u == near(86e-6, rel=0.01)


@pytest.mark.parametrize(
    ("ratios", "share"),
    [
        ((0.31, 0.32, 0.33, 0.34), 2.0),  # lag 1 correlation 0.25, and 1 / 4 for the mean taken off: 1 + 2 x 0.5
        ((0.31, 0.34, 0.31, 0.34), 0.08),  # neighbours undo each other: kept from below 0.08
        ((0.31, 0.32, 0.34), 1.0),  # too few to tell
    ],
)
def test_neighbours_that_hang_together_make_a_mean_worse_or_better(ratios: tuple[float, ...], share: float) -> None:
    """Variance of a mean over that of independent values: 1 + 2 r (GUM C.3.5), r from the cycles."""
    found = estimate(measured(cycles([(r, 1.0 - r) for r in ratios])), "on_ratio")
    assert scatter(found).u == near(math.sqrt(share) * stats.sem(ratios))


def test_a_rate_is_never_made_better_by_its_neighbours() -> None:
    periods = (0.71, 0.74, 0.71, 0.74)
    found = estimate(measured(cycles([(0.3, p - 0.3) for p in periods])), "rate_per_min")
    assert scatter(found).u == near(stats.sem([60.0 / p for p in periods]))
    rising = (0.71, 0.72, 0.73, 0.74)
    total = estimate(measured(cycles([(0.3, p - 0.3) for p in rising])), "rate_total_per_min")
    assert scatter(total).u == near(total.value * math.sqrt(2.0) * stats.sem(rising) / 0.725)


def test_too_few_cycles_say_how_many_there_are_and_whose_fault_it_is() -> None:
    few = measured(cycles(STEADY), Counts(3, 4))
    assert reason(few, "rate_per_min") == "4 complete cycles seen, 7 needed"
    broken = measured(cycles(STEADY), Counts(3, 4), cycles_broken=2).values["rate_per_min"]
    assert isinstance(broken, NotMeasured) and broken.fault == "bench"
    assert few.values["rate_per_min"] == NotMeasured("4 complete cycles seen, 7 needed", "none")
    still = measured([], closed_now=True, begun=cycles(STEADY)[0].begun, now_s=9.0, starts=[], cycles_broken=1)
    assert still.values["on_s"] == NotMeasured("the unit did not flash: steady on", "none")


def test_cycles_that_are_no_longer_kept_count_as_skipped() -> None:
    slow = [(0.5, 0.5)] * 2 + [(0.3, 0.3)] * 3
    assert estimate(measured(cycles(slow), Counts(5, 3), cycles_before=3), "rate_per_min").value == near(100.0)
    assert reason(measured(cycles(slow[2:]), Counts(5, 3), cycles_before=4), "on_s") == "7 complete cycles seen, 8 needed"
    assert estimate(measured(cycles(slow), Counts(0, 2, 2)), "rate_per_min").value == near(60.0)


# Starting.


def test_a_start_is_known_by_two_instants_and_the_clock() -> None:
    m = measured(cycles(STEADY, first_s=0.75), clock=CORRECTED)
    found = estimate(m, "first_light_s")
    assert found.value == near(0.45 * 1.004)
    assert [(c.source, c.u) for c in found.budget[:2]] == [("instant of the event", 5e-6), ("instant of supply", 3e-6)]
    assert [c.u for c in found.budget[2:]] == near([2e-5 * found.value, 3e-5 * found.value])
    out = estimate(m, "first_extinction_s")
    assert (out.value, out.budget[0].u) == (near(0.85 * 1.004), 7e-6)
    assert m.values["start_s"] == m.values["start_largest_s"] == out
    at_once = measured(cycles(STEADY, first_s=0.2999))
    assert estimate(at_once, "first_light_s").value == 0.0, "seen a tenth of a millisecond early, it came at once"


def test_why_there_is_no_start() -> None:
    made = cycles(STEADY)
    dark_only = measured([], starts=[], begun=None, closed_now=False, now_s=9.0)
    assert {reason(dark_only, name) for name in ("first_light_s", "first_extinction_s", "start_s")} == {"no light came"}
    lit_only = measured([], starts=[made[0].begun], begun=made[0].begun, closed_now=True, now_s=9.0)
    assert reason(lit_only, "first_extinction_s") == "the light did not go out"
    assert reason(lit_only, "start_s") == "the unit did not open"
    assert measured(made, lost_at_start=True).values["start_s"] == NotMeasured("samples were lost during the start", "bench")


# Bounce.


def test_the_worst_bounce_counts_with_both_its_ends_and_the_gaps_between_samples() -> None:
    made = cycles(STEADY, make_u_s=40e-6, break_u_s=30e-6)
    made[1] = replace(made[1], begun=replace(made[1].begun, again_s=(made[1].begun.t_s + 1e-3, made[1].begun.t_s + 2e-3)))
    made[2] = replace(made[2], broke=replace(made[2].broke, again_s=(made[2].broke.t_s + 5e-4, made[2].broke.t_s + 7e-4)))
    m = measured(made, interval_s=160e-6, clock=CORRECTED)
    for name, seconds, u, n in (("bounce_make_s", 2e-3, 40e-6, 5), ("bounce_break_s", 7e-4, 30e-6, 4)):
        found = estimate(m, name)
        assert (found.value, found.n) == (near(seconds * 1.004), n)
        by_source = parts(found)
        assert by_source["first and last crossing"].u == near(math.sqrt(2.0) * u)
        assert by_source["gaps between samples"].u == near(20e-6)
        assert by_source["fit"].u == near(found.value * 2e-5)
    nothing = measured([], starts=[], begun=None, closed_now=False)
    assert reason(nothing, "bounce_make_s") == reason(nothing, "bounce_break_s") == "no such transition was seen"


# Steadiness.


def test_spread_and_trend_are_those_of_numpy_and_scipy() -> None:
    rng = np.random.default_rng(5)
    periods = 0.7 + 0.02 * rng.standard_normal(12)
    volts = 0.3 + 0.01 * rng.standard_normal(12)
    made = cycles([(0.3, p - 0.3) for p in periods], [lit(drop=Reading(float(v), 1e-4, 9)) for v in volts])
    m = measured(made, clock=CORRECTED)
    spread = np.std(periods, ddof=1) / periods.mean()
    found = estimate(m, "period_spread")
    assert (found.value, found.dof) == (near(spread), near(11.0))
    scattered = estimate(m, "drop_spread_v")
    # Less what two readings differ by for the counts alone: of u_line, sqrt(2) x 0.14 (neighbours on the scale).
    apart = math.sqrt(2.0) * 0.14 * ACCURACY["v_drop"].u_line
    assert scattered.value == near(math.sqrt(np.var(volts, ddof=1) - apart**2))
    minutes = (np.cumsum(periods) - periods) * 1.004 / 60.0
    for name, y in (("rate_drift_per_min2", 60.0 / (periods * 1.004)), ("drop_trend_v_per_min", volts)):
        line = stats.linregress(minutes, y)
        trend = estimate(m, name)
        assert trend.value == near(line.slope), name
        residual = y - line.intercept - line.slope * minutes
        together = 1.0 + 2.0 * (float(residual[1:] @ residual[:-1]) / 11.0 / float(np.var(residual, ddof=1)) + 1.0 / 12.0)
        assert trend.budget[0].u == near(line.stderr * math.sqrt(max(1.0, together))), name
        assert (trend.dof, trend.n) == (near(10.0), 12), name


@pytest.mark.parametrize("n", [3, 4, 6, 12, 40, 100])
def test_the_interval_of_a_spread_holds_the_true_one_as_often_as_it_says(n: int) -> None:
    """The variance of n normal values follows the chi-squared distribution of n - 1 degrees of freedom."""
    periods = 0.7 + 0.01 * np.resize([1.0, -1.0], n)
    found = estimate(measured(cycles([(0.3, p - 0.3) for p in periods], make_u_s=0.0)), "period_spread")
    wide = found.expanded() / found.value
    # It holds the truth 1 if s (1 - wide) <= 1 <= s (1 + wide).
    most = math.inf if wide >= 1.0 else 1.0 / (1.0 - wide)
    holds = stats.chi2.cdf((n - 1) * most**2, n - 1) - stats.chi2.cdf((n - 1) / (1.0 + wide) ** 2, n - 1)
    assert holds == near(0.95, abs=0.02)


@pytest.mark.parametrize(("sway_s", "make_u_s"), [(0.01, 1e-6), (0.01, 5e-3), (1e-4, 5e-4)])
def test_what_instants_scatter_by_is_not_the_units(sway_s: float, make_u_s: float) -> None:
    """A period has two instants of make: 2 u^2 of the variance read is theirs."""
    periods = 0.7 + sway_s * np.resize([1.0, -1.0], 12)
    found = estimate(measured(cycles([(0.3, p - 0.3) for p in periods], make_u_s=make_u_s)), "period_spread")
    own = max(float(np.var(periods, ddof=1)) - 2.0 * make_u_s**2, 0.0)
    assert found.value == near(math.sqrt(own) / 0.7, abs=1e-12)
    if own == 0.0:
        # The variance of 12 readings is known to sqrt(2 / 11) of itself: so large may the unit's be.
        assert found.u == near(math.sqrt(math.sqrt(2.0 / 11.0) * 2.0 * make_u_s**2) / 0.7)


@pytest.mark.parametrize("n", [4, 10])
def test_scatter_of_instants_is_counted_once(n: int) -> None:
    """Where the durations scatter by more than their instants, both parts together are the scatter read."""
    ons = 0.4 + 1e-3 * np.resize([1.0, -1.0], n)
    m = measured(cycles([(on, 0.7 - on) for on in ons], make_u_s=3e-4, break_u_s=4e-4))
    for name, values in (("on_s", ons), ("off_s", 0.7 - ons)):
        found = parts(estimate(m, name))
        assert found["make against break"].u == near(5e-4 / math.sqrt(n)), name
        assert math.hypot(scatter(estimate(m, name)).u, 5e-4 / math.sqrt(n)) == near(stats.sem(values)), name


def test_instants_that_met_the_samples_alike_are_not_averaged() -> None:
    """No scatter at all says that every flash began at the same place between two samples: what that is off by stays."""
    m = measured(cycles(STEADY, make_u_s=3e-4, break_u_s=4e-4))
    assert parts(estimate(m, "on_s"))["make against break"].u == near(5e-4)
    half = 0.4 + 2.5e-4 * math.sqrt(3 / 4) * np.array([1.0, -1.0, 1.0, -1.0])  # s = u / 2
    kept = parts(estimate(measured(cycles([(on, 0.3) for on in half], make_u_s=3e-4, break_u_s=4e-4)), "on_s"))
    assert kept["make against break"].u == near(5e-4 * math.sqrt(0.75 + 0.25 / 4))
    # Of four cycles the variance is known to sqrt(2 / 3): so much of what was read may be the unit's.
    assert kept["scatter of 4 on durations"].u == near(math.sqrt(math.sqrt(2 / 3) * 2.5e-4**2 / 4))


def test_edges_that_take_their_time_are_off_the_same_way_in_every_flash() -> None:
    made = [replace(c, begun=replace(c.begun, soft_s=3e-4), broke=replace(c.broke, soft_s=4e-4)) for c in cycles(UNEVEN)]
    source = "make and break take their time"
    assert [parts(estimate(measured(made), name))[source].u for name in ("on_s", "off_s")] == near([5e-4, 5e-4])
    assert parts(estimate(measured(made), "on_ratio"))[source].u == near(5e-4 / (sum(ON_S + OFF_S) / 4))
    assert source not in parts(estimate(measured(made), "rate_per_min")), "from make to make it is the same"


def test_input_and_output_that_are_not_sampled_together_make_a_start_worse() -> None:
    found = parts(estimate(measured(cycles(STEADY, first_s=0.75), timing=Timing(skew_s=6e-4)), "start_s"))
    skew = found["input and output not sampled together"]
    assert (skew.u, skew.shape) == (near(6e-4 / math.sqrt(3.0)), "rectangular")
    assert skew.source not in parts(estimate(measured(cycles(STEADY, first_s=0.75)), "start_s"))


def test_a_trend_of_readings_too_coarse_to_scatter_is_known_no_better_than_they_are() -> None:
    """Drops all alike, in counts of 5.3e-4 V: what lies between two counts is unseen."""
    m = measured(cycles([(0.4, 0.3)] * 10))
    minutes = np.arange(10) * 0.7 / 60.0
    sxx = float(((minutes - minutes.mean()) ** 2).sum())
    found = estimate(m, "drop_trend_v_per_min")
    assert (found.value, found.u) == (near(0.0, abs=1e-12), near(5.3e-4 / math.sqrt(sxx)))
    drift = estimate(m, "rate_drift_per_min2")
    assert drift.u == near(60.0 / 0.49 * math.sqrt(2.0) * 5e-6 / math.sqrt(sxx), rel=1e-4)


def test_a_trend_needs_eight_cycles_and_a_spread_three() -> None:
    seven = measured(cycles([(0.4, 0.3)] * 7))
    assert reason(seven, "rate_drift_per_min2") == "7 cycles are too few for a trend, 8 needed"
    assert isinstance(measured(cycles([(0.4, 0.3)] * 8)).values["rate_drift_per_min2"], Estimate)
    two = measured(cycles(STEADY[:2]), Counts(0, 2))
    assert {reason(two, name) for name in ("period_spread", "drop_spread_v", "drop_trend_v_per_min")} == {"too few cycles"}
    assert estimate(measured(cycles(STEADY[:3])), "period_spread").value == near(0.0, abs=1e-12)
    lits = [lit(), lit(), lit(drop=None)]
    assert reason(measured(cycles(STEADY[:3], lits)), "drop_spread_v") == "too few flashes with a readable drop"


def test_the_conditions_of_this_file_are_those_of_a_bench_in_order() -> None:
    m = measured(cycles([(0.4, 0.3)] * 8))
    assert not m.bench_faults and all(p.proved for p in m.proofs)


# The flashes one by one.


def test_a_table_of_flashes_has_what_was_read_corrected_as_the_means_are() -> None:
    """The board's seconds are 0.4 % too short, the drop amplifier shows 12 mV at rest and 0.2 % of the input."""
    lits = [lit(drop=Reading(0.3, 1e-4, 9), supply=12.5), lit(drop=Reading(1.4, 1e-4, 9), by_difference=True), lit(drop=None, peak=None)]
    made = cycles(UNEVEN[:3], lits, first_s=0.75)
    made[1] = replace(made[1], begun=replace(made[1].begun, again_s=(made[1].begun.t_s + 2e-3,)))
    made[2] = replace(made[2], broke=replace(made[2].broke, again_s=(made[2].broke.t_s + 1e-3,)))
    e = evidence(made, clock=CORRECTED, rest={"v_drop": Reading(0.012, 1e-5, 7000)}, cycles_before=4)
    table = flash_table(e, 0.1)
    assert (table.first, table.from_supply, len(table)) == (5, True, 3)
    assert table.make_s == near((0.45 * 1.004, 1.11 * 1.004, 1.79 * 1.004), abs=1e-6)
    assert table.on_s == near([1.004 * s for s in ON_S[:3]], abs=1e-6) and table.off_s == near([1.004 * s for s in OFF_S[:3]], abs=1e-6)
    assert table.period_s == near([1.004 * (a + b) for a, b in UNEVEN[:3]], abs=1e-6)
    assert table.drop_v == (near(0.3 - 0.012 - 0.025, abs=1e-4), near(1.4), None)
    assert (table.inrush_a, table.steady_a) == ((36.0, 36.0, None), near([round(STEADY_A, 4)] * 3))
    assert (table.supply_v, table.lamp_v) == (near((12.5, 12.81, 12.81)), near([12.45] * 3))
    assert table.bounce_make_s == near((0.0, 2.008e-3, 0.0)) and table.bounce_break_s == near((0.0, 0.0, 1.004e-3))
    unseen = flash_table(replace(e, applied=None, accuracies=ACCURACY), 0.1)
    assert (unseen.from_supply, unseen.make_s[0]) == (False, near(0.65 * 1.004, abs=1e-6))
    blank = table.without(("drop_v", "on_s"))
    assert blank.drop_v == blank.on_s == (None,) * 3 and blank.off_s == table.off_s
    with pytest.raises(ValueError, match="differ in length: 3 make_s, 2 on_s"):
        replace(table, on_s=table.on_s[:2])
    no_supply = flash_table(evidence(cycles(UNEVEN[:1], lit(supply=None, drop=Reading(0.3, 1e-4, 9)))), 0.0)
    assert no_supply.drop_v == (0.3,) and no_supply.supply_v == (None,)


def test_a_table_of_flashes_has_microseconds_and_tenths_of_millivolts() -> None:
    table = flash_table(evidence(cycles([(0.1234567, 0.3)], lit(supply=12.34567, lamp=12.12344, steady=3.45678, peak=36.12344))), 0.0)
    assert table.on_s == (0.123457,)
    assert (table.supply_v, table.lamp_v, table.steady_a, table.inrush_a) == ((12.3457,), (12.1234,), (3.4568,), (36.1234,))


def test_flashes_that_a_film_made_long_are_not_held_against_the_unit() -> None:
    """A thermal unit's heater gets less while a film lies on its contacts; what must be alike begins where the film has gone."""
    filmed, clean = 6, 22
    flashes = [(0.7, 0.3)] * filmed + [(0.4, 0.3)] * clean
    lits = [lit(drop=0.36 + 0.8 * math.exp(-k / 2.0)) for k in range(filmed)] + [lit(drop=0.36)] * clean  # 0.07 V too high in the sixth
    m = measured(cycles(flashes, lits))
    assert m.facts["film"] == "recovered"
    assert (estimate(m, "stuck").value, estimate(m, "stuck").n) == (0.0, clean)
    assert estimate(measured(cycles(flashes, lit())), "stuck").value == filmed - 1, "without a film"


@pytest.mark.parametrize(("on_s", "long"), [(0.45, 0), (0.51, 0), (0.54, 1)])
def test_a_long_flash_is_long_whatever_its_instants_and_the_usual_ones_are_off_by(on_s: float, long: int) -> None:
    """Instants known to 10 ms lie within 17 ms: a flash within 35 ms, the usual one of 0.3 s too, so from 1.5 x 0.335 + 0.035 s on."""
    flashes = [(0.3, 0.3)] * 5 + [(on_s, 0.3)] + [(0.3, 0.3)] * 5
    assert estimate(measured(cycles(flashes, lit(), make_u_s=1e-2, break_u_s=1e-2)), "stuck").value == long


@pytest.mark.parametrize(
    ("missed", "stuck", "spread", "irregular"), [(0, 0, 0.01, False), (1, 0, 0.01, True), (0, 1, 0.01, True), (0, 0, 0.06, True)]
)
def test_one_flash_missing_or_long_or_a_period_that_scatters_is_irregular(missed: int, stuck: int, spread: float, irregular: bool) -> None:
    found = {"missed": float(missed), "stuck": float(stuck), "period_spread": spread}
    assert is_irregular({name: Estimate(value, "1", ()) for name, value in found.items()}) is irregular
