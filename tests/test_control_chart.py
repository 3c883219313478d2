"""Control charts against the worked example of the NIST/SEMATECH e-Handbook, and when a rig is said to have drifted."""

from __future__ import annotations

import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench.control_chart import REFERENCE, ChartState, individuals, judge

FLOW = (49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1)


def test_the_handbook_s_ten_flow_rates() -> None:
    """e-Handbook, individuals control charts (from memory): mean 50.81, mean moving range 1.8778, limits 55.8041 and 45.8159."""
    limits = individuals(FLOW)
    assert limits.centre == pytest.approx(50.81)
    assert (limits.high - limits.centre) * 1.128 / 3.0 == pytest.approx(1.8778, abs=5e-5)
    assert limits.high == pytest.approx(55.8041, abs=1e-4)
    assert limits.low == pytest.approx(45.8159, abs=1e-4)


def test_too_little_to_chart() -> None:
    with pytest.raises(ValueError, match="at least 2"):
        individuals([1.0])
    with pytest.raises(ValueError, match="no values"):
        judge([], [])
    assert judge([3.0], [0.1]).state is ChartState.UNTOLD


def around(centre: float, n: int, scatter: float, seed: int = 1) -> list[float]:
    rng = random.Random(seed)
    return [rng.gauss(centre, scatter) for _ in range(n)]


def test_from_few_values_no_drift_is_told() -> None:
    """One earlier value says nothing of the scatter, two hardly more: whatever the last is. That it is odd is said."""
    for earlier in ([1.0], [1.0, 1.001]):
        n = len(earlier)
        near, far = judge([*earlier, 1.03], [0.01] * (n + 1)), judge([*earlier, 1.05], [0.01] * (n + 1))
        assert (near.state, near.since) == (ChartState.UNTOLD, None)
        assert (far.state, far.since) == (ChartState.UNTOLD, n)


def test_before_there_is_a_chart_a_drift_is_earned_by_scatter_and_stated_uncertainty() -> None:
    """By hand: mean 1, u of the difference 0.01 sqrt 2, thrice that 0.0424; standard deviation 0.002, Student's factor of 99 % for 2
    degrees of freedom 9.925, root of 4/3: 0.0229. Together 0.0482."""
    earlier = [0.998, 1.0, 1.002]
    assert judge([*earlier, 1.048], [0.01] * 4).state is ChartState.STEADY
    found = judge([*earlier, 1.0485], [0.01] * 4)
    assert (found.state, found.since, found.chart) == (ChartState.DRIFTED, 3, None)
    assert found.drift.high - found.drift.centre == pytest.approx(0.0482, abs=5e-5)
    # Readings that scatter ten times as much: the same value is one of them.
    assert judge([0.98, 1.0, 1.02, 1.0485], [0.01] * 4).state is ChartState.STEADY


def test_scatter_alone_is_hardly_ever_called_a_drift() -> None:
    """4,000 standards of 2 to 8 readings whose stated uncertainty is a tenth of their scatter: 1 in 100 from four on, none before."""
    called = {n: 0 for n in range(2, REFERENCE + 1)}
    for seed in range(4000):
        n = 2 + seed % (REFERENCE - 1)
        called[n] += judge(around(5.0, n, 0.01, seed), [0.001] * n).state is ChartState.DRIFTED
    assert called[2] == called[3] == 0
    assert 0 < sum(called.values()) <= 50, called


def test_a_step_is_dated_from_its_first_value() -> None:
    steady = around(3.84, 12, 0.0005)
    assert judge(steady, [0.005] * 12).state is ChartState.STEADY
    moved = [*steady, 3.845, 3.8451, 3.8449]
    found = judge(moved, [0.005] * 15)
    assert (found.state, found.since) == (ChartState.MOVED, 12), "the chart shows it, and the stated uncertainty still covers it"
    found = judge(moved, [0.001] * 15)
    assert (found.state, found.since) == (ChartState.DRIFTED, 12)
    assert judge([*moved, 3.84], [0.001] * 16).state is ChartState.STEADY, "it is the latest value that counts"


def test_a_slow_drift_shows_as_a_run_on_one_side() -> None:
    values = [*around(1.0, REFERENCE, 0.01, seed=4), *(1.006 + 0.001 * k for k in range(9))]
    found = judge(values, [0.1] * len(values))
    assert found.chart is not None and all(found.chart.hold(v) for v in values)
    assert found.state is ChartState.MOVED
    assert found.since is not None and found.since <= REFERENCE


def test_steady_values_are_rarely_called_drifted() -> None:
    """300 standards of 30 readings each, whose scatter is a fifth of what is stated."""
    called = sum(judge(around(5.0, 30, 0.01, seed), [0.05] * 30).state is ChartState.DRIFTED for seed in range(300))
    assert called == 0


@given(
    st.lists(st.floats(-1e3, 1e3), min_size=2, max_size=30),
    st.floats(-1e3, 1e3),
    st.floats(0.1, 10.0),
)
def test_limits_move_and_stretch_with_the_values(values: list[float], shift: float, factor: float) -> None:
    plain, moved = individuals(values), individuals([factor * v + shift for v in values])
    for a, b in ((plain.low, moved.low), (plain.centre, moved.centre), (plain.high, moved.high)):
        assert b == pytest.approx(factor * a + shift, abs=1e-6)
