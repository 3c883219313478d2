"""Calibration: from readings of the board beside those of a meter, the zero and scale of a channel and how well they are then known.

A meter's error of scale is one unknown for all the points taken with it, and so is that of its zero: more points average the
board's noise and crookedness away, never the meter. So the straight line is fitted with the whole covariance of the points (generalized
least squares; GUM 5.2 and its example H.3), and what it cannot better is refused: a cheap meter makes parts of 0.1 % worse.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from bench.clock import ClockEstimate
from bench.description import BoardDescription, Range
from bench.errors import CalibrationError
from bench.samples import NEAR
from bench.uncertainty import Component, Estimate, combine, rectangular
from bench.wire.text import LONGEST_LINE, format_number
from bench.zero import shift_range

WITHIN = 0.95
"""A range is compared up to this part of its highest reading: a supply set by hand is a little off, and a voltage beyond it trips the
board."""
_POINTS, _MORE = 8, 4  # in the lowest range, and in what each wider one adds
_LOWEST = 1.0 / 6.0  # of the highest: far apart, so that the line lies firm at both its ends
_WORTH = 0.1  # a wider range that reads no further than this beyond the last point gets no point of its own
_FEWEST = 2
_SPREAD = 0.2  # the points must span this part of the largest of them
_IMPLAUSIBLE = 5.0  # a scale further off than this many of its standard uncertainties is no drift but another channel
_BELIEF = 3.29  # normal quantile of 0.9995: points contradict each other beyond it
_DIGITS = 6
SCALE_KEEPS = 2e-4  # half-width: what resistors (25 ppm/K) and reference (20 ppm/K) change by over 5 K (data sheets)
_PREFIXES = {"": 1.0, "m": 1e-3, "u": 1e-6}


@dataclass(frozen=True, slots=True)
class MeterAccuracy:
    """A meter's reading is in error by at most `part` of it and `rest`, in the unit of what it reads."""

    part: float
    rest: float

    @classmethod
    def parse(cls, text: str) -> MeterAccuracy:
        """Return the accuracy that a text states: `0.05%+2mV`, `0.5 % + 10 mA`, `0.1%`. CalibrationError for anything else."""
        match = re.fullmatch(r"\s*([\d.]+)\s*%\s*(?:\+\s*([\d.]+)\s*([mu]?)[VA]\s*)?", text)
        if match is None:
            raise CalibrationError(
                f"reading a meter's accuracy: {text!r}; it looks like 0.05%+2mV, percent of reading and a rest in V or A"
            )
        try:
            return cls(float(match[1]) / 100.0, float(match[2] or 0.0) * _PREFIXES[match[3] or ""])
        except ValueError as error:
            raise CalibrationError(f"reading a meter's accuracy: {text!r} holds no number; it looks like 0.05%+2mV") from error


@dataclass(frozen=True, slots=True)
class Point:
    """The board's mean reading with its standard uncertainty from noise, and what it should have read, in the channel's unit.

    `known`: that is known without a meter (nothing flows, so it is 0). `reading`, `u_noise` and `should` in the channel's unit.
    """

    reading: float
    u_noise: float
    should: float
    known: bool = False


@dataclass(frozen=True, slots=True)
class Calibrated:
    """A channel's range without and with the meter; `u_before` and `u_after` at `at`, the largest value that was compared.

    `before` is what zeroing and the built-in standard give. `refused` says why that is kept; None if the meter's is better.
    """

    channel: str
    before: Range
    after: Range
    at: float
    u_before: float
    u_after: float
    refused: str | None = None


def supply_points(ranges: Sequence[Range], highest_v: float) -> tuple[float, ...]:
    """Return supply voltages, ascending, that lie evenly in the lowest range and in what each wider one reads beyond it, up to `highest_v`.
    Round figures, because they are set by hand."""
    points: list[float] = []
    for r in sorted(ranges, key=lambda r: r.high):
        top_v = min(highest_v, WITHIN * r.high)
        step_v = 0.5 if top_v >= 10.0 else 0.1
        top_v = math.floor(top_v / step_v + 1e-9) * step_v
        if not points:
            some = np.linspace(_LOWEST * top_v, top_v, _POINTS)
        elif top_v > (1.0 + _WORTH) * points[-1]:
            some = np.linspace(points[-1], top_v, _MORE + 1)[1:]
        else:
            continue
        points += [round(round(v / step_v) * step_v, 3) for v in some]
    return tuple(sorted(set(points)))


