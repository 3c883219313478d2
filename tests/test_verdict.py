"""Verdicts: the numbers against JCGM 106:2012, ILAC-G8:09/2019 and Deaver's risks; the logic of what is charged to a unit.

Values of JCGM 106 marked "from memory" could not be read anywhere; all were recomputed.
"""

from __future__ import annotations

import math
from itertools import product

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats
from verdict_cases import DROP, INF, OUTAGE, PILOT, RATE, START, concluded, estimate, limit_set, outage

from bench.measure import BenchFault, Measured
from bench.outcome import Outcome
from bench.uncertainty import Measurement, NotMeasured, type_a
from bench.verdict import (
    Conformity,
    acceptance_region,
    conformance_probability,
    decide,
    guard_band,
    is_decided,
    judge,
    specific_risk,
)

# Numbers.


@pytest.mark.parametrize(
    ("value", "u", "low", "high", "probability"),
    [
        (-5.47, 0.05, None, -5.40, 0.919),  # upper limit, breakdown voltage (from memory)
        (509.7, 8.6, 490.0, None, 0.989),  # lower limit, 490 kPa (from memory)
        (13.6, 1.8, 12.5, 16.3, 0.663),  # two-sided, viscosity of oil (from memory)
    ],
)
def test_jcgm_106_conformance_probabilities(value: float, u: float, low: float | None, high: float | None, probability: float) -> None:
    assert conformance_probability(value, u, INF, low, high) == pytest.approx(probability, abs=5e-4)


def test_jcgm_106_guarded_rejection_of_a_radar_reading() -> None:
    """Limit 100 km/h, u = 2 % of the reading, 99.9 %: the limit of decision is 106.6 km/h (from memory)."""
    at = 106.6
    assert guard_band(0.02 * at, INF, 0.999) == pytest.approx(at - 100.0, abs=0.05)
    assert decide(106.7, 0.02 * 106.7, INF, None, 100.0, 0.999) is Conformity.FAIL
    assert decide(106.5, 0.02 * 106.5, INF, None, 100.0, 0.999) is Conformity.CONDITIONAL_FAIL


@pytest.mark.parametrize(("level", "consumer", "producer"), [(0.5 + 1e-9, 0.00802, 0.01744), (0.9054, 0.001, 0.0754)])
def test_jcgm_106_ball_bearings(level: float, consumer: float, producer: float) -> None:
    """JCGM 106, 9.5.4: bearings drawn at random, judged as units are. With simple acceptance R_C 0.00802 (read in a public notebook) and
    R_P 0.01744; with the guard band of 0.3282 um that brings R_C to 0.001, R_P 0.0754 (from memory, recomputed)."""
    rng = np.random.default_rng(106)
    n = 40_000
    true = stats.gamma(4, scale=0.25).rvs(n, random_state=rng)
    reads = (true + 0.25 * rng.standard_normal(n)).tolist()
    passed = np.array([decide(read, 0.25, INF, None, 2.0, level) is Conformity.PASS for read in reads])
    for share, risk in ((np.mean(passed & (true > 2.0)), consumer), (np.mean(~passed & (true <= 2.0)), producer)):
        assert share == pytest.approx(risk, abs=4.0 * math.sqrt(risk / n))


@pytest.mark.parametrize(("guard_in_u", "risk"), [(0.0, 0.5), (1.0, 0.159), (1.66, 0.0485), (2.0, 0.0228), (3.0, 0.00135)])
def test_ilac_g8_risk_at_the_acceptance_limit(guard_in_u: float, risk: float) -> None:
    """ILAC-G8:09/2019: the risk of accepting at the acceptance limit, for w = 0, 0.5 U, 0.83 U, U and 1.5 U, with U = 2 u."""
    _, at = acceptance_region(None, 120.0, guard_in_u * 0.1)
    assert specific_risk(at, 0.1, INF, None, 120.0) == pytest.approx(risk, abs=5.1e-4)


def test_the_guard_band_is_1_645_u_and_grows_with_few_cycles() -> None:
    """ISO 14253-1:2017 one-sided at 95 % (from memory): 1.65 u; Student's t(0.95, 2) = 2.920."""
    assert guard_band(1.0, INF) == pytest.approx(1.645, abs=5e-4)
    assert guard_band(1.0, 2.0) == pytest.approx(2.920, abs=5e-4)


