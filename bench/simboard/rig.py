"""The rig's analog side: true voltages and currents become the counts that a board's converter would give.

In this order: what the sense leads touch, each channel's amplifier with its errors and clamps, the input filter, the converter with its
linearity error and noise. Errors are drawn once for a board from the very uncertainties that its description states, so a host that
believes the description believes the truth about this board. Between its nodes a waveform is a straight line, for which the response of a
first-order filter is known exactly; so the waveform is never sampled on a grid of its own. Nothing here was taken from a built board; left
out are the recovery of an overdriven amplifier (some 10 us) and carry-over between channels.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from bench.bank import Bank
from bench.description import PERIOD_SCANS, BoardDescription, BoardLoad, parse_description, scan_plan
from bench.samples import Array
from bench.simboard.hidden import Hidden
from bench.simboard.waveform import Waveform

DESCRIPTION_TEXT = """\
board,1,rig-328,SIM00001
clock,16000000,0.005
mode,FAST,416,5,10
mode,PREC,1664,5,10
channel,v_in,V,0,0,1,4.7E-5
channel,v_out,V,1,0,1,4.7E-5
channel,v_drop,V,2,0,1,4.7E-5
channel,i_load,A,3,0,1,4.7E-5
channel,i_load_low,A,4,0,2,4.7E-5
channel,v_pilot,V,4,1,2,4.7E-5
channel,temperature,degC,4,31,64,0
channel,self_check,V,4,63,64,0
range,v_in,0,0,0.03596,0,36.78,0.0013,0.035,0.018,0.018
range,v_in,1,0,0.0184,0,18.8,0.0013,0.018,0.009,0.009
range,v_out,0,0,0.03596,0,36.78,0.0013,0.035,0.018,0.018
range,v_out,1,0,0.0184,0,18.8,0.0013,0.018,0.009,0.009
range,v_drop,0,64,0.001,-0.064,0.959,0.0015,0.003,0.0006,0.0006
range,i_load,0,64,0.08,-5.12,76.7,0.006,0.12,0.04,0.04
range,i_load_low,0,64,0.008,-0.512,7.67,0.006,0.025,0.004,0.005
range,v_pilot,0,0,0.0184,0,18.8,0.0013,0.018,0.009,0.009
range,temperature,0,0,1,-20,80,0,1,0.1,0.1
range,self_check,0,0,0.004,0,4.092,0.001,0.004,0.002,0.002
common,v_drop,v_in,0.00105
curve,temperature,NTC,10000,10000,3950
check,self_check,3.84,0.0002
loop,0.1,0.006
load,1,LAMP,21
load,2,LAMP,21
load,3,LAMP,21
load,4,LAMP,10
load,5,LAMP,5
load,6,FREE,0
load,7,PILOT,2.2
load,8,LEAK,1000
limit,CURR,0.5,75,75
limit,DELAY,0.001,5,0.05
limit,TIME,1,172800,120
limit,SIL,0.2,1,1
"""

# Amplifiers run from 5 V and clip there, above the converter's 4.096 V: the filters behind them charge to what they give.
_RAIL_PART = 5.0 / 4.096
_DRIFT_TIME_S = 60.0
_COMPARATOR_FLOOR_V = 1.0
_NOISE_BLOCK = 1 << 16
MOST_SAMPLES = 2048
"""The most that one call of `Rig.counts` may ask for."""


def rig_description(seed: int, bank: Bank | None = None) -> BoardDescription:
    """Return what the simulated board of this seed states about itself: the seed gives its serial number, the bank (None: `standard`) its
    lamps; a socket without a filament lamp is FREE."""
    description = parse_description(DESCRIPTION_TEXT.splitlines())
    loads = dict(description.loads)
    for number, socket in enumerate(bank.sockets if bank is not None else (), start=1):
        loads[number] = BoardLoad(number, "LAMP" if socket.watts else "FREE", socket.watts)
    return replace(description, serial=f"SIM{seed % 100000:05d}", loads=loads)


@dataclass(frozen=True)
class _Configuration:
    """What is constant during a run: by channel, then by position of the scan plan (repeated, so that a slice is enough)."""

    gain: Array
    zero: Array
    low: Array
    high: Array
    line: Array
    stuck: npt.NDArray[np.bool_]
    period: int
    owner: npt.NDArray[np.intp]
    per_unit: Array
    code_zero: Array
    sigma: Array
    of_channel: tuple[Array, Array, Array]


class Rig:
    """The analog side of one board. It takes the true waveform stretch by stretch (`follow`), then gives the counts at instants within the
    last stretch.

    `follow` solves the first-order input filters exactly for straight lines with jumps: the output is x - tau x' less
    exponentials that start at every jump and kink.
    """

    def __init__(self, description: BoardDescription, hidden: Hidden, rng: np.random.Generator, ambient_c: float) -> None:
        self.description = description
        self.hidden = hidden
        self.ambient_c = ambient_c
        self.comparator = False
        self._rng = rng
        self._names = list(description.channels)
        self._tau = max(channel.delay_s for channel in description.channels.values())
        self._full = 1 << max(mode.bits for mode in description.modes.values())
        self._noise = np.empty(0)
        self._noise_used = 0
        self.configure(0)
        # Filters at rest on a dead circuit.
        columns = len(self._names)
        self._end = np.zeros(columns)
        self._slope = np.zeros(columns)
        self._rest = np.zeros(columns)
        self._settled = False

    def configure(self, range_number: int) -> None:
        """Select a voltage range; also needed after `ambient_c` was changed."""
        rows = [self._converted(name, range_number) for name in self._names]
        gains, zeros, lows, highs, per_units, code_zeros, sigmas, lines = (np.array(column) for column in zip(*rows, strict=True))
        stuck = np.array([name in self.hidden.stuck for name in self._names])
        period = PERIOD_SCANS * self.description.slots
        owner = np.zeros(period, dtype=np.intp)
        for name, positions in scan_plan(self.description).items():
            owner[positions] = self._names.index(name)
        owner = np.resize(owner, period + MOST_SAMPLES)
        self._configuration = _Configuration(
            gains, zeros, lows, highs, lines, stuck, period, owner, per_units[owner], code_zeros[owner], sigmas[owner],
            (per_units, code_zeros, sigmas),
        )  # fmt: skip

    def _converted(self, name: str, range_number: int) -> tuple[float, float, float, float, float, float, float, Array]:
        """Return how a channel becomes codes: gain, zero, clamps (low, high), codes for each unit, code of 0, noise in codes, linearity."""
        channel = self.description.channels[name]
        r = channel.range(range_number)
        errors = self.hidden.ranges[name, r.number]
        # The description's noise is that of readings, so it holds the rounding to whole codes: 1/12 of a code squared.
        sigma = self.hidden.noise_factor * math.sqrt(max((r.noise / r.scale) ** 2 - 1.0 / 12.0, 0.0))
        per_unit = 1.0 / (r.scale * (1.0 + self.hidden.reference_error))
        zero, code_zero, line = errors.zero, r.zero, errors.line / r.scale
        if channel.curve is not None:
            # A thermistor is read as a ratio to the reference: codes, not units; noise by the slope of its curve here.
            slope = self._full * (channel.curve.ratio(self.ambient_c) - channel.curve.ratio(self.ambient_c + 1.0))
            per_unit, sigma, line = 1.0, self.hidden.noise_factor * r.noise * slope, 0.0 * errors.line
            zero = self._full * channel.curve.ratio(self.ambient_c + errors.zero)
            code_zero = 0.0
        low, high = -code_zero / per_unit, (_RAIL_PART * self._full - code_zero) / per_unit
        return 1.0 + errors.gain, zero, low, high, per_unit, code_zero, sigma, line

    def self_test(self) -> int:
        """Return what `*TST?` finds, as bits: 1 a built-in standard reads off by more than 5 u, 2 a channel is stuck."""
        result = 2 if self.hidden.stuck else 0
        for check in self.description.checks:
            r = self.description.channels[check.channel].range(0)
            errors = self.hidden.ranges[check.channel, r.number]
            reading = self.hidden.checks[check.channel] * (1.0 + errors.gain) + errors.zero
            reading /= 1.0 + self.hidden.reference_error
            u = math.hypot(check.u, r.u_at(check.expected))
            if abs(reading - check.expected) > 5.0 * u:
                result |= 1
        return result

    def _sensed(self, wave: Waveform) -> tuple[Array, Array]:
        """Return the voltages on the sense leads of the unit's input and output."""
        return {
            "right": (wave.v_in, wave.v_out),
            "in open": (np.zeros_like(wave.v_in), wave.v_out),
            "out open": (wave.v_in, np.zeros_like(wave.v_out)),
            "swapped": (wave.v_out, wave.v_in),
        }[self.hidden.sense]

    def _inputs(self, wave: Waveform) -> Array:
        """Return the amplifiers' outputs in their channels' units, before clamps, shape (k, channels)."""
        sense_in, sense_out = self._sensed(wave)
        current = wave.i_load
        if self.hidden.current_drift_a:
            current = current + self.hidden.current_drift_a * np.minimum(wave.t_s / _DRIFT_TIME_S, 1.0)
        true = {
            "v_in": sense_in,
            "v_out": sense_out,
            "v_drop": sense_in - sense_out,
            "i_load": current,
            "i_load_low": current,
            "v_pilot": wave.v_pilot,
        }
        x = np.empty((len(wave.t_s), len(self._names)))
        for number, name in enumerate(self._names):
            x[:, number] = true[name] if name in true else self.hidden.checks.get(name, 0.0)
        x *= self._configuration.gain
        x += self._configuration.zero
        for (name, other), part in self.hidden.common.items():
            x[:, self._names.index(name)] += part * true[other]
        return x

    def follow(self, wave: Waveform) -> list[float]:
        """Take the next stretch of the waveform, which begins where the last one ended; return when the comparator changed in it, in s."""
        changes = self._compare(wave)
        t, x = self._clamped(wave.t_s, self._inputs(wave))
        dt = np.diff(t)
        whole = np.flatnonzero(dt > 0.0)
        if len(whole):
            self._filter(t, x, dt[whole], whole)
        return changes

    def _clamped(self, t: Array, x: Array) -> tuple[Array, Array]:
        """Return the amplifiers' outputs behind their clamps, with nodes where they reach them."""
        low, high = self._configuration.low, self._configuration.high
        outside = (x < low) | (x > high)
        if bool((outside.any(axis=0) & ~outside.all(axis=0)).any()):
            t, x = _with_clamp_kinks(t, x, low, high)
        if outside.any():
            np.clip(x, low, high, out=x)
        return t, x

    def _filter(self, t: Array, x: Array, dt: Array, whole: npt.NDArray[np.intp]) -> None:
        """Solve the input filters over the segments `whole`, each of dt > 0, from its node to the next: level, slope and kick of each."""
        begin, end = x[whole], x[whole + 1]
        slope = (end - begin) / dt[:, None]
        tau = self._tau
        if not self._settled:
            self._end, self._slope, self._settled = begin[0], slope[0], True
        kick = begin - tau * slope
        kick[0] -= self._end - tau * self._slope
        kick[1:] -= end[:-1] - tau * slope[:-1]
        decay = np.exp(dt / -tau)
        kick[0] += self._rest
        # What is left of the kick before: only where a segment is short against tau (47 us), 1e-9 of it lies far below the noise.
        for k in np.flatnonzero(decay[:-1] > 1e-9) + 1:
            kick[k] += decay[k - 1] * kick[k - 1]
        self._t, self._level, self._slopes, self._kick = t[whole], begin - tau * slope, slope, kick
        self._end, self._slope, self._rest = end[-1], slope[-1], decay[-1] * kick[-1]

    def _compare(self, wave: Waveform) -> list[float]:
        """Return where the output crosses half the input (which counts as 1 V at least), by linear interpolation."""
        sensed_in, sensed_out = self._sensed(wave)
        above = sensed_out - 0.5 * np.maximum(sensed_in, _COMPARATOR_FLOOR_V)
        high = above > 0.0
        changes = []
        if bool(high[0]) != self.comparator:
            changes.append(float(wave.t_s[0]))
        for k in np.flatnonzero(high[1:] != high[:-1]):
            share = above[k] / (above[k] - above[k + 1])
            changes.append(float(wave.t_s[k] + share * (wave.t_s[k + 1] - wave.t_s[k])))
        self.comparator = bool(high[-1])
        return changes

    def counts(self, t_s: Array, first: int) -> npt.NDArray[np.uint16]:
        """Return the converter's counts at these ascending instants of the last stretch; `first` is the number of the first sample."""
        run = self._configuration
        here = slice(first % run.period, first % run.period + len(t_s))
        owner = run.owner[here]
        k = np.searchsorted(self._t, t_s, side="right") - 1
        np.maximum(k, 0, out=k)
        since = t_s - self._t[k]
        flat = k * len(self._names) + owner
        value = self._slopes.take(flat)
        value *= since
        value += self._level.take(flat)
        since /= -self._tau
        value -= self._kick.take(flat) * np.exp(since, out=since)
        value *= run.per_unit[here]
        value += run.code_zero[here]
        value += self._normal(len(t_s)) * run.sigma[here]
        top = self._full - 1
        code = np.clip(value, 0, top).astype(np.intp)
        value += run.line[owner, code]
        if run.stuck.any():
            value[run.stuck[owner]] = 0.5 * self._full
        np.rint(value, out=value)
        return np.clip(value, 0, top, out=value).astype(np.uint16)

    def inputs(self, t_s: Array) -> Array:
        """Return the values at all the converter's inputs at these ascending instants of the last stretch, in codes neither rounded nor cut
        off, noise included; shape (n, channels). For a converter that chooses its input itself.
        """
        per_unit, code_zero, sigma = self._configuration.of_channel
        k = np.maximum(np.searchsorted(self._t, t_s, side="right") - 1, 0)
        since = (t_s - self._t[k])[:, None]
        value = self._level[k] + self._slopes[k] * since - self._kick[k] * np.exp(since / -self._tau)
        value = value * per_unit + code_zero
        value += self._normal(value.size).reshape(value.shape) * sigma
        code = np.clip(value, 0, self._full - 1).astype(np.intp)
        value += np.take_along_axis(self._configuration.line.T, code, axis=0)
        value[:, self._configuration.stuck] = 0.5 * self._full
        return value

    def _normal(self, count: int) -> Array:
        """Return normal numbers, drawn in blocks so that the noise does not depend on how time was cut."""
        parts = []
        while count:
            if self._noise_used == len(self._noise):
                self._noise, self._noise_used = self._rng.standard_normal(_NOISE_BLOCK), 0
            part = self._noise[self._noise_used : self._noise_used + count]
            self._noise_used += len(part)
            count -= len(part)
            parts.append(part)
        return parts[0] if len(parts) == 1 else np.concatenate([*parts, np.empty(0)])


def _with_clamp_kinks(t: Array, x: Array, low: Array, high: Array) -> tuple[Array, Array]:
    """Add nodes where a channel enters or leaves its clamps, so that clipping the nodes clips the lines between them."""
    step = np.diff(x, axis=0)
    dt = np.diff(t)[:, None]
    added = []
    for bound in (low, high):
        with np.errstate(divide="ignore", invalid="ignore"):
            share = (bound - x[:-1]) / step
        inside = (share > 0.0) & (share < 1.0) & (dt > 0.0)
        segment, column = np.nonzero(inside)
        added.append(t[segment] + share[segment, column] * dt[segment, 0])
    extra = np.unique(np.concatenate(added))
    if not len(extra):
        return t, x
    k = np.clip(np.searchsorted(t, extra, side="right") - 1, 0, len(t) - 2)
    keep = (t[k + 1] > t[k]) & (extra > t[k]) & (extra < t[k + 1])
    extra, k = extra[keep], k[keep]
    share = ((extra - t[k]) / (t[k + 1] - t[k]))[:, None]
    between = x[k] + share * (x[k + 1] - x[k])
    return np.insert(t, k + 1, extra), np.insert(x, k + 1, between, axis=0)