def calibrate(channel: str, unit: str, used: Range, points: Sequence[Point], meter: MeterAccuracy, *, beside: Range) -> Calibrated:
    """Zero and scale of `used`, the range with which the points were read, from at least two points.

    `beside`: the range as zeroing and standard leave it, which the result must beat at the largest point and at the range's end, since
    values beyond the points are read too. CalibrationError if the points are too few or too
    close, or if they contradict each other or the channel.
    """
    where = f"calibrating {channel} range {used.number}"
    shoulds = [p.should for p in points]
    if len(points) < _FEWEST:
        raise CalibrationError(f"{where}: {len(points)} point came, at least {_FEWEST} are needed")
    if max(shoulds) - min(shoulds) < _SPREAD * max(map(abs, shoulds)):
        raise CalibrationError(f"{where}: points from {min(shoulds):g} to {max(shoulds):g} {unit} are too close; take one far lower")
    clipped = [p for p in points if not used.low < p.reading < used.high]
    if clipped:
        raise CalibrationError(f"{where}: a reading of {clipped[0].reading:g} {unit} is at the end of the range; choose values within it")
    (offset, slope), covariance = _line(where, unit, points, meter, used)
    u_offset, u_slope = math.sqrt(covariance[0, 0]), math.sqrt(covariance[1, 1])
    if slope <= 0.0 or abs(slope - 1.0) > _IMPLAUSIBLE * combine(used.u_scale, u_slope):
        raise CalibrationError(
            f"{where}: where it reads 1 more the meter shows {slope:.4g} more; that is no drift: look at the meter's leads, range and unit"
        )
    if abs(offset) > _IMPLAUSIBLE * combine(used.u_zero, u_offset):
        raise CalibrationError(
            f"{where}: its zero would be {offset:.2g} {unit} off, {used.u_zero:.2g} {unit} is usual: look at where the meter's leads are"
        )
    line = shift_range(used, used.zero - offset / (slope * used.scale), used.scale * slope)
    after = replace(line, u_scale=combine(u_slope / slope, rectangular(SCALE_KEEPS)), u_zero=u_offset)
    at = max(shoulds, key=abs)
    worse = [v for v in (at, used.high) if after.u_at(v) >= beside.u_at(v)]
    refused = None
    if worse:
        refused = (
            f"at {worse[0]:.3g} {unit} zeroing and standard leave ± {_expanded(beside.u_at(worse[0])):.2g} {unit}, this meter would leave "
            f"± {_expanded(after.u_at(worse[0])):.2g} {unit}; a better meter is needed, or points further up"
        )
    return Calibrated(channel, beside, after, at, beside.u_at(at), after.u_at(at), refused)


def _expanded(u: float) -> float:
    """Return the half-width that holds 95 % of a normal distribution of this standard deviation."""
    return Estimate(0.0, "1", (Component("stated", u),)).expanded()


def _line(
    where: str, unit: str, points: Sequence[Point], meter: MeterAccuracy, used: Range
) -> tuple[tuple[float, float], npt.NDArray[np.float64]]:
    """Return offset and slope of should = offset + slope * reading, and their covariance.

    The meter's part is one unknown for all points. Its rest may be one too (a zero error) or new at each (the last digit): both are
    allowed for.
    """
    should, reading = np.array([p.should for p in points]), np.array([p.reading for p in points])
    design = np.column_stack((np.ones(len(points)), reading))
    with_meter = np.array([0.0 if p.known else 1.0 for p in points])
    own = np.array([p.u_noise for p in points]) ** 2 + (with_meter * rectangular(meter.rest)) ** 2
    # Points that lie together are off together in linearity and tell less of the slope; how smoothly it goes in between is not made use of.
    apart = np.abs(reading[:, None] - reading[None, :]) / (NEAR / 2.0 * (used.high - used.low))
    line = used.u_line**2 * np.exp(-apart)
    of_scale = with_meter * should * rectangular(meter.part)
    of_zero = with_meter * rectangular(meter.rest)
    covariance = np.diag(own) + line + np.outer(of_scale, of_scale) + np.outer(of_zero, of_zero)
    weight = np.linalg.inv(covariance)
    spread = np.linalg.inv(design.T @ weight @ design)
    solution = spread @ design.T @ weight @ should
    residual = should - design @ solution
    if not _believable(float(residual @ weight @ residual), len(points) - 2):
        usual = np.sqrt(own + np.diag(line))
        worst = int(np.argmax(np.abs(residual) / usual))
        raise CalibrationError(
            f"{where}: points contradict each other; that at {should[worst]:.4g} {unit} lies {abs(residual[worst]):.2g} {unit} off their "
            f"line, {usual[worst]:.2g} {unit} is usual; read it again, settled and on one range of the meter"
        )
    return (float(solution[0]), float(solution[1])), spread