@pytest.mark.parametrize(
    ("value", "outcome"),
    [
        (88.0, Conformity.PASS),
        (118.36 - 0.01, Conformity.PASS),
        (118.36, Conformity.CONDITIONAL_PASS),
        (120.0, Conformity.CONDITIONAL_PASS),
        (math.nextafter(120.0, INF), Conformity.CONDITIONAL_FAIL),
        (121.64, Conformity.CONDITIONAL_FAIL),
        (121.65, Conformity.FAIL),
        (58.35, Conformity.FAIL),
        (58.36, Conformity.CONDITIONAL_FAIL),
    ],
)
def test_five_regions(value: float, outcome: Conformity) -> None:
    assert decide(value, 1.0, INF, 60.0, 120.0) is outcome


def test_without_uncertainty_the_limit_belongs_to_the_band() -> None:
    assert decide(120.0, 0.0, INF, 60.0, 120.0) is Conformity.PASS
    assert decide(math.nextafter(120.0, INF), 0.0, INF, 60.0, 120.0) is Conformity.FAIL
    assert conformance_probability(120.0, 0.0, INF, 60.0, 120.0) == 1.0
    assert specific_risk(121.0, 0.0, INF, 60.0, 120.0) == 0.0


def test_a_band_narrower_than_its_uncertainty_never_passes() -> None:
    """1.7 u inside each limit is enough for one limit and not for two: both tails together are 8.9 %."""
    assert decide(0.0, 1.0, INF, None, 1.7) is Conformity.PASS
    assert decide(0.0, 1.0, INF, -1.7, 1.7) is Conformity.CONDITIONAL_PASS
    assert specific_risk(0.0, 1.0, INF, -1.7, 1.7) == pytest.approx(0.0891, abs=5e-5)


@pytest.mark.parametrize("level", [0.5, 1.0, math.nan])
def test_impossible_levels_are_refused(level: float) -> None:
    with pytest.raises(ValueError, match="level must lie"):
        decide(1.0, 1.0, INF, 0.0, None, level)


values = st.floats(-10.0, 10.0)
ends = st.one_of(st.none(), values)


@given(
    value=values,
    u=st.floats(1e-3, 5.0),
    dof=st.one_of(st.just(INF), st.integers(1, 300)),
    low=ends,
    width=st.floats(0.0, 10.0),
    level=st.floats(0.6, 0.999),
)
def test_a_definite_outcome_never_risks_more_than_stated(
    value: float, u: float, dof: float, low: float | None, width: float, level: float
) -> None:
    high = None if low is None else low + width
    outcome = decide(value, u, dof, low, high, level)
    risk = specific_risk(value, u, dof, low, high)
    chance = conformance_probability(value, u, dof, low, high)
    inside = (low is None or value >= low) and (high is None or value <= high)
    assert outcome.is_favourable == inside
    assert 0.0 <= chance <= 1.0 + 1e-12
    assert risk == pytest.approx(1.0 - chance if inside else chance, abs=1e-9)
    if outcome.is_definite:
        assert risk <= 1.0 - level + 1e-6


@given(value=values, u=st.floats(0.05, 5.0), dof=st.integers(1, 150), low=values, width=st.floats(0.1, 10.0))
def test_conformance_probability_agrees_with_scipy(value: float, u: float, dof: int, low: float, width: float) -> None:
    t = stats.t(dof, loc=value, scale=u)
    assert conformance_probability(value, u, dof, low, low + width) == pytest.approx(t.cdf(low + width) - t.cdf(low), abs=1e-7)


def test_units_exactly_at_the_limit_pass_and_fail_as_seldom_as_stated() -> None:
    """Means of three noisy cycles of a unit at 120 per minute: 5 % pass and 5 % fail, whatever the noise turned out to be."""
    rng = np.random.default_rng(8)
    n = 8000
    outcomes = []
    for cycles in (120.0 + rng.standard_normal((n, 3))).tolist():
        found = type_a(cycles)
        outcomes.append(decide(found.mean, found.u, 2.0, 60.0, 120.0))
    for outcome in (Conformity.PASS, Conformity.FAIL):
        assert outcomes.count(outcome) / n == pytest.approx(0.05, abs=4.0 * math.sqrt(0.05 * 0.95 / n))


# What is charged to a unit.


def test_a_verdict_carries_its_numbers() -> None:
    (verdict,) = judge(Measured({"rate_per_min": estimate(119.0, 1.0)}), limit_set(RATE))
    assert verdict.conformity is Conformity.CONDITIONAL_PASS
    assert verdict.guard == pytest.approx(1.645, abs=5e-4)
    assert verdict.p_wrong == pytest.approx(0.1587, abs=5e-5)
    assert verdict.p_conform == pytest.approx(1.0 - 0.1587, abs=5e-5)
    assert verdict.limit is RATE and verdict.limit_set == "set" and not verdict.by_fact


