"""Rounding that does not lie."""

from __future__ import annotations

import math
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench.rounding import against, plain, rounded, uncertainty_text


@pytest.mark.parametrize(
    ("value", "expanded", "text"),
    [
        (136.7521, 0.2134, "136.75"),
        (136.7521, 2.134, "136.8"),
        (1234.5, 230.0, "1230"),
        (0.00123456, 0.000012, "0.001235"),
        (88.0, 0.0, "88"),
        (-0.001, 1.0, "0.0"),
        (5.0, 0.996, "5.0"),
    ],
)
def test_two_digits_of_the_uncertainty(value: float, expanded: float, text: str) -> None:
    assert rounded(value, expanded) == text


@pytest.mark.parametrize(
    ("expanded", "text"),
    [(0.2134, "0.22"), (0.22000000000000003, "0.22"), (0.996, "1.0"), (0.0, "0"), (93.5, "94"), (230, "230")],
)
def test_uncertainty_is_never_understated(expanded: float, text: str) -> None:
    assert uncertainty_text(expanded) == text


def test_a_value_beside_a_limit_shows_its_side() -> None:
    assert against(120.0004, 120.0, 0.2) == "120.0004"
    assert against(119.9996, 120.0, 0.2) == "119.9996"
    assert against(120.0, 120.0, 0.2) == "120.00"
    assert against(88.2, 120.0, 0.2) == "88.20"
    assert against(math.nextafter(120.0, 121.0), 120.0, 0.2) == "120.00000000000001"


def test_limits_print_as_written() -> None:
    assert [plain(x) for x in (120.0, 0.8, 1.25, 1e-7, 1e20)] == ["120", "0.8", "1.25", "0.0000001", "100000000000000000000"]


numbers = st.floats(-1e6, 1e6, allow_nan=False)


@given(value=numbers, limit=numbers, expanded=st.one_of(st.just(0.0), st.floats(1e-9, 1e5)))
def test_the_printed_value_is_never_on_the_other_side(value: float, limit: float, expanded: float) -> None:
    printed = Fraction(against(value, limit, expanded))
    printed_limit = Fraction(plain(limit))
    assert (printed > printed_limit, printed < printed_limit) == (value > limit, value < limit)


@given(value=numbers, expanded=st.floats(1e-9, 1e5))
def test_rounding_moves_a_value_by_less_than_its_uncertainty(value: float, expanded: float) -> None:
    assert abs(Fraction(rounded(value, expanded)) - Fraction(repr(value))) <= Fraction(51, 1000) * Fraction(expanded)
    assert expanded * (1 - 1e-9) <= float(uncertainty_text(expanded)) <= 1.11 * expanded
