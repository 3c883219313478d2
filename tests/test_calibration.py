"""Calibration by a straight line: the GUM's own example, a meter's error that no number of points takes off, and what is refused."""

from __future__ import annotations

import math
import random
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench.calibration import RESONATOR_KEEPS, SCALE_KEEPS, MeterAccuracy, Point, calibrate, calibrate_clock, command_lines
from bench.clock import ClockEstimate
from bench.description import Range
from bench.errors import CalibrationError
from bench.simboard.rig import rig_description
from bench.uncertainty import Component, combine, rectangular
from bench.wire.text import LONGEST_LINE

BOARD = rig_description(1)
VOLTS = BOARD.channels["v_in"].range(1)
GOOD, CHEAP = MeterAccuracy(5e-4, 2e-3), MeterAccuracy(5e-3, 2e-2)
EXACT = MeterAccuracy(0.0, 0.0)


def points(values: tuple[float, ...], gain: float = 0.0, zero: float = 0.0, wobble: float = 0.0) -> list[Point]:
    """What a board with these errors reads of these volts."""
    return [Point(v * (1.0 + gain) + zero + wobble * (-1) ** k, 0.0005, v) for k, v in enumerate(values)]


SPREAD = (3.0, 6.0, 9.0, 12.0, 15.0, 17.5)


def test_hidden_errors_are_found() -> None:
    found = calibrate("v_in", "V", VOLTS, points(SPREAD, gain=0.002, zero=0.03), GOOD, beside=VOLTS)
    assert found.refused is None
    assert found.after.scale == pytest.approx(VOLTS.scale / 1.002)
    assert found.after.zero == pytest.approx(0.03 / VOLTS.scale)
    assert found.u_after < 0.75 * found.u_before
    count = (8.0 * 1.002 + 0.03) / VOLTS.scale
    assert (count - found.after.zero) * found.after.scale == pytest.approx(8.0)


def test_gum_h3_calibration_of_a_thermometer() -> None:
    """GUM H.3 (data read in a public copy; results from memory, recomputed): intercept -0.1712 (0.0029), slope 0.00218 (0.00067), r -0.930,
    with the residual standard deviation 0.0035 in the place of what a point is uncertain by.
    """
    t = (21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511)
    b = (-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160)
    # should = reading + correction, about 20 degC; linearity and meter perfect, the scatter in u_noise.
    used = Range(0, 0.0, 1.0, -100.0, 100.0, 1.0, 1.0, 0.0, 0.0)
    # The scale of the points' own spread is what calibrate looks at, so they are moved to begin near 0.
    found = calibrate("t", "degC", used, [Point(x - 20.0, 0.0035, x - 20.0 + y) for x, y in zip(t, b, strict=True)], EXACT, beside=used)
    slope = found.after.scale - 1.0
    assert slope == pytest.approx(0.00218, abs=5e-6)
    assert -found.after.zero * found.after.scale == pytest.approx(-0.1712, abs=5e-5)
    assert found.after.u_zero == pytest.approx(0.0029, abs=5e-5)
    assert math.sqrt(found.after.u_scale**2 - rectangular(SCALE_KEEPS) ** 2) * found.after.scale == pytest.approx(0.00067, abs=5e-6)


def test_a_meters_scale_is_not_averaged_away() -> None:
    """A thousand points don't make the scale better than the meter's own: 0.05 % / sqrt 3."""
    many = tuple(np.linspace(1.0, 18.0, 1000).tolist())
    quiet = replace(VOLTS, u_line=1e-6)
    found = calibrate("v_in", "V", quiet, points(many), MeterAccuracy(5e-4, 0.0), beside=VOLTS)
    assert found.after.u_scale == pytest.approx(combine(rectangular(5e-4), rectangular(SCALE_KEEPS)), rel=1e-3)


def test_the_line_is_numpys() -> None:
    """With nothing in common between the points, the plain weighted fit."""
    rng = random.Random(3)
    apart = replace(VOLTS, u_line=0.0)
    some = [Point(v + rng.gauss(0.0, 0.01), 0.01 * (1 + k % 3), v) for k, v in enumerate(SPREAD)]
    found = calibrate("v_in", "V", apart, some, EXACT, beside=VOLTS)
    (slope, offset), covariance = np.polyfit([p.reading for p in some], SPREAD, 1, w=[1.0 / p.u_noise for p in some], cov="unscaled")
    assert found.after.scale / apart.scale == pytest.approx(slope)
    assert -found.after.zero * found.after.scale == pytest.approx(offset)
    assert found.after.u_zero == pytest.approx(math.sqrt(covariance[1, 1]))


def test_points_that_lie_together_tell_less_of_the_slope() -> None:
    wide = calibrate("v_in", "V", VOLTS, points(SPREAD), GOOD, beside=VOLTS).after
    close = calibrate("v_in", "V", VOLTS, points(tuple(v / 6.0 for v in SPREAD)), GOOD, beside=VOLTS).after
    assert close.u_scale > 3.5 * wide.u_scale


def test_a_cheap_meter_is_refused_with_figures() -> None:
    found = calibrate("v_in", "V", VOLTS, points(SPREAD), CHEAP, beside=VOLTS)
    assert found.refused is not None
    assert "at 17.5 V zeroing and standard leave ± 0.06 V, this meter would leave ± 0.11 V" in found.refused
    assert found.before == VOLTS
    better = replace(VOLTS, u_scale=3e-4, u_zero=3e-3, u_line=3e-3)
    assert calibrate("v_in", "V", better, points(SPREAD), GOOD, beside=better).refused, "what zeroing gives has to be beaten"