def _believable(chi2: float, dof: int) -> bool:
    """Return whether a sum of squares of so many independent standard deviations is no chance in 2000 (Wilson and Hilferty's cube root)."""
    spread = 2.0 / (9.0 * dof) if dof else math.inf
    return dof < 1 or (chi2 / dof) ** (1.0 / 3.0) <= 1.0 - spread + _BELIEF * math.sqrt(spread)


@dataclass(frozen=True, slots=True)
class ClockCalibrated:
    """The clock line before and after: frequency in Hz, half-width of the relative error. `refused` as in `Calibrated`."""

    before: tuple[float, float]
    after: tuple[float, float]
    refused: str | None = None


# A resonator's frequency a room's warmth and some weeks later: +-0.1 % of the ceramic type (data sheets of 16 MHz resonators: +-0.2 % over
# -20 to 80 degC, read), so what is measured to 0.01 % is promised to no better than this.
RESONATOR_KEEPS = 1e-3


def calibrate_clock(description: BoardDescription, seen: ClockEstimate, keeps: float = RESONATOR_KEEPS) -> ClockCalibrated:
    """Return the board's frequency by the host's clock. `keeps`: how well, relatively, it will stay, half-width."""
    before = description.clock_hz, description.clock_half_width
    if not seen.corrected:
        return ClockCalibrated(before, before, f"not compared: {seen.text}")
    # True seconds are (1 + e) times nominal ones: the clock is slow by e.
    half = keeps + math.sqrt(3.0) * seen.u
    after = float(round(description.clock_hz / (1.0 + seen.rel_error))), half
    refused = None
    if half >= description.clock_half_width:
        refused = f"it is known to {100 * description.clock_half_width:.2g} % already, and would be to {100 * half:.2g} %"
    return ClockCalibrated(before, after, refused)


def command_lines(ranges: Sequence[tuple[str, Range]], clock: tuple[float, float] | None, date: int) -> tuple[str, ...]:
    """Return the commands that put these ranges (by channel), this clock (Hz, half-width) and this date in force, without storing it.

    An uncertainty is rounded up, so that the board never states less. ValueError if a line is too long for it.
    """
    lines = []
    for name, r in ranges:
        numbers = (*map(_six, (r.zero, r.scale)), *map(_rounded_up, (r.u_scale, r.u_zero, r.u_line)))
        lines.append(f"CAL:RANG {name},{r.number},{','.join(numbers)}")
    if clock is not None:
        lines.append(f"CAL:CLOC {clock[0]:.0f},{_rounded_up(clock[1])}")
    lines.append(f"CAL:DATE {date}")
    for line in lines:
        if len(line) >= LONGEST_LINE:
            raise ValueError(f"calibrating: the line {line!r} is longer than a board takes")
    return tuple(lines)


def _six(value: float) -> str:
    """Return the value with six significant digits, as a board keeps them."""
    return format_number(float(f"{value:.{_DIGITS}g}"))


def _rounded_up(u: float) -> str:
    """Return the value with three significant digits, rounded up."""
    if u == 0.0:
        return "0"
    place = math.floor(math.log10(u)) - 2
    return format_number(float(f"{math.ceil(round(u / 10.0**place, 6))}e{place}"))
