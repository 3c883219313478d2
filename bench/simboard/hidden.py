"""The hidden errors of one rig: drawn from the uncertainties that its description states, and faults by name."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np

from bench.description import BoardDescription, Range
from bench.samples import Array

_LINE_HARMONICS = 5


@dataclass(frozen=True)
class RangeErrors:
    """The errors of one channel in one range: gain relative; zero, and linearity by code, in the channel's unit."""

    gain: float
    zero: float
    line: Array


@dataclass(frozen=True)
class Hidden:
    """The true errors of one board, which its host cannot see. Faults are changes of them.

    clock_error, reference_error: relative; frames_skipped: share of the frames that the board loses; noise_factor: on the stated noise.
    """

    clock_error: float
    ranges: Mapping[tuple[str, int], RangeErrors]
    common: Mapping[tuple[str, str], float]
    checks: Mapping[str, float]
    noise_factor: float = 1.0
    reference_error: float = 0.0
    sense: Literal["right", "in open", "out open", "swapped"] = "right"
    current_drift_a: float = 0.0
    stuck: frozenset[str] = frozenset()
    frames_skipped: float = 0.0


@dataclass(frozen=True, slots=True)
class RigFault:
    """A fault of the bench that sits in the rig or its board: what it is, and the change that it makes."""

    name: str
    text: str
    change: Callable[[Hidden], Hidden] = field(repr=False)


RIG_FAULTS: Mapping[str, RigFault] = {
    fault.name: fault
    for fault in (
        RigFault("sense-in-broken", "the sense lead at the unit's input is broken", lambda h: replace(h, sense="in open")),
        RigFault("sense-out-broken", "the sense lead at the unit's output is broken", lambda h: replace(h, sense="out open")),
        RigFault("sense-leads-swapped", "the two sense leads are swapped", lambda h: replace(h, sense="swapped")),
        RigFault("current-zero-off", "the current's zero drifts by 0.2 A in a minute", lambda h: replace(h, current_drift_a=0.2)),
        RigFault("resonator-off", "the board's clock is 1.2 % fast", lambda h: replace(h, clock_error=0.012)),
        RigFault("reference-off", "the converter's reference is 2 % high", lambda h: replace(h, reference_error=0.02)),
        RigFault("drop-stuck", "the drop amplifier's output is stuck", lambda h: replace(h, stuck=frozenset({"v_drop"}))),
        RigFault("board-overrun", "the board loses one frame in a hundred", lambda h: replace(h, frames_skipped=0.01)),
    )
}


def draw_hidden(description: BoardDescription, rng: np.random.Generator, *, ideal: bool = False) -> Hidden:
    """Draw a board's errors: normal with the standard uncertainties stated, the clock's uniform within its half-width; none if `ideal`.

    All channels share the converter: its errors of scale and zero, which are those of the built-in standard's channel, are a part of each
    channel's errors; the rest is each channel's own.

    A linearity error is a random sum of the first harmonics over the code's span: smooth, and normal with the stated u at every
    code.
    """
    size = 0.0 if ideal else 1.0
    ranges: dict[tuple[str, int], RangeErrors] = {}
    common: dict[tuple[str, str], float] = {}
    codes = 1 << max(mode.bits for mode in description.modes.values())
    angle = np.outer(np.arange(1, _LINE_HARMONICS + 1), 2.0 * np.pi * np.arange(codes) / codes)
    for channel in description.channels.values():
        for r in channel.ranges:
            ranges[channel.name, r.number] = _draw_range(r, rng, size, angle)
        for share in channel.common:
            common[channel.name, share.other] = size * share.u * rng.standard_normal()
    checks = {check.channel: check.expected + size * check.u * rng.standard_normal() for check in description.checks}
    clock_error = size * description.clock_half_width * rng.uniform(-1.0, 1.0)
    gain, zero = rng.standard_normal(2) * size
    for check in description.checks:
        r = description.channels[check.channel].ranges[0]
        ranges = _with_converter(description, ranges, (r.u_scale, r.u_zero / r.scale), (gain, zero))
    return Hidden(clock_error, ranges, common, checks, noise_factor=size)


def _draw_range(r: Range, rng: np.random.Generator, size: float, angle: Array) -> RangeErrors:
    """Draw the errors of one range, `size` times as large as it states; angle: of each harmonic at each code."""
    weights = rng.standard_normal((2, _LINE_HARMONICS)) * (size * r.u_line / math.sqrt(_LINE_HARMONICS))
    line = weights[0] @ np.cos(angle) + weights[1] @ np.sin(angle)
    gain, zero = rng.standard_normal(2) * size
    return RangeErrors(gain * r.u_scale, zero * r.u_zero, line)


def _with_converter(
    description: BoardDescription, ranges: Mapping[tuple[str, int], RangeErrors], u: tuple[float, float], drawn: tuple[float, float]
) -> dict[tuple[str, int], RangeErrors]:
    """Return the same errors with a part of each replaced by one that all channels share: relative gain and zero in counts, of these u."""
    found = dict(ranges)
    for channel in description.channels.values():
        for r in channel.ranges:
            own, u_zero = ranges[channel.name, r.number], u[1] * r.scale
            if channel.curve is None:
                gain = drawn[0] * u[0] + own.gain * _left(r.u_scale, u[0])
                found[channel.name, r.number] = replace(own, gain=gain, zero=drawn[1] * u_zero + own.zero * _left(r.u_zero, u_zero))
    return found


def _left(u: float, part: float) -> float:
    """Return sqrt(u^2 - part^2) / u, at least 0."""
    return math.sqrt(max(1.0 - (part / u) ** 2, 0.0)) if u else 0.0
