"""The inrush peak, which falls between samples: the decay after a make carried back to its instant.

Strategy. Between samples of 130 us the current of cold lamps falls by 5 to 20 %, so the largest sample is not the peak. After a make
the filament heats with next to no loss: dT/dt ~ I^2 R with R ~ T^1.2 and I = V / (R + r). Then the current to the power -1.7 runs
nearly straight against the time closed, and a fit over 2.6 ms carries it back to the make.

What is left of curvature was found by integrating that for loads of 5 to 63 W at 6, 12 and 24 V, cold and 0.3 s after the last
flash: over 2.6 ms it is 0.09 of the slope where that is small and -0.12 where it is steep; small slopes of warm lamps of unlike
wattage have down to -0.25. It is used as knowledge beside the samples (one more row of the least squares, weighted by its own
uncertainty), so that the parabola stays well-behaved when bounce leaves only a few samples far from the make. With cold lamps the
result is 0.2 % high on the average, which is taken off.

Time counts only while the contact is closed: a bouncing contact heats nothing while it is open. The uncertainty has the scatter about
the fit, the law's own error, which grows with the distance carried back, and the steepness at the make times how well its instant is
known. Beyond a quarter of the value there is no reading.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from bench.readings import Reading
from bench.samples import EXACT, Array, Timing
from bench.transitions import CLOSE_S, UNSEEN_S, Transition
from bench.uncertainty import rectangular

_POWER = -1.7  # of the current, which then runs nearly straight
_FIT_S = 2.6e-3  # 20 samples of the reference rig's output; later the law is not straight enough
_MODEL_BIAS, _MODEL_U = 0.002, 0.0045  # of the peak of cold lamps (integrated, see above)
_MODEL_U_PER_S = 2.0  # of the peak for each second that it is carried back beyond the filters' settling: 0.5 % for 2.5 ms
_SAMPLES_LEAST = 5  # for three unknowns and their scatter
_WORST = 0.25  # relative uncertainty beyond which a peak says nothing
# Weight of the known curvature against a sample. It grows without end as the slope of an LED lamp or a resistor goes to nothing, and would
# leave the other columns no digits.
_KNOWN_MOST = 1e3
_CROSSING_U_S = 22e-6  # of each crossing of a bounce at least: its levels are hard to tell
_TELLS = 1.4  # time constants for which a sample behind a filter is surely on its way, where its level is known to a quarter only
_ROSE = 1.5  # times the first sample: more is no noise of a decay


def current_at_make(t_s: Array, i_a: Array, make: Transition, tau_s: float, timing: Timing = EXACT) -> Reading | None:
    """Return the current through cold or cooling lamps at the instant of make, from the decay after it; None if the samples don't carry it.

    Time counts only while the contact was closed (a bouncing contact heats nothing while open). Samples within the filter's settling
    time, or the sampling time, after the last crossing are not used. The uncertainty grows with the distance carried back, and with how
    far the channel of the current may lie in time from that of the contact.
    """
    last = make.again_s[-1] if make.again_s else make.t_s
    edges = (make.t_s, *make.again_s)
    open_s = sum(b - a for a, b in zip(edges[1::2], edges[2::2], strict=True))
    settle = max(6.0 * tau_s, timing.sampling_s, 1e-6)
    used = (t_s > last + settle) & (t_s < last + settle + _FIT_S)
    x = t_s[used] - tau_s - make.t_s - open_s
    i = i_a[used]
    if len(x) < _SAMPLES_LEAST or float(i.min()) <= 0.0 or float(i.max()) > _ROSE * float(i[0]):
        return None  # what rises has met a gap that lay between two samples
    fit = _fit(x / _FIT_S, i)
    if fit is None:
        return None
    peak = fit.level ** (1.0 / _POWER) * (1.0 - _MODEL_BIAS * min(fit.steepness, 1.0))
    falls_per_s = fit.steepness / _FIT_S / -_POWER  # relative fall of the current
    # A crossing lies anywhere between two samples, but for the time in which a filter, not yet settled at the second, tells where.
    interval_s = float(t_s[1] - t_s[0])
    crossing_u_s = max(_CROSSING_U_S, rectangular(0.5 * max(interval_s - _TELLS * tau_s, 0.0)))
    closed_u_s = rectangular(max(0.5 * make.bounce_s, UNSEEN_S)) if interval_s > CLOSE_S else 0.0
    instant_u2 = make.u_s**2 + make.soft_s**2 + rectangular(timing.skew_s) ** 2 + closed_u_s**2 + crossing_u_s**2 * len(make.again_s)
    model_u = _MODEL_U + _MODEL_U_PER_S * max(float(x[0]) - settle, 0.0)
    relative = math.sqrt(fit.level_u2 / (fit.level * _POWER) ** 2 + model_u**2 + falls_per_s**2 * instant_u2)
    return Reading(peak, peak * relative, len(x)) if relative <= _WORST else None


class _Fit(NamedTuple):
    """The current to the power -1.7 at the make, the variance of that, and its slope over 2.6 ms relative to it."""

    level: float
    level_u2: float
    steepness: float


def _fit(z: Array, i_a: Array) -> _Fit | None:
    """Fit a parabola of known curvature to the current to the power -1.7; `z`: time closed over 2.6 ms. None if it does not hold."""
    weight = (i_a / i_a.mean()) ** (1.0 - _POWER)  # the noise of the current is even, that of its power is not
    target = i_a**_POWER * weight
    design = np.stack((np.ones_like(z), z, z * z), axis=1) * weight[:, None]
    first, _, _, _ = np.linalg.lstsq(design[:, :2], target, rcond=None)
    residual = target - design[:, :2] @ first
    s = math.sqrt(float(residual @ residual) / (len(z) - 2))
    slope = abs(float(first[1]))
    curvature, curvature_u = _curvature(slope / max(float(first[0]), 1e-12))
    known = min(s / (curvature_u * slope), _KNOWN_MOST) if slope > 0.0 else _KNOWN_MOST
    design = np.vstack((design, np.array([0.0, -curvature, 1.0]) * known))
    target = np.append(target, 0.0)
    solution, _, _, _ = np.linalg.lstsq(design, target, rcond=None)
    level = float(solution[0])
    if level <= 0.0:
        return None
    residual = (target - design @ solution)[:-1]
    s2 = float(residual @ residual) / (len(z) - 2)
    return _Fit(level, float(np.linalg.inv(design.T @ design)[0, 0]) * s2, abs(float(solution[1])) / level)


def _curvature(steepness: float) -> tuple[float, float]:
    """Return curvature over slope of the current to the power -1.7, and its u, from the slope over 2.6 ms relative to the value at the
    make."""
    if steepness < 0.8:
        return -0.03, 0.10
    return max(0.08 - 0.03 * steepness, -0.12), 0.04
