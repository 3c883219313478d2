"""The model of an instrument: a file in data-sheet terms, and the uncertainties that follow from limits of error (GUM 4.3.7)."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import pytest

from bench.errors import TableError
from bench.files import instrument, shipped
from bench.instrument import UNSTATED, InputErrors, Instrument, parse_instrument

ALL = {"percent_of_reading": 1.0}


def parsed(**content: Any) -> Instrument:
    return parse_instrument({"format": 1, "title": "t", **content}, "instrument x.toml")


def test_what_a_file_states() -> None:
    found = parsed(
        clock_ppm=100, skew_us=250, sampling_time_us=20,
        channels={"all": {"percent_of_reading": 0.5, "percent_of_range": 0.1, "counts": 2, "zero": 0.01, "resolution": 0.02,
                          "lowest": 0, "highest": 20, "delay_us": 30}, "i_load": {"zero": 0.3}},
    )  # fmt: skip
    assert (found.clock, found.skew_s, found.sampling_s) == pytest.approx((1e-4, 2.5e-4, 2e-5))
    stated = found.input("v_in")
    assert stated is not None and stated.delay_s == pytest.approx(3e-5)
    assert replace(stated, delay_s=0.0) == InputErrors(0.005, (0.02, 0.04, 0.01), 0.02, 0.0, 20.0)
    assert found.input("i_load") == InputErrors(0.0, (0.3,)), "a table of its own takes nothing from all"


def test_limits_of_error_are_rectangular() -> None:
    errors = InputErrors(0.03, (0.1,))
    assert (errors.u_scale, errors.u_zero) == pytest.approx((0.03 / math.sqrt(3), 0.1 / math.sqrt(3)))
    assert errors.zero_shape == "rectangular"
    several = InputErrors(0.0, (0.1, 0.1))
    assert several.u_zero == pytest.approx(0.1 * math.sqrt(2 / 3)) and several.zero_shape == "normal"
    one = InputErrors(0.0, (0.01, 0.1))
    assert one.zero_shape == "rectangular" and one.u_zero_beside == pytest.approx(0.01 / math.sqrt(3)), "one outweighs the other"
    assert several.u_zero_beside == 0.0
    assert (InputErrors(0.01).u_zero, InputErrors(0.01).zero_shape) == (0.0, "normal")


def test_what_is_not_stated_is_named_with_what_is_taken() -> None:
    told = UNSTATED.unstated(("v_in", "i_load"))
    assert told == "clock (0.5 % taken); v_in, i_load (3 % and a plain instrument's zero taken); time between channels (a row's taken)"
    assert Instrument(clock=1e-4, inputs={"v_in": InputErrors(0.01)}).unstated(("v_in",)) == "", "one channel has no skew"
    assert Instrument(clock=1e-4, skew_s=0.0, inputs={"all": InputErrors(0.01)}).unstated(("v_in", "i_load")) == ""
    assert UNSTATED.clock_half_width == 5e-3 and Instrument(clock=1e-4).clock_half_width == 1e-4


@pytest.mark.parametrize(
    ("content", "message"),
    [
        ({"clock_ppm": -1}, "clock_ppm: got -1; a limit of error is 0 or more"),
        ({"clock": 1}, "clock: unknown key"),
        ({"channels": {"v_inn": ALL}}, "channels.v_inn: unknown key; known here: all, i_load, temperature"),
        ({"channels": {"v_in": {}}}, "channels.v_in.percent_of_reading: missing; state at least one limit of error"),
        ({"channels": {"v_in": {"counts": 2}}}, "channels.v_in.counts: it needs resolution"),
        ({"channels": {"v_in": {"percent_of_range": 1, "lowest": 0}}}, "percent_of_range: it needs lowest and highest"),
        ({"channels": {"v_in": {**ALL, "lowest": 5, "highest": 5}}}, "highest: got 5; it must be more than lowest, 5"),
        ({"channels": {"v_in": {**ALL, "zero": "x"}}}, "zero: got 'x'; it must be a finite number"),
        ({"channels": {"v_in": {**ALL, "bits": 10}}}, "channels.v_in.bits: unknown key"),
    ],
)
def test_what_can_t_be_used_is_one_line(content: dict[str, Any], message: str) -> None:
    with pytest.raises(TableError, match=message) as caught:
        parsed(**content)
    assert str(caught.value).startswith("instrument x.toml: ") and "\n" not in str(caught.value)


@pytest.mark.parametrize("name", shipped("instruments"))
def test_shipped_instruments_are_examples_that_state_all(name: str) -> None:
    found = instrument(name)
    assert found.title.startswith("Example: ")
    assert found.unstated(("v_in", "v_out", "i_load")) == ""