def test_beyond_the_points_it_must_be_better_too() -> None:
    """Lamps take 6.6 A; the wide range goes to 77 A, where such a scale would be worse than the shunt's 0.6 %."""
    wide = BOARD.channels["i_load"].range(0)
    some = [Point(0.0, 0.001, 0.0, known=True), *points((0.4, 1.3, 3.1, 4.8, 6.6))]
    found = calibrate("i_load", "A", wide, some, GOOD, beside=wide)
    assert found.u_after < found.u_before, "at the largest point alone it would do"
    assert found.refused is not None and found.refused.startswith("at 76.7 A")


@pytest.mark.parametrize(
    ("some", "says"),
    [
        (points((12.0,)), "1 point came, at least 2"),
        (points((12.0, 12.5, 13.0)), "are too close; take one far lower"),
        (points((3.0, 18.9)), "at the end of the range"),
        (points(SPREAD, gain=-0.5), "the meter shows 2 more"),
        (points(SPREAD, zero=0.8), "its zero would be -0.8 V off"),
        ([*points(SPREAD[:-1]), Point(17.5, 0.0005, 17.2)], "points contradict each other; that at"),
    ],
)
def test_readings_that_cant_be_right_are_refused(some: list[Point], says: str) -> None:
    with pytest.raises(CalibrationError, match=says) as caught:
        calibrate("v_in", "V", VOLTS, some, GOOD, beside=VOLTS)
    assert str(caught.value).startswith("calibrating v_in range 1: ")
    assert "\n" not in str(caught.value)


@given(seed=st.integers(0, 10_000), gain=st.floats(-0.004, 0.004), zero=st.floats(-0.05, 0.05))
def test_whatever_is_found_reads_its_own_points_back(seed: int, gain: float, zero: float) -> None:
    rng = random.Random(seed)
    some = [replace(p, reading=p.reading + rng.gauss(0.0, 0.5 * VOLTS.u_line)) for p in points(SPREAD, gain, zero)]
    found = calibrate("v_in", "V", VOLTS, some, GOOD, beside=VOLTS)
    for p in some:
        count = VOLTS.zero + p.reading / VOLTS.scale
        assert abs((count - found.after.zero) * found.after.scale - p.should) < 4.0 * combine(VOLTS.u_line, found.after.u_zero)
    # What is clipped is a matter of counts.
    counts = [limit / r.scale + r.zero for r in (VOLTS, found.after) for limit in (r.low, r.high)]
    assert counts[:2] == pytest.approx(counts[2:])


# --- words and numbers


@pytest.mark.parametrize(
    ("text", "part", "rest"),
    [("0.05%+2mV", 5e-4, 2e-3), ("0.5 % + 10 mA", 5e-3, 1e-2), ("1%", 0.01, 0.0), ("0.1%+50uV", 1e-3, 5e-5), (" .2% + 1V ", 2e-3, 1.0)],
)
def test_a_meters_accuracy_as_its_manual_writes_it(text: str, part: float, rest: float) -> None:
    accuracy = MeterAccuracy.parse(text)
    assert accuracy.part == pytest.approx(part)
    assert accuracy.rest == pytest.approx(rest)


@pytest.mark.parametrize("text", ["", "good", "0.05", "2mV", "0.05%+2", "0.05%+2kV", "1.2.3%+1mV"])
def test_other_texts_are_no_accuracy(text: str) -> None:
    with pytest.raises(ValueError, match=r"it looks like 0\.05%\+2mV"):
        MeterAccuracy.parse(text)


def test_the_clock_is_promised_no_better_than_a_resonator_keeps() -> None:
    fit = ClockEstimate(0.002, (Component("fit", 1e-6), Component("host", 3e-5)), True, 300.0)
    found = calibrate_clock(BOARD, fit)
    assert found.after[0] == round(16e6 / 1.002)
    assert found.after[1] == pytest.approx(RESONATOR_KEEPS + math.sqrt(3.0) * fit.u)
    assert found.refused is None
    crystal = replace(BOARD, clock_half_width=1e-4)
    assert calibrate_clock(crystal, fit).refused is not None
    unseen = calibrate_clock(BOARD, replace(fit, corrected=False))
    assert unseen.refused is not None and unseen.after == (16e6, 0.005)


def test_the_board_is_never_told_less_than_is_known() -> None:
    r = replace(VOLTS, zero=-1.23456789, scale=0.0184123456, u_scale=4.701e-4, u_zero=0.0123401, u_line=0.009)
    lines = command_lines([("v_in", r), ("i_load_low", r)], (16003421.0, 1.0501e-3), 20261125)
    assert lines[0] == "CAL:RANG v_in,1,-1.23457,0.0184123,0.000471,0.0124,0.009"
    assert lines[2:] == ("CAL:CLOC 16003421,0.00106", "CAL:DATE 20261125")
    assert all(len(line) < LONGEST_LINE for line in lines)
    with pytest.raises(ValueError, match="longer than a board takes"):
        command_lines([("x" * 60, r)], None, 0)
