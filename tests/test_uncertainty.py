"""Estimates and budgets against the worked examples of the GUM (JCGM 100:2008) and tables of Student's t.

Inputs of H.1 were read in public copies of the example; the numbers of 4.4.3, 4.4.5, 4.4.6 and TN 1900 are from memory, and
were recomputed.
"""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from bench.uncertainty import (
    Component,
    Estimate,
    combine,
    normal_cdf,
    rectangular,
    student_cdf,
    student_factor,
    student_quantile,
    type_a,
)


def test_gum_4_4_3_twenty_temperatures() -> None:
    """GUM 4.4.3 (from memory, recomputed): mean 100.145 degC, s 1.489, u 0.333."""
    readings = [
        96.90, 98.18, 98.25, 98.61, 99.03, 99.49, 99.56, 99.74, 99.89, 100.07,
        100.33, 100.42, 100.68, 100.95, 101.11, 101.20, 101.57, 101.84, 102.36, 102.72,
    ]  # fmt: skip
    found = type_a(readings)
    assert found.mean == pytest.approx(100.145, abs=5e-4)
    assert found.s == pytest.approx(1.489, abs=5e-4)
    assert found.u == pytest.approx(0.333, abs=5e-4)
    assert found.component("repeats") == Component("repeats", found.u, 19.0, "A")


def test_nist_tn_1900_surface_temperature() -> None:
    """NIST TN 1900 example 2 (from memory, recomputed): 25.59 degC, u 0.872, k(21) 2.08, 95 % from 23.8 to 27.4."""
    readings = [
        18.75, 28.25, 25.75, 28.00, 28.50, 20.75, 21.00, 22.75, 18.50, 27.25, 20.75,
        26.50, 28.00, 23.25, 28.00, 21.75, 26.00, 26.50, 28.00, 33.25, 32.00, 29.50,
    ]  # fmt: skip
    found = type_a(readings)
    estimate = Estimate(found.mean, "degC", (found.component("days"),), found.n)
    assert (round(estimate.value, 2), round(found.s, 2), round(estimate.u, 3)) == (25.59, 4.09, 0.872)
    assert estimate.coverage_factor() == pytest.approx(2.08, abs=5e-3)
    assert estimate.interval() == pytest.approx((23.8, 27.4), abs=0.05)


def test_gum_4_4_5_and_4_4_6_half_width_of_four_degrees() -> None:
    """From memory, recomputed: rectangular 2.3 degC; the triangular 1.6 is the rectangular over the square root of two."""
    assert rectangular(4.0) == pytest.approx(2.309, abs=5e-4)
    assert rectangular(4.0) / math.sqrt(2.0) == pytest.approx(1.633, abs=5e-4)


def gauge_block() -> Estimate:
    """GUM H.1, in nm: standard, comparator (three parts), and two products of length, expansion and temperature."""
    length_nm = 50_000_623.0
    comparator = (
        Component("difference, repeats", 5.8, 24.0, "A"),
        Component("random", 3.9, 5.0),
        Component("systematic", 6.7, 8.0),
    )
    expansion = Component("difference of expansion", length_nm * 0.1 * rectangular(1e-6), 50.0)
    temperature = Component("difference of temperature", length_nm * 11.5e-6 * rectangular(0.05), 2.0)
    return Estimate(length_nm + 215.0, "nm", (Component("standard", 25.0, 18.0), *comparator, expansion, temperature))


def test_gum_h_1_gauge_block() -> None:
    """u_c 32 nm, 16 effective degrees of freedom (16.75 before truncation), U99 93 nm, l 50.000 838 mm."""
    block = gauge_block()
    by_source = {c.source: c.u for c in block.budget}
    assert combine(by_source["difference, repeats"], by_source["random"], by_source["systematic"]) == pytest.approx(9.7, abs=0.05)
    assert by_source["difference of expansion"] == pytest.approx(2.9, abs=0.05)
    assert by_source["difference of temperature"] == pytest.approx(16.6, abs=0.05)
    assert block.value == 50_000_838.0
    assert block.u == pytest.approx(31.7, abs=0.05)
    assert block.coverage_factor(0.99) == pytest.approx(2.921, abs=5e-4)
    assert block.expanded(0.99) == pytest.approx(93.0, abs=0.6)


