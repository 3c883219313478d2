"""Samples to transitions: when the contact made and broke, told from bounce, inrush, sag, dark current and leakage.

Pure. Terms of IEEE Std 181 / IEC 60469: state level, reference instant (50 %), transition.

Strategy. The signal is the ratio r = output voltage over input voltage: 0 with the contact open, nearly 1 with it closed, whatever the
supply does, however large the inrush, 6 V or 24 V. The two state levels start as 0 and 1; only a unit that leaves a lasting level in
between (a leaking unit on an LED lamp, a burnt contact) moves them. Which of the two such a level is, the current says: what lies between
input and output is some ohms in a bad contact and tens or thousands in an open unit. Without a current channel decisions wait until the
other level is met. A comparator with hysteresis gives crossings. Runs of one state shorter than 3 ms are bounce,
or a drop-out if the state before and after is the same. The instant of a crossing is where the unfiltered voltage stepped: a
first-order input filter of known time constant leaves one sample part-way, and that sample says when.

Everything depends only on the samples, in fixed groups, so the cut of the stream can't matter.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import median
from typing import TypeAlias

import numpy as np

from bench.instants import filtered_step_instant, level_at
from bench.samples import Array, Block

STATE_LEAST_S = 3.0e-3  # a shorter state is bounce: contact bounce is 1-3 ms in bursts of shorter gaps (common practice, no source)
# The comparator stands near the open level, which is well known, and not half-way: the closed level may start at a third of the supply
# when a burnt contact meets the inrush of cold lamps. The instant is then found on the waveform itself.
THRESHOLD, HYSTERESIS = 0.2, 0.07  # of the distance between the state levels
GROUP_S, _GROUP_LEAST = 4.0e-3, 4  # samples are looked at for lasting levels in groups of about this length, and of at least so many
_GROUPS_TOGETHER = 64  # looked at in one go, of which perhaps only the first is used
_FLAT = 0.08  # a group whose ratio moves less than this is at a level
_LOW, _HIGH = 0.25, 0.80  # levels outside these are what they seem
_OPEN_OHM = 10.0  # a burnt or filmed contact has less, the ballast of a hot wire or a leak more (6 V hot wire: 11 ohm, computed)
_STEP = 0.15  # two levels nearer than this are not two states
_LASTING_S = 20.0e-3  # a level counts once it has stood this long: longer than any inrush stands still
_WAIT_S = 6.0  # how long an unclear level may hold decisions back
_GAP_LOOK = 8  # samples back that say what the ratio just was
_LOOK = 12  # samples on each side of a crossing that its instant may need
_SOFT_LOOK = 250  # the same before it, for how long a slow transition lasts
# Where in a slow transition the lamps are lit or dark is a matter of definition (IEC 60469 takes its middle): anywhere within the part
# from a fifth to four fifths of the way.
_SOFT = 0.5 / math.sqrt(3.0)


@dataclass(frozen=True, slots=True)
class Transition:
    """The contact changed state at `t_s` (first crossing, true instant, s of the board's run) to `closed`.

    `u_s`: standard uncertainty of the instant apart from the clock's, different at each transition. `again_s`: the later crossings of its
    bounce, each to the opposite state of the one before, the last to `closed`. `soft_s`: standard uncertainty, the same at each make or
    break, of what the instant of a transition is that takes its time.
    """

    t_s: float
    closed: bool
    u_s: float
    again_s: tuple[float, ...] = ()
    soft_s: float = 0.0

    @property
    def reach_s(self) -> float:
        """How far before and after `t_s` the transition may still go on: half of how long it takes as a whole, with a tenth to spare."""
        return 1.1 * self.soft_s / _SOFT / 1.2

    @property
    def bounce_s(self) -> float:
        """From the first crossing to the last."""
        return self.again_s[-1] - self.t_s if self.again_s else 0.0


@dataclass(frozen=True, slots=True)
class Interruption:
    """The contact left its state for less than 3 ms and came back: no transition. `closed` is the state that was interrupted."""

    t_s: float
    closed: bool
    lasted_s: float


@dataclass(frozen=True, slots=True)
class Gap:
    """Samples are missing from `t_s` to `end_s`; afterwards the contact was found `closed` or not."""

    t_s: float
    end_s: float
    closed: bool


@dataclass(frozen=True, slots=True)
class SupplyEdge:
    """The voltage at the unit's input came (`on`) or went at `t_s`."""

    t_s: float
    on: bool
    u_s: float


Change: TypeAlias = Transition | Interruption | Gap | SupplyEdge


def _running_max(v: Array) -> Array:
    """The largest of each value and the seven before it (or as many as there are)."""
    for shift in (1, 2, 4):
        later = v.copy()
        np.maximum(v[shift:], v[:-shift], out=later[shift:])
        v = later
    return v


def _current_at(t_s: Array, block: Block) -> Array:
    """The load current at these instants in A, as the wide range reads it; NaN without one."""
    trace = block.traces.get("i_load")
    return np.interp(t_s, trace.t_s, trace.values) if trace is not None and len(trace.t_s) else np.full(len(t_s), math.nan)


class TransitionFinder:
    """Blocks in, changes out; one verb, `feed`. `closed` is the latest settled state, None before anything is known.

    `supply_floor_v`: below this input voltage there is no supply and the contact counts as open. `tau_s`, `noise_v`: of the voltage
    channels. `v_in_v`: a fixed supply, for recordings that lack the input's voltage. `stamp_u_s`: of the samples' stamps.
    """

    def __init__(
        self, *, supply_floor_v: float, tau_s: float = 0.0, noise_v: float = 0.0, v_in_v: float | None = None, stamp_u_s: float = 0.0
    ) -> None:
        self._floor = supply_floor_v
        self._tau = tau_s
        self._noise = noise_v
        self._stamp_u = stamp_u_s
        self._fixed = v_in_v
        self.closed: bool | None = None
        self.supplied = False
        self._forget_levels()
        self._restart()

    def _forget_levels(self) -> None:
        self._low, self._high = 0.0, 1.0
        self._seen_low = self._seen_high = False

    def _restart(self) -> None:
        """Forget the samples at hand: after a gap nothing may be joined to what was before it."""
        self._t, self._t_in, self._out, self._in, self._ratio, self._amps = (np.empty(0) for _ in range(6))
        self._interval_s = 0.0  # from one sample to the next, once it is known
        self._group = 0  # samples in a group; 0 until then
        self._grouped = 0  # samples whose lasting levels were looked at
        self._crossed = 0  # samples whose crossings were looked for
        self._hold = -1  # first sample of a level not yet understood, or -1
        self._side = 0  # side of the hysteresis band last seen: +1 closed, -1 open
        self._supply_side = 0
        self._pending: list[tuple[float, bool, float, float]] = []
        self._found: list[Change] = []
        self._gap: tuple[float, float] | None = None

    def feed(self, block: Block) -> list[Change]:
        """The changes that this block settles. The last few milliseconds wait for the next block, or for `flush`."""
        changes: list[Change] = []
        if block.gap_before and len(self._t):
            begin = float(self._t[-1])
            changes += self.flush()
            self._restart()
            self._gap = (begin, block.begin_s)
        v_out = block.traces["v_out"]
        t_in, v_in = v_out.t_s, np.full(len(v_out.t_s), self._fixed or 0.0)
        if "v_in" in block.traces:
            t_in, v_in = block.traces["v_in"].t_s, block.traces["v_in"].values
        ratio = np.where(v_in > self._floor, v_out.values / np.maximum(v_in, self._floor), 0.0)
        self._t = np.concatenate((self._t, v_out.t_s))
        self._t_in = np.concatenate((self._t_in, t_in))
        self._out = np.concatenate((self._out, v_out.values))
        self._in = np.concatenate((self._in, v_in))
        self._ratio = np.concatenate((self._ratio, ratio))
        self._amps = np.concatenate((self._amps, _current_at(v_out.t_s, block)))
        if not self._group and len(self._t) > 1:
            self._interval_s = float(self._t[1] - self._t[0])
            self._group = max(_GROUP_LEAST, round(GROUP_S / self._interval_s))
        while self._group and len(self._t) - self._grouped >= self._group:
            self._grouped += self._learn() * self._group
            self._cross((self._grouped if self._hold < 0 else self._hold) - 2 * self._group)
        changes += self._release()
        self._trim()
        return changes

    def flush(self) -> list[Change]:
        """What the samples at hand show, although more might have come: at the end of a run, or before a gap."""
        self._hold = -1
        self._cross(len(self._t))
        self._resolve(math.inf)
        self._crossed = len(self._t)
        return self._release(final=True)

    def _release(self, *, final: bool = False) -> list[Change]:
        """Changes in order of time, as far as nothing earlier can still be found."""
        if not self._found or not self._crossed:
            return []
        interval_s = float(self._t[1] - self._t[0]) if len(self._t) > 1 else 0.0
        settled = float(self._t[self._crossed - 1]) - 2.0 * interval_s
        if self._pending:
            settled = min(settled, self._pending[0][0])
        self._found.sort(key=lambda change: change.t_s)
        count = len(self._found) if final else sum(change.t_s < settled for change in self._found)
        released, self._found = self._found[:count], self._found[count:]
        return released

    # -- levels

    def _learn(self) -> int:
        """Look at the next groups for lasting levels between open and closed; the number of groups looked at."""
        count = min((len(self._t) - self._grouped) // self._group, _GROUPS_TOGETHER)
        span = slice(self._grouped, self._grouped + count * self._group)
        groups = self._ratio[span].reshape(count, self._group)
        supplied = np.all(self._in[span].reshape(count, self._group) > self._floor, axis=1)
        mean = groups.mean(axis=1)
        flat = supplied & (groups.max(axis=1) - groups.min(axis=1) < _FLAT + 6.0 * self._noise / self._floor)
        between = flat & (mean > _LOW) & (mean < _HIGH)
        plain = int(between.argmax()) if between.any() else count
        if self._hold >= 0 or plain == 0:
            self._learn_group(float(mean[0]), bool(flat[0]), bool(supplied[0]))
            return 1
        since = 0
        if not supplied[:plain].all():
            self._forget_levels()
            since = plain - int(supplied[:plain][::-1].argmin())
        self._seen_low |= bool((flat & (mean <= _LOW))[since:plain].any())
        self._seen_high |= bool((flat & (mean >= _HIGH))[since:plain].any())
        return plain

    def _learn_group(self, mean: float, flat: bool, supplied: bool) -> None:
        if not supplied:
            self._forget_levels()
            self._hold = -1
            return
        if not flat:
            return
        if mean <= _LOW:
            self._seen_low = True
        elif mean >= _HIGH:
            self._seen_high = True
        elif abs(mean - self._low) > 0.05 and abs(mean - self._high) > 0.05:
            # A level not met before: wait until it is clear which state it is.
            if self._hold < 0:
                self._hold = self._grouped
                self._held_level = mean
            if abs(mean - self._held_level) > 0.05:
                self._hold, self._held_level = self._grouped, mean
            # Of samples as slow as that, one flat group is enough.
            lasted_s = max(self._grouped - self._hold, self._group) * self._interval_s
            if lasted_s >= _LASTING_S:
                closed = self._is_closed()
                if closed is not None:
                    self._low, self._high = (self._low, mean) if closed else (mean, self._high)
                    self._hold = -1
                elif self._seen_high and not self._dark_known:
                    self._low, self._hold = mean, -1
                elif self._dark_known and not self._seen_high:
                    self._high, self._hold = mean, -1
                elif self._dark_known or lasted_s > _WAIT_S:
                    self._hold = -1
            return
        if self._hold >= 0 and (self._seen_low or self._seen_high):
            # The level is over and its counterpart is known. Without a step between them they are one state: a filament that warms up
            # behind a filmed contact passes all levels on its way.
            stepped = abs(mean - self._held_level) > _STEP
            if stepped and (self._grouped - self._hold) * self._interval_s >= _LASTING_S:
                if mean >= _HIGH and not self._dark_known:
                    self._low = self._held_level
                elif mean <= _LOW and not self._seen_high:
                    self._high = self._held_level
            self._hold = -1

    @property
    def _dark_known(self) -> bool:
        """Whether the level of a supplied, open contact was met. Without the input's voltage a level of 0 may be that of no supply."""
        return self._seen_low and self._fixed is None

    def _is_closed(self) -> bool | None:
        """Whether the group at hand shows a closed contact, by the ohms between input and output; None without a current channel."""
        span = slice(self._grouped, self._grouped + self._group)
        amps = float(self._amps[span].mean())
        if not math.isfinite(amps):
            return None
        return float((self._in[span] - self._out[span]).mean()) < _OPEN_OHM * max(amps, 0.0)

    # -- crossings

    def _cross(self, end: int) -> None:
        """Find the crossings of samples up to `end` (exclusive) with the levels as they are known now."""
        begin = self._crossed
        if end <= begin:
            return
        self._crossed = end
        self._supply_crossings(begin, end)
        span = self._high - self._low
        # A falling ratio counts as open below half of what it just was, so that the filter hides no short gap of a bounce.
        start = max(0, begin - _GAP_LOOK)
        just_was = _running_max(self._ratio[start:end])[begin - start :] - self._low
        middle = np.maximum(THRESHOLD * span, 0.5 * just_was)
        band = HYSTERESIS * span
        above = self._ratio[begin:end] - self._low - middle
        side = np.where(above > band, 1, np.where(above < -band, -1, 0)).astype(np.int8)
        if self._side == 0:
            # A stream may begin on a level within the comparator's band that is plainly open all the same.
            side = np.where((side == 0) & (self._ratio[begin:end] <= _LOW), np.int8(-1), side)
        known = np.flatnonzero(side)
        if len(known):
            signs = side[known]
            if self._side == 0:
                self._begin_state(bool(signs[0] > 0), begin + int(known[0]))
                self._side = int(signs[0])
            turned = np.flatnonzero(np.diff(signs, prepend=np.int8(self._side)))
            for j in turned:
                k = begin + int(known[j])
                closed = bool(signs[j] > 0)
                self._note_crossing(*self._instant(k, closed, self._low + float(middle[k - begin])), closed)
            self._side = int(signs[-1])
        self._resolve(float(self._t[end - 1]))

    def _begin_state(self, closed: bool, k: int) -> None:
        self.closed = closed
        if self._gap is not None:
            self._found.append(Gap(*self._gap, closed))
            self._gap = None
        elif closed:
            # Found closed: when it made was not seen.
            self._found.append(Gap(float(self._t[k]), float(self._t[k]), True))

    def _instant(self, k: int, closed: bool, threshold: float) -> tuple[float, float, float]:
        """Instant of the crossing seen at sample k, its u, and its u that is the same at every such crossing.

        A step has its 50 % instant between the output's own levels just before and after it. A slow transition has it half-way
        between the state levels, as IEEE Std 181 has it.
        """
        low = max(0, k - _LOOK)
        t, v = self._t[low : k + _LOOK], self._out[low : k + _LOOK]
        ratio = self._ratio[low : k + _LOOK]
        at = k - low
        while at > 1 and (ratio[at - 1] > threshold) == closed:
            at -= 1  # inside the hysteresis band the threshold was passed earlier
        after_side = (ratio[at + 1 : at + 7] > threshold) == closed
        before_side = (ratio[max(0, at - 6) : max(0, at - 1)] > threshold) != closed
        after = v[at + 1 : at + 7][after_side]
        before = v[max(0, at - 6) : max(0, at - 1)][before_side]
        level_before = median(before.tolist()) if len(before) else float(v[max(0, at - 1)])
        noise = self._noise
        if len(after) >= 5 and float(np.ptp(after[1:])) < 0.15 * abs(float(after[-1]) - level_before):
            level_after = level_at(float(t[at]), t[at + 1 : at + 7][after_side], after)
        else:
            # The contact bounced open at once: of the few samples the one furthest from the old level comes nearest to the new.
            level_after = float((after.max() if closed else after.min()) if len(after) else v[at])
            noise = max(noise, 0.02 * abs(level_after))
        stepped = float(np.abs(v[at : at + 2] - v[max(at - 2, 0)]).max())
        around = abs(median(v[at + 3 : at + 7].tolist()) - median(v[max(0, at - 7) : max(1, at - 3)].tolist())) if at + 3 < len(v) else 0.0
        if stepped > 0.6 * around and abs(level_after - level_before) > 0.1 * self._floor:
            instant, u = filtered_step_instant(t, v, at, level_before, level_after, self._tau, noise)
            return instant, math.hypot(u, self._stamp_u), 0.0
        instant, u = self._slow_instant(k, closed)
        return instant, math.hypot(u, self._stamp_u), _SOFT * self._lasts_s(k)

    def _lasts_s(self, k: int) -> float:
        """How long a slow transition seen at sample k takes from a fifth to four fifths of the way between the state levels."""
        span = self._high - self._low
        low, high = self._low + 0.2 * span, self._low + 0.8 * span
        # So many samples after k are there whatever the cut of the stream.
        begin, end = max(0, k - _SOFT_LOOK), min(len(self._ratio), k + 2 * self._group)
        before, after = self._ratio[begin : k + 1][::-1], self._ratio[k:end]
        rising = len(after) > 0 and float(after[-1]) > float(before[-1])
        out_before = before < low if rising else before > high
        out_after = after > high if rising else after < low
        i = k - (int(out_before.argmax()) if out_before.any() else len(before) - 1)
        j = k + (int(out_after.argmax()) if out_after.any() else len(after) - 1)
        # Both ends are samples just outside it: a step between two samples does not last at all.
        lasts_s = max(0.0, float(self._t[j] - self._t[i]) - float(self._t[min(i + 1, j)] - self._t[i]))
        # Not yet at its end as far as can be seen: it goes on as it went.
        passed = abs(float(self._ratio[j] - self._ratio[i])) / (high - low)
        return lasts_s if out_after.any() and out_before.any() else lasts_s / min(max(passed, 0.1), 1.0)

    def _slow_instant(self, k: int, closed: bool) -> tuple[float, float]:
        """Half-way instant of a ramp: a make is still to reach it, a break has passed it."""
        half = 0.5 * (self._low + self._high)
        ratio = self._ratio
        step = 1 if closed else -1
        i = k
        while 0 < i < len(ratio) - 1 and ratio[i] <= half:
            i += step
        i = i if closed else i + 1
        i = min(max(i, 1), len(ratio) - 1)
        rise = float(ratio[i] - ratio[i - 1])
        interval = float(self._t[i] - self._t[i - 1])
        part = min(max((half - float(ratio[i - 1])) / rise, 0.0), 1.0) if rise else 1.0
        share = min(1.0, abs(rise) / (self._high - self._low))
        return float(self._t[i - 1]) + part * interval - self._tau, share * interval / math.sqrt(12.0) + 0.02 * interval

    def _note_crossing(self, t_s: float, u_s: float, soft_s: float, closed: bool) -> None:
        self._resolve(t_s)
        self._pending.append((t_s, closed, u_s, soft_s))

    def _resolve(self, now_s: float) -> None:
        """Turn the crossings waiting into a change, once the state they led to has lasted."""
        if not self._pending or now_s - self._pending[-1][0] < STATE_LEAST_S:
            return
        first, last = self._pending[0], self._pending[-1]
        lasted = last[0] - first[0]
        if last[1] != self.closed:
            self.closed = last[1]
            self._found.append(Transition(first[0], last[1], first[2], tuple(t for t, *_ in self._pending[1:]), first[3]))
        else:
            self._found.append(Interruption(first[0], bool(self.closed), lasted))
        self._pending = []

    def _supply_crossings(self, begin: int, end: int) -> None:
        if self._fixed is not None:
            return
        v = self._in[begin:end]
        if self._supply_side > 0 and v.min() >= 0.8 * self._floor:
            return
        side = np.where(v > 1.2 * self._floor, 1, np.where(v < 0.8 * self._floor, -1, 0)).astype(np.int8)
        known = np.flatnonzero(side)
        if not len(known):
            return
        signs = side[known]
        if self._supply_side == 0:
            self._supply_side = int(signs[0])
            self.supplied = signs[0] > 0
        for j in np.flatnonzero(np.diff(signs, prepend=np.int8(self._supply_side))):
            k = begin + int(known[j])
            low = max(0, k - _LOOK)
            after = median(self._in[k + 1 : k + 7].tolist()) if k + 1 < len(self._in) else float(self._in[k])
            before = median(self._in[max(low, k - 6) : max(low + 1, k - 1)].tolist())
            instant, u = filtered_step_instant(
                self._t_in[low : k + _LOOK], self._in[low : k + _LOOK], k - low, before, after, self._tau, self._noise
            )
            self.supplied = bool(signs[j] > 0)
            self._found.append(SupplyEdge(instant, self.supplied, math.hypot(u, self._stamp_u)))
        self._supply_side = int(signs[-1])

    def _trim(self) -> None:
        drop = self._crossed - max(4 * _LOOK, _SOFT_LOOK)
        if drop > 0:
            kept = (self._t, self._t_in, self._out, self._in, self._ratio, self._amps)
            self._t, self._t_in, self._out, self._in, self._ratio, self._amps = (a[drop:] for a in kept)
            self._crossed -= drop
            self._grouped -= drop
            self._hold = self._hold - drop if self._hold >= 0 else -1