def test_what_was_not_measured_is_neither_passed_nor_failed() -> None:
    measured = Measured({"rate_per_min": NotMeasured("too few flashes")}, {"behaviour": "too few"})
    verdicts = judge(measured, limit_set(RATE, DROP, PILOT))
    assert [v.conformity for v in verdicts] == [Conformity.NOT_MEASURED] * 3
    assert all(v.p_wrong is None and v.p_conform is None and v.guard is None for v in verdicts)
    assert concluded(verdicts) is Outcome.NOT_DECIDED and not is_decided(verdicts)


@pytest.mark.parametrize("behaviour", ["steady on", "dark", "one flash"])
@pytest.mark.parametrize("rate", [NotMeasured("no cycle"), NotMeasured("no cycle", "unit"), estimate(88.0, 0.1)])
def test_a_unit_that_stands_still_fails_its_rate_by_that_fact(behaviour: str, rate: Measurement) -> None:
    """Even if it flashed before it stopped: then it is no better."""
    (verdict,) = judge(Measured({"rate_per_min": rate}, {"behaviour": behaviour}), limit_set(RATE))
    assert verdict.conformity is Conformity.FAIL
    assert verdict.by_fact and verdict.p_wrong is None and verdict.found == rate


def test_a_welded_unit_still_has_a_drop() -> None:
    measured = Measured({"drop_v": estimate(0.05, 0.001, "V")}, {"behaviour": "steady on"})
    assert [v.conformity for v in judge(measured, limit_set(RATE, START, DROP))] == [Conformity.FAIL, Conformity.FAIL, Conformity.PASS]


def test_a_dark_unit_has_no_drop_to_be_judged() -> None:
    measured = Measured({}, {"behaviour": "dark"})
    assert [v.conformity for v in judge(measured, limit_set(RATE, START, DROP))] == [
        Conformity.FAIL,
        Conformity.FAIL,
        Conformity.NOT_MEASURED,
    ]


def test_a_unit_that_stopped_later_is_not_charged_with_a_start_nobody_saw() -> None:
    measured = Measured({"on_s": estimate(0.3, 0.001, "s"), "start_s": NotMeasured("switch-on was not seen")}, {"behaviour": "dark"})
    assert [v.conformity for v in judge(measured, limit_set(RATE, START))] == [Conformity.FAIL, Conformity.NOT_MEASURED]


@pytest.mark.parametrize("behaviour", ["flashing", "steady on", "dark"])
@pytest.mark.parametrize("rate", [88.0, 300.0, None])
def test_a_bench_fault_is_never_charged_to_the_unit(behaviour: str, rate: float | None) -> None:
    fault = BenchFault("lamp-open", "lamp 2 draws nothing: replace it")
    found: Measurement = NotMeasured("no cycle", "bench") if rate is None else estimate(rate, 0.1)
    measured = Measured({"rate_per_min": found}, {"behaviour": behaviour, "pilot": "dead"}, (fault,))
    verdicts = judge(measured, limit_set(RATE, DROP, START, PILOT, OUTAGE))
    assert {v.conformity for v in verdicts} == {Conformity.NOT_MEASURED}
    assert verdicts[0].found == found, "what was read is kept"
    assert concluded(verdicts, measured.bench_faults) is Outcome.BENCH_FAULT and not is_decided(verdicts)


def test_a_fault_that_was_corrected_spoils_nothing() -> None:
    fault = BenchFault("clock-off", "the clock was off: corrected", spoils=False)
    verdicts = judge(Measured({"rate_per_min": estimate(300.0, 0.1)}, {}, (fault,)), limit_set(RATE))
    assert concluded(verdicts, (fault,)) is Outcome.NOT_GOOD


def test_a_time_lost_by_the_bench_is_not_charged_to_a_dark_unit() -> None:
    measured = Measured({"start_s": NotMeasured("samples were lost", "bench")}, {"behaviour": "dark"})
    assert judge(measured, limit_set(START))[0].conformity is Conformity.NOT_MEASURED


def test_facts_are_judged_by_their_words() -> None:
    seen = {"in step": Conformity.PASS, "dead": Conformity.FAIL, "unknown": Conformity.NOT_MEASURED}
    for word, outcome in seen.items():
        (verdict,) = judge(Measured({}, {"pilot": word}), limit_set(PILOT))
        assert verdict.conformity is outcome
        assert verdict.by_fact == (word if outcome.is_definite else "")