def test_gum_h_1_effective_degrees_of_freedom() -> None:
    """The GUM combines the comparator's parts to 9.7 nm with 25.6 dof first; all in one sum is the same formula."""
    assert gauge_block().dof == pytest.approx(16.75, abs=0.02)


STUDENT_975 = {1: 12.706, 2: 4.303, 3: 3.182, 4: 2.776, 5: 2.571, 8: 2.306, 10: 2.228, 16: 2.120, 20: 2.086, 50: 2.009}


@pytest.mark.parametrize(("dof", "factor"), STUDENT_975.items())
def test_student_table(dof: int, factor: float) -> None:
    """The usual table of t(0.975), to its three decimals."""
    assert student_factor(0.95, dof) == pytest.approx(factor, abs=5.1e-4)
    assert student_factor(0.95, dof + 0.99) == student_factor(0.95, dof), "truncated, GUM G.4.1 note 1"


@given(p=st.floats(0.001, 0.999), dof=st.integers(1, 2000))
def test_student_quantile_and_cdf_agree_with_scipy(p: float, dof: int) -> None:
    assert student_quantile(p, dof) == pytest.approx(stats.t.ppf(p, dof), rel=2e-5, abs=1e-9)
    assert student_cdf(student_quantile(p, dof), dof) == pytest.approx(p, abs=2e-6)


@given(t=st.floats(-40.0, 40.0), dof=st.integers(1, 400))
def test_student_cdf_agrees_with_scipy(t: float, dof: int) -> None:
    assert student_cdf(t, dof) == pytest.approx(stats.t.cdf(t, dof), abs=2e-7)


def test_no_probability_passes_its_ends_by_rounding() -> None:
    """20 u inside a limit with 99 degrees of freedom once gave a risk of -1e-16, which no reader of the record takes."""
    far = [student_cdf(t, dof) for dof in range(1, 201) for t in (-400.0, -20.11885, -9.0, 9.0, 20.11885, 400.0)]
    assert all(0.0 <= p <= 1.0 for p in far)


def test_infinite_dof_is_normal() -> None:
    assert student_factor(0.95) == pytest.approx(1.959964, abs=1e-6)
    assert student_cdf(1.0, math.inf) == normal_cdf(1.0) == pytest.approx(0.8413447, abs=1e-7)


def test_dof_survives_microvolts() -> None:
    """Fourth powers of 1e-90 underflow; ratios do not."""
    small = Estimate(0.0, "V", (Component("a", 3e-90, 4.0, "A"), Component("b", 4e-90)))
    assert small.dof == pytest.approx(4.0 / 0.6**4)


@given(
    value=st.floats(-1e6, 1e6),
    us=st.lists(st.floats(0.0, 1e3), min_size=1, max_size=5),
    dof=st.floats(1.0, 100.0),
    factor=st.floats(-100.0, 100.0).filter(lambda f: abs(f) > 1e-3),
)
def test_scaling_keeps_the_relative_uncertainty(value: float, us: list[float], dof: float, factor: float) -> None:
    estimate = Estimate(value, "V", tuple(Component(str(i), u, dof) for i, u in enumerate(us)))
    scaled = estimate.scaled(factor, "mV")
    assert scaled.u == pytest.approx(abs(factor) * estimate.u, rel=1e-9, abs=1e-300)
    assert scaled.value == value * factor
    assert len(us) * dof * (1 + 1e-9) >= estimate.dof >= dof * (1 - 1e-9) or estimate.u == 0.0


@pytest.mark.parametrize("u", [-1.0, math.nan, math.inf])
def test_impossible_components_are_refused(u: float) -> None:
    with pytest.raises(ValueError, match="must be finite and not negative"):
        Component("noise", u)


def test_impossible_estimates_are_refused() -> None:
    with pytest.raises(ValueError, match="use NotMeasured"):
        Estimate(math.nan, "V", ())
    with pytest.raises(ValueError, match="no readings"):
        type_a([])
    with pytest.raises(ValueError, match="one reading has no type A"):
        type_a([1.0]).component("repeats")
    with pytest.raises(ValueError, match="between 0 and 1"):
        student_factor(1.0)
