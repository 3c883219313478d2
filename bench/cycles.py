"""Transitions to cycles: each flash with its levels, its inrush, its lowest drop; what lies in a gap is marked and left out.

Pure. A cycle is a waveform period (IEEE Std 181): from one make to the next. Values here carry only their random uncertainty;
scales, zeros and clock come in `bench.measure`.

Two traps are met here. The lowest of many noisy samples is too low and the highest too high, so a block is chosen by one half of its
samples and valued by the other. And the inrush peak falls between samples, so the decay after it is carried back to the make.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np

from bench.samples import Accuracy, Array, Block
from bench.transitions import Change, Gap, Interruption, SupplyEdge, Transition

SETTLE_S = 0.4e-3  # amplifier and input filters after a step: within 1 mV after 0.31 ms (circuit simulation of the reference rig)
_TAIL_S = 50.0e-3
_HOLD_S = 4.0  # a state that lasts longer is kept as its first and its last part
_KEEP_HEAD_S, _KEEP_TAIL_S = 0.5, 2.0
_REST_S = 1.0
_WITH_SUPPLY_S = 2e-3
_FLOW_LEAST_S = 0.5


@dataclass(frozen=True, slots=True)
class Reading:
    """A value in the channel's unit with the standard uncertainty of its random part, from n samples."""

    value: float
    u: float
    n: int


@dataclass(frozen=True, slots=True)
class Lit:
    """The ON part of a cycle. `supply`, `lamp`, `steady` at its end; `drop` the lowest, `drop_a` the current then.

    `by_difference`: the drop amplifier was out of range, so input less output was taken. `peak`: current at the instant of make.
    `dip`: input voltage and current together just after it. `siemens`: conductance of the load at the instant of the first make.
    """

    supply: Reading | None
    lamp: Reading | None
    steady: Reading | None
    drop: Reading | None
    drop_a: Reading | None
    by_difference: bool
    peak: Reading | None
    pilot: Reading | None
    dip: tuple[float, float] | None
    siemens: Reading | None = None


@dataclass(frozen=True, slots=True)
class Dark:
    """The OFF part of a cycle: current, input and output voltage at its end, pilot voltage."""

    current: Reading | None
    supply: Reading | None
    out: Reading | None
    pilot: Reading | None


@dataclass(frozen=True, slots=True)
class Cycle:
    """One waveform period. `begun`, `broke`, `ended` are its make, break and the next make. `whole` is False if samples are missing."""

    begun: Transition
    broke: Transition
    ended: Transition
    lit: Lit
    dark: Dark
    whole: bool = True

    @property
    def on_s(self) -> float:
        return self.broke.t_s - self.begun.t_s

    @property
    def off_s(self) -> float:
        return self.ended.t_s - self.broke.t_s

    @property
    def period_s(self) -> float:
        return self.ended.t_s - self.begun.t_s


def mean_reading(v: Array) -> Reading | None:
    n = len(v)
    if not n:
        return None
    mean = float(v.sum()) / n
    x = v - mean
    return Reading(mean, math.sqrt(float(x @ x) / (n - 1) / n) if n > 1 else 0.0, n)


def end_reading(t_s: Array, v: Array, at_s: float) -> Reading | None:
    """Value at `at_s`, the end of these samples, by a straight line through them; their mean if they are fewer than eight."""
    n = len(v)
    if n < 8:
        return mean_reading(v)
    mean_t, mean = float(t_s.sum()) / n, float(v.sum()) / n
    x = t_s - mean_t
    sxx = float(x @ x)
    slope = float(x @ v) / sxx
    residual = v - mean - slope * x
    s2 = float(residual @ residual) / (n - 2)
    reach = at_s - mean_t
    return Reading(mean + slope * reach, math.sqrt(s2 * (1.0 / n + reach * reach / sxx)), n)