# Alternatives.


@pytest.mark.parametrize(
    ("measured", "outcome"),
    [
        (outage(198.0, 90.0), Conformity.PASS),  # electronic: 2.2 times
        (outage(141.0, 90.0), Conformity.FAIL),  # fast enough, but only 1.57 times
        (outage(130.0, 70.0), Conformity.FAIL),  # 1.86 times, but too slow
        (outage(47.0, 95.0), Conformity.PASS),  # two-coil: half
        (outage(47.0, 87.0), Conformity.FAIL),  # 0.54 times
        (outage(140.05, 70.0), Conformity.CONDITIONAL_PASS),
        (outage(139.95, 70.0), Conformity.CONDITIONAL_FAIL),
        (Measured({}, {"outage": "steady on"}), Conformity.PASS),  # thermal, closed at rest
        (Measured({}, {"outage": "dark"}), Conformity.PASS),
        (Measured({}, {"outage": "flashing"}), Conformity.NOT_MEASURED),
        (Measured({}, {}), Conformity.NOT_MEASURED),
    ],
)
def test_outage_indication(measured: Measured, outcome: Conformity) -> None:
    (verdict,) = judge(measured, limit_set(OUTAGE))
    assert verdict.conformity is outcome
    assert [len(part.parts) for part in verdict.parts] == [2, 2, 1]


def test_a_fact_that_settles_an_alternative_is_said() -> None:
    (verdict,) = judge(Measured({}, {"outage": "steady on"}), limit_set(OUTAGE))
    assert verdict.by_fact == "steady on" and verdict.p_wrong is None


@given(rate=st.floats(20.0, 260.0), normal=st.floats(60.0, 120.0), u=st.floats(0.05, 3.0))
def test_risks_of_alternatives_are_bounds(rate: float, normal: float, u: float) -> None:
    """Never below what one part alone tells, and at most 1."""
    (verdict,) = judge(outage(rate, normal, u), limit_set(OUTAGE))
    assert verdict.p_wrong is not None and -1e-12 <= verdict.p_wrong <= 1.0
    ways = [p.p_conform for p in verdict.parts[:2]]
    if verdict.conformity is Conformity.FAIL:
        parts = [part.p_conform for way in verdict.parts[:2] for part in way.parts if part.p_conform is not None]
        assert verdict.p_wrong >= max(min(parts[:2]), min(parts[2:])) - 1e-12
    if verdict.conformity is Conformity.PASS:
        assert verdict.p_wrong == pytest.approx(1.0 - max(w for w in ways if w is not None), abs=1e-12)


# The whole test.


def verdicts_of(*outcomes: Conformity) -> tuple[Outcome, bool]:
    rates: dict[Conformity, Measurement] = {
        Conformity.PASS: estimate(88.0, 0.1),
        Conformity.CONDITIONAL_PASS: estimate(119.99, 0.1),
        Conformity.NOT_MEASURED: NotMeasured("why"),
        Conformity.CONDITIONAL_FAIL: estimate(120.01, 0.1),
        Conformity.FAIL: estimate(130.0, 0.1),
    }
    verdicts = [judge(Measured({"rate_per_min": rates[o]}), limit_set(RATE))[0] for o in outcomes]
    assert [v.conformity for v in verdicts] == list(outcomes)
    return concluded(verdicts), is_decided(verdicts)


def test_one_failure_is_enough_and_all_must_pass() -> None:
    """What is near a limit, on either side, decides nothing."""
    for a, b in product(Conformity, Conformity):
        outcome, done = verdicts_of(a, b)
        failed, passed = Conformity.FAIL in (a, b), a is b is Conformity.PASS
        assert outcome is (Outcome.NOT_GOOD if failed else Outcome.GOOD if passed else Outcome.NOT_DECIDED)
        assert done == ({a, b} <= {Conformity.PASS, Conformity.FAIL})


def test_nothing_judged_is_nothing_decided() -> None:
    assert concluded(()) is Outcome.NOT_DECIDED
    assert not is_decided(())


def test_an_interrupted_test_can_fail_a_unit_but_not_clear_it() -> None:
    good = judge(Measured({"rate_per_min": estimate(88.0, 0.1)}), limit_set(RATE))
    bad = judge(Measured({"rate_per_min": estimate(130.0, 0.1)}), limit_set(RATE))
    assert concluded(good, (), "unplugged") is Outcome.NOT_DECIDED
    assert concluded(bad, (), "unplugged") is Outcome.NOT_GOOD
