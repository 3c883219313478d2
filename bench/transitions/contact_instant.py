"""When the contact made or broke: the instant of a crossing, read on the waveform around it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import median

import numpy as np

from bench.instants import filtered_step_instant, level_at
from bench.transitions.at_hand import SamplesAtHand, VoltageChannels
from bench.transitions.changes import CLOSE_S, SOFT_PART
from bench.transitions.levels import StateLevels
from bench.uncertainty import rectangular

_LEVEL_PART = 0.02  # of the output, what its level just after a make is known to
_COLD_PART = 0.07  # of the output, what a sound contact and its leads lose at most with cold lamps beyond what they lose a little later
_STAYED = 0.15  # of a step: samples after it that differ by more are of a contact that bounced open at once
_SINGLE = 0.02  # of a level that one sample tells, its standard uncertainty besides the noise
_STEPPED = 0.6  # of the change from four samples before to four after that two samples hold: where it is less, a ramp
_STEP_LEAST = 0.1  # of the lowest supply voltage: what is smaller is noise and no step
_RAMP_U = 0.02  # of the interval between samples, where half-way on a ramp lies besides its share of the interval
_LOOK = 12  # samples on each side of a crossing that its instant may need
SOFT_LOOK = 250
"""Samples before a crossing that its instant may need, for how long a slow transition lasts."""


@dataclass(frozen=True, slots=True)
class Crossing:
    """The ratio passed from one state to the other, to `closed`, at `t_s`, with uncertainties as those of a `Transition`."""

    t_s: float
    closed: bool
    u_s: float
    soft_s: float


class ContactInstants:
    """Reads the instants of crossings from the samples at hand and the state levels."""

    def __init__(self, channels: VoltageChannels, samples: SamplesAtHand, levels: StateLevels) -> None:
        self._channels = channels
        self._samples = samples
        self._levels = levels

    def crossing(self, k: int, closed: bool, threshold: float) -> Crossing:
        """Return the crossing to `closed` seen at sample k, where the ratio passed `threshold`.

        A step has its 50 % instant between the output's own levels just before and after it. A slow transition has it half-way
        between the state levels, as IEEE Std 181 has it.
        """
        instant = self._step(k, closed, threshold)
        soft_s = 0.0
        if instant is None:
            instant, soft_s = self._slow(k, closed), SOFT_PART * self._lasts_s(k)
        t_s, u_s = instant
        u_s = math.hypot(u_s, self._channels.stamp_u_s)
        if self._samples.interval_s > CLOSE_S:
            # The sample part-way may be of a later contact of a bounce, the first one anywhere since the sample before.
            u_s = max(u_s, rectangular(0.5 * self._samples.interval_s))
        return Crossing(t_s, closed, u_s, soft_s)

    def _step(self, k: int, closed: bool, threshold: float) -> tuple[float, float] | None:
        """Return the instant of a step seen at sample k and its u; None if it was none."""
        floor_v, is_fixed = self._channels.supply_floor_v, self._channels.v_in_v is not None
        low = max(0, k - _LOOK)
        t, v, ratio = (a[low : k + _LOOK] for a in (self._samples.t_s, self._samples.v_out, self._samples.ratio))
        v_in = self._samples.v_in
        passed = (ratio > threshold) == closed
        at = k - low
        while at > 1 and passed[at - 1]:
            at -= 1  # inside the hysteresis band the threshold was passed earlier
        t_after, after, ratio_after = (a[at + 1 : at + 7][passed[at + 1 : at + 7]] for a in (t, v, ratio))
        before = v[max(0, at - 6) : at - 1][~passed[max(0, at - 6) : at - 1]]
        level_before = median(before.tolist()) if len(before) else float(v[at - 1])
        # Cold lamps pull the input down as the output comes up, and where the supply was off it comes up with it.
        input_v = float(v_in[low + at] if v_in[low + at - 1] > floor_v else v_in[low + min(at + 1, len(v) - 1)])
        noise, after_part = self._channels.noise_v, 0.0
        if len(after) >= 5 and float(np.ptp(after[1:])) < _STAYED * abs(float(after[-1]) - level_before):
            level_after = level_at(float(t[at]), t_after, after)
            if closed:
                level_after, after_part = min(level_after, level_at(float(t[at]), t_after, ratio_after) * input_v), _LEVEL_PART
        else:
            # The contact bounced open at once: of the few samples the one furthest from the old level comes nearest to the new.
            level_after = float((after.max() if closed else after.min()) if len(after) else v[at])
            noise = max(noise, _SINGLE * abs(level_after))
            if closed and not is_fixed and len(after):
                level_after, after_part = min(level_after, float(ratio_after.max()) * input_v), _COLD_PART
        stepped = float(np.abs(v[at : at + 2] - v[max(at - 2, 0)]).max())
        around = abs(median(v[at + 3 : at + 7].tolist()) - median(v[max(0, at - 7) : max(1, at - 3)].tolist())) if at + 3 < len(v) else 0.0
        if stepped > _STEPPED * around and abs(level_after - level_before) > _STEP_LEAST * floor_v:
            return filtered_step_instant(t, v, at, level_before, level_after, self._channels.tau_s, noise, after_part)
        return None

    def _lasts_s(self, k: int) -> float:
        """Return how long a slow transition seen at sample k takes from a fifth to four fifths of the way between the state levels."""
        t_s, ratio = self._samples.t_s, self._samples.ratio
        span = self._levels.high - self._levels.low
        low, high = self._levels.low + 0.2 * span, self._levels.low + 0.8 * span
        # So many samples after k are there whatever the cut of the stream.
        before, after = ratio[max(0, k - SOFT_LOOK) : k + 1][::-1], ratio[k : k + 2 * self._levels.group]
        rising = float(after[-1]) > float(before[-1])
        out_before = before < low if rising else before > high
        out_after = after > high if rising else after < low
        i = k - (int(out_before.argmax()) if out_before.any() else len(before) - 1)
        j = k + (int(out_after.argmax()) if out_after.any() else len(after) - 1)
        # Both ends are samples just outside it: a step between two samples does not last at all.
        lasts_s = float(t_s[j] - t_s[min(i + 1, j)])
        # Not yet at its end as far as can be seen: it goes on as it went.
        passed = abs(float(ratio[j] - ratio[i])) / (high - low)
        return lasts_s / min(max(passed, 0.1), 1.0)

    def _slow(self, k: int, closed: bool) -> tuple[float, float]:
        """Return the half-way instant of a ramp and its u: a make is still to reach it, a break has passed it. (As far as both are there
        whatever the cut.)"""
        t_s, ratio = self._samples.t_s, self._samples.ratio
        half = 0.5 * (self._levels.low + self._levels.high)
        first, last = max(0, k - SOFT_LOOK), min(k + 2 * self._levels.group, len(ratio)) - 1
        above = first + np.flatnonzero(ratio[first : last + 1] > half)
        i = int(np.append(above[above >= k], last)[0] if closed else min(np.append(first, above[above <= k])[-1] + 1, last))
        rise = float(ratio[i] - ratio[i - 1])
        interval_s = float(t_s[i] - t_s[i - 1])
        part = min(max((half - float(ratio[i - 1])) / rise, 0.0), 1.0) if rise else 1.0
        share = min(1.0, abs(rise) / (self._levels.high - self._levels.low))
        t_half_s = float(t_s[i - 1]) + part * interval_s - self._channels.tau_s
        return t_half_s, share * interval_s / math.sqrt(12.0) + _RAMP_U * interval_s