def lowest_reading(t_s: Array, v: Array) -> tuple[Reading, int, int] | None:
    """The lowest level of a noisy signal, not biased by the noise: reading, and the samples [i, j) it stands on.

    Blocks of about 5 ms are compared by their even samples and valued by their odd ones, then the other way round. Where the chosen
    block slopes by more than its noise, the value is that at its lower end.
    """
    n = len(v)
    if n < 8:
        return None
    width = min(max(n // 6, 8), 40) // 2 * 2
    blocks = n // width
    tail = v[n - blocks * width :].reshape(blocks, width)
    even, odd = tail[:, ::2].mean(axis=1), tail[:, 1::2].mean(axis=1)
    by_even, by_odd = int(even.argmin()), int(odd.argmin())
    readings = []
    for chosen, half in ((by_even, 1), (by_odd, 0)):
        start = n - (blocks - chosen) * width
        readings.append(_sloped(t_s[start + half : start + width : 2], v[start + half : start + width : 2]))
    u = math.hypot(readings[0].u, readings[1].u) / 2.0
    start = n - (blocks - by_even) * width
    return Reading((readings[0].value + readings[1].value) / 2.0, u, width), start, start + width


def _sloped(t_s: Array, v: Array) -> Reading:
    """The level of a short block: its mean, or its lower end if it slopes beyond doubt."""
    n = len(v)
    x = t_s - t_s.mean()
    sxx = float(x @ x)
    slope = float(x @ v) / sxx
    residual = v - v.mean() - slope * x
    s2 = float(residual @ residual) / (n - 2) if n > 2 else 0.0
    u_mean = math.sqrt(s2 / n)
    if abs(slope) <= 4.0 * math.sqrt(s2 / sxx):
        return Reading(float(v.mean()), u_mean, n)
    reach = float(x[-1])
    return Reading(float(v.mean()) - abs(slope) * reach, math.hypot(u_mean, math.sqrt(s2 / sxx) * reach), n)


# After a make the filament heats with next to no loss: dT/dt ~ I^2 R with R ~ T^1.2 and I = V / (R + r). Then the current to the power
# -1.7 runs nearly straight against the time closed. What is left of curvature was found by integrating that for loads of 5 to 63 W at
# 6, 12 and 24 V, cold and 0.3 s after the last flash: over 2.6 ms it is 0.09 of the slope where that is small and -0.12 where it is
# steep; small slopes of warm lamps of unlike wattage have down to -0.25. This is used as knowledge beside the samples, so the parabola
# stays well-behaved when bounce leaves only a few of them far from the make. With cold lamps it ends 0.2 % high on the average, which
# is taken off.
_POWER = -1.7
_FIT_S = 2.6e-3
_MODEL_BIAS, _MODEL_U = 0.002, 0.0045
_MODEL_U_PER_S = 2.0
_CROSSING_U_S = 22e-6  # of each crossing of a bounce: its levels are hard to tell


def current_at_make(t_s: Array, i_a: Array, make: Transition, tau_s: float) -> Reading | None:
    """Current through cold or cooling lamps at the instant of make, from the decay after it; None if the samples don't carry it.

    Time counts only while the contact was closed (a bouncing contact heats nothing while open). Samples within the filter's settling
    time after the last crossing are not used. The uncertainty grows with the distance carried back.
    """
    last = make.again_s[-1] if make.again_s else make.t_s
    edges = (make.t_s, *make.again_s)
    open_s = sum(b - a for a, b in zip(edges[1::2], edges[2::2], strict=True))
    settle = max(6.0 * tau_s, 1e-6)
    used = (t_s > last + settle) & (t_s < last + settle + _FIT_S)
    x = t_s[used] - tau_s - make.t_s - open_s
    i = i_a[used]
    if len(x) < 5 or float(i.min()) <= 0.0:
        return None
    y = i**_POWER
    z = x / _FIT_S
    weight = (i / i.mean()) ** (1.0 - _POWER)  # the noise of i is even, that of y is not
    design = np.stack((np.ones_like(z), z, z * z), axis=1) * weight[:, None]
    first, _, _, _ = np.linalg.lstsq(design[:, :2], y * weight, rcond=None)
    residual = y * weight - design[:, :2] @ first
    s = math.sqrt(float(residual @ residual) / (len(z) - 2))
    slope = abs(float(first[1]))
    curvature, curvature_u = _curvature(slope / max(float(first[0]), 1e-12))
    known = s / (curvature_u * slope) if s > 0.0 and slope > 0.0 else 1.0
    design = np.vstack((design, np.array([0.0, -curvature, 1.0]) * known))
    target = np.append(y * weight, 0.0)
    solution, _, rank, _ = np.linalg.lstsq(design, target, rcond=None)
    if rank < 3 or solution[0] <= 0.0:
        return None
    residual = (target - design @ solution)[:-1]
    s2 = float(residual @ residual) / (len(z) - 2)
    covariance = np.linalg.inv(design.T @ design) * s2
    coldness = min(abs(float(solution[1])) / float(solution[0]), 1.0)
    peak = float(solution[0]) ** (1.0 / _POWER) * (1.0 - _MODEL_BIAS * coldness)
    steepness = abs(float(solution[1])) / _FIT_S / float(solution[0]) / -_POWER  # relative fall of the current for each second
    relative = math.sqrt(
        float(covariance[0, 0]) / (float(solution[0]) * _POWER) ** 2
        + (_MODEL_U + _MODEL_U_PER_S * max(float(x[0]) - settle, 0.0)) ** 2
        + steepness**2 * (make.u_s**2 + _CROSSING_U_S**2 * len(make.again_s))
    )
    if relative > 0.25:
        return None
    return Reading(peak, peak * relative, len(x))


def _curvature(steepness: float) -> tuple[float, float]:
    """Curvature over slope of the current to the power -1.7, and its u, from the slope over 2.6 ms relative to the value at the make."""
    if steepness < 0.8:
        return -0.03, 0.10
    return max(0.08 - 0.03 * steepness, -0.12), 0.04


class _Store:
    """The samples of the state at hand, by channel; old ones are let go."""

    def __init__(self) -> None:
        self._parts: dict[str, tuple[Array, Array]] = {}

    def add(self, block: Block) -> None:
        for name, trace in block.traces.items():
            kept = self._parts.get(name)
            self._parts[name] = (
                (trace.t_s, trace.values)
                if kept is None
                else (np.concatenate((kept[0], trace.t_s)), np.concatenate((kept[1], trace.values)))
            )

    def between(self, name: str, begin_s: float, end_s: float) -> tuple[Array, Array]:
        t, v = self._parts.get(name, (_EMPTY, _EMPTY))
        i, j = t.searchsorted((begin_s, end_s))
        return t[i:j], v[i:j]

    def forget_before(self, t_s: float) -> None:
        for name, (t, v) in self._parts.items():
            i = int(t.searchsorted(t_s))
            if i:
                self._parts[name] = t[i:], v[i:]

    def forget_between(self, begin_s: float, end_s: float) -> None:
        for name, (t, v) in self._parts.items():
            i, j = np.searchsorted(t, (begin_s, end_s))
            if j > i:
                self._parts[name] = np.concatenate((t[:i], t[j:])), np.concatenate((v[:i], v[j:]))


_EMPTY: Array = np.empty(0)


class CycleCutter:
    """Blocks and the changes found in them in, cycles out; one verb, `feed`.

    `applied` is when voltage came to the unit (None if never seen), `rest` the channels' readings while there was none,
    `interruptions` the drop-outs too short to be a state, `first` and `first_lit` the transitions of the start and its first light.
    """

    def __init__(self, accuracies: Mapping[str, Accuracy], delays_s: Mapping[str, float]) -> None:
        self.accuracies = accuracies
        self._delays = delays_s
        self._store = _Store()
        self._now = 0.0
        self.applied: SupplyEdge | None = None
        self.removed: SupplyEdge | None = None
        self.rest: dict[str, Reading] = {}
        self.interruptions = 0
        self.first: list[Transition] = []
        self.broken = 0
        self.seen_dark: Dark | None = None
        self._make: Transition | None = None
        self._break: Transition | None = None
        self._lit: Lit | None = None
        self._state_since = 0.0
        self._peak: Reading | None = None
        self._over = False
        self.first_lit: Lit | None = None

    def feed(self, block: Block, changes: Iterable[Change]) -> list[Cycle]:
        self._store.add(block)
        self._now = block.end_s
        cycles: list[Cycle] = []
        for change in changes:
            if self._over:
                break
            match change:
                case Transition(closed=True):
                    self._on_make(change, cycles)
                case Transition():
                    self._on_break(change)
                case SupplyEdge():
                    self._on_supply(change)
                case Gap():
                    self.broken += self._make is not None
                    self._make = self._break = self._lit = None
                    self._state_since = change.end_s
                case Interruption():
                    self.interruptions += 1
        self._bound()
        return cycles

    @property
    def begun(self) -> Transition | None:
        """The make of the flash at hand, or None between runs and after a gap."""
        return self._make

    @property
    def broke(self) -> Transition | None:
        return self._break

    @property
    def state_since_s(self) -> float:
        """Since when the present state has been seen: its transition, the supply's coming, or the end of the last gap."""
        return self._state_since

    @property
    def now_s(self) -> float:
        return self._now

    def lit_now(self) -> Lit | None:
        """The levels of an ON that is not over: what a unit that stays on shows."""
        if self._make is None or self._break is not None or self._over:
            return self._lit
        return self._lit_between(self._make, self._now)

    def dark_now(self) -> Dark | None:
        """The levels of the present dark state, if it is one."""
        if self._make is not None and self._break is None:
            return None
        since = self._break.t_s if self._break is not None else self._state_since
        return self._dark_between(since, self._now)

    def flow_now(self) -> float | None:
        """Mean current of the last two seconds while the contact seems open: more than a dark current if it only seems so."""
        if (self._make is not None and self._break is None) or self._now - self._state_since < _FLOW_LEAST_S:
            return None
        i = self._current(max(self._state_since, self._now - _KEEP_TAIL_S), self._now)[2]
        return float(i.mean()) if len(i) else None

    def _on_make(self, make: Transition, cycles: list[Cycle]) -> None:
        if len(self.first) < 8:
            self.first.append(make)
        if self._make is not None and self._break is not None and self._lit is not None:
            dark = self._dark_between(self._break.t_s, make.t_s)
            cycles.append(Cycle(self._make, self._break, make, self._lit, dark))
        elif self._make is None and self.applied is not None and self.seen_dark is None:
            self.seen_dark = self._dark_between(self.applied.t_s, make.t_s)
        self._forget(make.t_s)
        self._make, self._break, self._lit, self._peak = make, None, None, None
        self._state_since = make.t_s

    def _on_break(self, broke: Transition) -> None:
        if len(self.first) < 8:
            self.first.append(broke)
        if self._make is not None:
            # Samples that may already lie past the opening are not used.
            self._lit = self._lit_between(self._make, broke.t_s - 3.0 * broke.u_s)
            self._break = broke
            if self._make is self.first[0]:
                self.first_lit = self._lit
        self._forget(broke.t_s)
        self._state_since = broke.t_s

    def _forget(self, t_s: float) -> None:
        """Samples before a change are done with; but a unit closed at rest makes as the supply comes: the rest before is still needed."""
        self._store.forget_before(t_s - (5e-3 if self.applied is not None else 1.2 * _REST_S))

    def _on_supply(self, edge: SupplyEdge) -> None:
        if edge.on:
            if self.applied is None:
                self.applied = edge
                for name in self.accuracies:
                    _, v = self._store.between(name, edge.t_s - _REST_S, edge.t_s - 1e-3)
                    reading = mean_reading(v)
                    if reading is not None and reading.n >= 16:
                        self.rest[name] = reading
        elif self.applied is not None:
            self._end(edge)
        self._state_since = edge.t_s
        self._store.forget_before(edge.t_s - 5e-3)

    def _bound(self) -> None:
        lasted = self._now - self._state_since
        if self.applied is None and lasted > _HOLD_S:
            self._store.forget_before(self._now - _KEEP_TAIL_S)
        elif lasted > _HOLD_S:
            if self._make is not None and self._break is None and self._peak is None:
                self._peak = self._peak_after(self._make)
            self._store.forget_between(self._state_since + _KEEP_HEAD_S, self._now - _KEEP_TAIL_S)

    def _end(self, edge: SupplyEdge) -> None:
        """The supply was taken away: the run is over, and the opening that came with it was not the unit's."""
        self.removed, self._over = edge, True
        if self._make is None:
            return
        if self._break is not None and self._break.t_s > edge.t_s - _WITH_SUPPLY_S:
            self._break = None
            if self.first and not self.first[-1].closed:
                self.first.pop()
        elif self._break is None:
            self._lit = self._lit_between(self._make, edge.t_s - 1e-3)

    # -- features

    def _peak_after(self, make: Transition) -> Reading | None:
        if self._peak is not None:
            return self._peak
        last = make.t_s + make.bounce_s
        for name in ("i_load_low", "i_load"):
            t, v = self._store.between(name, make.t_s - 2e-3, last + 6e-3)
            if not len(t) or (self._clipped(name, v).any() and name == "i_load_low"):
                continue
            reading = current_at_make(t, v - self._zero(name), make, self._delays.get(name, 0.0))
            if reading is not None:
                return reading
        return None

    def _zero(self, name: str) -> float:
        """A current channel's reading with no voltage applied is its zero."""
        rest = self.rest.get(name)
        return rest.value if rest is not None and name.startswith("i_") else 0.0

    def _clipped(self, name: str, v: Array) -> np.ndarray[tuple[int, ...], np.dtype[np.bool_]]:
        accuracy = self.accuracies[name]
        margin = 0.01 * (accuracy.high - accuracy.low)
        return np.asarray(v >= accuracy.high - margin)

    def _current(self, begin_s: float, end_s: float) -> tuple[str, Array, Array]:
        """The current in the best range that holds it: name of the channel, instants, values with the zero taken off."""
        t, v = self._store.between("i_load_low", begin_s, end_s)
        if len(t) >= 4 and not self._clipped("i_load_low", v).any():
            return "i_load_low", t, v - self._zero("i_load_low")
        t, v = self._store.between("i_load", begin_s, end_s)
        return "i_load", t, v - self._zero("i_load")

    def _lit_between(self, make: Transition, end_s: float) -> Lit:
        settled = make.t_s + make.bounce_s + SETTLE_S
        tail = max(end_s - min(_TAIL_S, 0.25 * (end_s - make.t_s)), settled)
        steady = end_reading(*self._current(tail, end_s)[1:], end_s)
        supply = end_reading(*self._store.between("v_in", tail, end_s), end_s)
        lamp = end_reading(*self._store.between("v_out", tail, end_s), end_s)
        pilot = mean_reading(self._store.between("v_pilot", (make.t_s + end_s) / 2.0, end_s)[1])
        drop, drop_a, by_difference = self._lowest_drop(settled, end_s)
        peak = self._peak_after(make)
        siemens = self._siemens_at(make) if self.first and make is self.first[0] else None
        return Lit(supply, lamp, steady, drop, drop_a, by_difference, peak, pilot, self._dip(settled, end_s), siemens)

    def _siemens_at(self, make: Transition) -> Reading | None:
        """What the load conducted at the make: it falls as the current does, and does not depend on what is in series."""
        t, i = self._store.between("i_load", make.t_s, make.t_s + make.bounce_s + 6e-3)
        t_out, v_out = self._store.between("v_out", make.t_s, make.t_s + make.bounce_s + 6e-3)
        if len(t) < 8 or len(t_out) < 8:
            return None
        volts = np.maximum(np.interp(t, t_out, v_out), 1e-3)
        return current_at_make(t, (i - self._zero("i_load")) / volts, make, self._delays.get("i_load", 0.0))

    def _dip(self, settled_s: float, end_s: float) -> tuple[float, float] | None:
        until = min(settled_s + 2e-3, end_s)
        v = self._store.between("v_in", settled_s, until)[1]
        i = self._current(settled_s, until)[2]
        return (float(v.mean()), float(i.mean())) if len(v) and len(i) else None

    def _lowest_drop(self, begin_s: float, end_s: float) -> tuple[Reading | None, Reading | None, bool]:
        by_difference = False
        t, v = self._store.between("v_drop", begin_s, end_s)
        if len(t):
            # Out of range in the inrush, and perhaps in a gap too short for a crossing: what lies between, the longest such stretch.
            bounds = np.concatenate(([-1], np.flatnonzero(self._clipped("v_drop", v)), [len(v)]))
            longest = int(np.diff(bounds).argmax())
            inside = slice(int(bounds[longest]) + 1, int(bounds[longest + 1]))
            t, v = t[inside], v[inside]
        found = lowest_reading(t, v)
        if found is None:
            t, v_in = self._store.between("v_in", begin_s, end_s)
            t_out, v_out = self._store.between("v_out", begin_s, end_s)
            n = min(len(t), len(t_out))
            t, v = t[:n], v_in[:n] - v_out[:n]
            found = lowest_reading(t, v)
            by_difference = True
        if found is None:
            return None, None, by_difference
        reading, i, j = found
        current = mean_reading(self._current(float(t[i]), float(t[j - 1]) + 1e-9)[2])
        return reading, current, by_difference

    def _dark_between(self, begin_s: float, end_s: float) -> Dark:
        middle = max((begin_s + end_s) / 2.0, end_s - 0.5)
        last = end_s - 1e-4
        tail = max(middle, end_s - 2.0 * _TAIL_S)
        return Dark(
            end_reading(*self._current(tail, last)[1:], end_s),
            mean_reading(self._store.between("v_in", middle, last)[1]),
            mean_reading(self._store.between("v_out", middle, last)[1]),
            mean_reading(self._store.between("v_pilot", middle, last)[1]),
        )
