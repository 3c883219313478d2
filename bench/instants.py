"""When a voltage stepped: reference instants (IEEE Std 181) behind a first-order input filter."""

from __future__ import annotations

import math

from bench.samples import Array

# Tolerance of the input filter's time constant: 1 % resistor, 5 % capacitor (rectangular), as the reference rig's parts list has it.
TAU_U = 0.03
_LEFT = 0.05  # of a step: a sample that has come so far has left the level before it
_SHORT_OF = 0.12  # of a step: so much less than a filter would give at the next sample is no step, but a ramp
_MOVED_BEFORE = 0.1  # of a step: a sample before it that had come so far shows a ramp
_ARRIVED = math.exp(-3.0)  # of a step, what is still to come when it counts as arrived


def filtered_step_instant(
    t_s: Array, v: Array, k: int, before: float, after: float, tau_s: float, noise: float = 0.0, after_part: float = 0.0
) -> tuple[float, float]:
    """Return the true instant of a step that a first-order filter of time constant tau_s has smoothed, and its standard uncertainty, s.

    `k` is the first sample past the middle between the levels `before` and `after`. `after_part`: the step may really have been smaller
    by up to this part of it; a sample that near to its end may then have arrived, and doesn't say when. With tau_s = 0, or a transition
    too slow to be a step, the 50 % reference instant by linear interpolation (IEEE Std 181), less tau_s for the filter's delay. Between
    equal levels there is no instant but the sample's. `noise`: standard deviation of v.
    """
    if after == before:
        return float(t_s[k]), float(t_s[k] - t_s[max(k - 1, 0)])
    x = (v - before) / (after - before)
    i = max(k - 1, 0)
    if tau_s > 0.0:
        # The step is fast if the sample after the crossing has all but arrived, and nothing moved before the sample at hand.
        first = i if x[i] > _LEFT else k
        later = min(first + 1, len(x) - 1)
        expected = 1.0 - (1.0 - min(x[first], 1.0)) * math.exp(-(t_s[later] - t_s[first]) / tau_s) if later > first else 1.0
        # (If it went back instead, the contact has parted again: a step all the same.)
        if (x[later] > expected - _SHORT_OF or x[later] < x[first]) and (first == 0 or x[first - 1] < _MOVED_BEFORE):
            interval = float(t_s[first] - t_s[first - 1]) if first else 0.0
            reach = -tau_s * math.log(_ARRIVED + after_part)
            if x[first] < 1.0 - _ARRIVED - after_part:
                back = -tau_s * math.log1p(-max(float(x[first]), 0.0))
                rest = 1.0 - float(x[first])
                u_noise = tau_s * noise / abs(after - before) / rest
                of_smaller = -tau_s * math.log1p(-max(float(x[first]), 0.0) / (1.0 - after_part))
                u_after = (of_smaller - back) / math.sqrt(3.0)
                return float(t_s[first]) - min(back, interval or back), math.hypot(u_noise, u_after, TAU_U * back)
            if interval <= reach:
                return float(t_s[first]) - interval, 0.1 * interval
            half = (interval - reach) / 2.0
            return float(t_s[first]) - reach - half, half / math.sqrt(3.0)
    if k == 0 or x[k] == x[i]:
        return float(t_s[k]), 0.0
    part = min(max((0.5 - float(x[i])) / float(x[k] - x[i]), 0.0), 1.0)
    interval = float(t_s[k] - t_s[i])
    # A step between two samples may lie anywhere; a ramp over many is located by the interpolation.
    share = min(1.0, abs(float(x[k] - x[i])))
    u = math.hypot(share * interval / math.sqrt(12.0), noise / abs(after - before) * interval / max(share, 0.05))
    return float(t_s[i]) + part * interval - tau_s, u


def level_at(at_s: float, t_s: Array, v: Array) -> float:
    """Return the level just after a make, carried back along the inrush's decay: the first sample after it may still be rising."""
    t, level = t_s[1:].tolist(), v[1:].tolist()  # of five numbers plain Python is faster than numpy
    mean_t, mean_level = sum(t) / len(t), sum(level) / len(level)
    slope = sum((a - mean_t) * b for a, b in zip(t, level, strict=True)) / sum((a - mean_t) ** 2 for a in t)
    return float(mean_level + slope * (at_s - mean_t))
