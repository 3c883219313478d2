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
import numpy.typing as npt

from bench.instants import filtered_step_instant, level_at
from bench.samples import Array, Block, Trace
from bench.uncertainty import rectangular

STATE_LEAST_S = 3.0e-3  # a shorter state is bounce: contact bounce is 1-3 ms in bursts of shorter gaps (common practice, no source)
CLOSE_S = 0.2e-3
"""Samples further apart than that miss gaps of a bounce."""
UNSEEN_S = 1e-3
"""So much of a bounce they may miss altogether (relays bounce for a millisecond or two; common practice, no source)."""
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
_LEVEL_PART = 0.02  # of the output, what its level just after a make is known to
_COLD_PART = 0.07  # of the output, what a sound contact and its leads lose at most with cold lamps beyond what they lose a little later
_MIDDLE = 3.5  # samples from the first of a level to the middle of the six behind it
_SUNK_MOST = 0.5  # of the level; at all of it the instant would have no bound
_GAP_LOOK = 8  # samples back that say what the ratio just was
_LOOK = 12  # samples on each side of a crossing that its instant may need
_SOFT_LOOK = 250  # the same before it, for how long a slow transition lasts; so many are kept
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


def _turns(side: npt.NDArray[np.int8], last: int) -> list[int]:
    """The samples at which the side (+1 or -1) is another; where it is 0 it stays what it was, at first `last`."""
    known = np.flatnonzero(side)
    turned: list[int] = known[np.diff(side[known], prepend=np.int8(last)) != 0].tolist()
    return turned


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
        self._apart_s = 0.0  # from one sample of the input to the next, where it is not sampled beside the output
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
        self._interval_s: float  # from one sample to the next, once it is known
        self._group = 0  # samples in a group; 0 until then
        self._grouped = 0  # samples whose lasting levels were looked at
        self._crossed = 0  # samples whose crossings were looked for
        self._hold: int | None = None  # first sample of a level not yet understood
        self._held_level: float  # that level
        self._side = 0  # side of the hysteresis band last seen: +1 closed, -1 open
        self._supply_side = 0
        self._last_s: float  # instant of the last crossing
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
            t_in, v_in = self._input_at(v_out.t_s, block.traces["v_in"])
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
            self._cross((self._grouped if self._hold is None else self._hold) - 2 * self._group)
        changes += self._release()
        self._trim()
        return changes

    def _input_at(self, t_s: Array, v_in: Trace) -> tuple[Array, Array]:
        """The input as it was sampled beside the output at `t_s`: instants and V. One that is sampled more seldom, or oftener, is read
        between its samples; where a block holds none of them, as it was last."""
        if len(v_in.t_s) == len(t_s):
            return v_in.t_s, v_in.values
        if len(v_in.t_s) > 1:
            self._apart_s = float(v_in.t_s[1] - v_in.t_s[0])
        known = np.concatenate((self._in[-1:], v_in.values)), np.concatenate((self._t_in[-1:], v_in.t_s))
        return t_s, np.interp(t_s, known[1], known[0]) if len(known[0]) else np.zeros(len(t_s))

    def flush(self) -> list[Change]:
        """What the samples at hand show, although more might have come: at the end of a run, or before a gap."""
        self._cross(len(self._t))
        self._resolve(math.inf)
        found, self._found = sorted(self._found, key=lambda change: change.t_s), []
        return found

    def _release(self) -> list[Change]:
        """Changes in order of time, as far as nothing earlier can still be found."""
        if not self._found:
            return []
        settled_s = self.settled_s
        self._found.sort(key=lambda change: change.t_s)
        count = sum(change.t_s < settled_s for change in self._found)
        released, self._found = self._found[:count], self._found[count:]
        return released

    @property
    def settled_s(self) -> float:
        """Until when all changes have been told, in s of the board's run: samples of after that may show a state that is not known yet."""
        if not self._crossed:
            return self._gap[0] if self._gap is not None else -math.inf
        looked_s = float(self._t[self._crossed - 1]) - 2.0 * self._interval_s
        return min(looked_s, self._pending[0][0]) if self._pending else looked_s

    # -- levels

    def _learn(self) -> int:
        """Look at the next groups for lasting levels between open and closed; the number of groups looked at."""
        count = min((len(self._t) - self._grouped) // self._group, _GROUPS_TOGETHER)
        span = slice(self._grouped, self._grouped + count * self._group)
        groups = self._ratio[span].reshape(count, self._group)
        supplied = np.all(self._in[span].reshape(count, self._group) > self._floor, axis=1)
        mean = groups.mean(axis=1)
        flat = groups.max(axis=1) - groups.min(axis=1) < _FLAT + 6.0 * self._noise / self._floor
        # Levels change only with these, so they come one at a time.
        special = ~supplied | (flat & (mean > _LOW) & (mean < _HIGH))
        plain = int(special.argmax()) if special.any() else count
        if self._hold is not None or plain == 0:
            self._learn_group(float(mean[0]), bool(flat[0]), bool(supplied[0]))
            return 1
        self._seen_low |= bool((flat & (mean <= _LOW))[:plain].any())
        self._seen_high |= bool((flat & (mean >= _HIGH))[:plain].any())
        return plain

    def _learn_group(self, mean: float, flat: bool, supplied: bool) -> None:
        if not supplied:
            self._forget_levels()
            self._hold = None
            return
        if not flat:
            return
        if mean <= _LOW:
            self._seen_low = True
        elif mean >= _HIGH:
            self._seen_high = True
        elif abs(mean - self._low) > 0.05 and abs(mean - self._high) > 0.05:
            # A level not met before: wait until it is clear which state it is.
            if self._hold is None or abs(mean - self._held_level) > 0.05:
                self._hold, self._held_level = self._grouped, mean
            # Of samples as slow as that, one flat group is enough.
            lasted_s = max(self._grouped - self._hold, self._group) * self._interval_s
            if lasted_s >= _LASTING_S:
                closed = self._is_closed()
                if closed is None and self._seen_high != self._dark_known:
                    closed = self._dark_known
                if closed is not None:
                    self._set_level(mean, closed)
                    self._hold = None
                elif self._dark_known or lasted_s > _WAIT_S:
                    self._hold = None
            return
        if self._hold is not None and (self._seen_low or self._seen_high):
            # The level is over and its counterpart is known. Without a step between them they are one state: a filament that warms up
            # behind a filmed contact passes all levels on its way.
            stepped = abs(mean - self._held_level) > _STEP
            if stepped and (self._grouped - self._hold) * self._interval_s >= _LASTING_S:
                if mean >= _HIGH and not self._dark_known:
                    self._set_level(self._held_level, closed=False)
                elif mean <= _LOW and not self._seen_high:
                    self._set_level(self._held_level, closed=True)
            self._hold = None

    def _set_level(self, level: float, closed: bool) -> None:
        """The level of this state. The other one's, if it was no step from that, is unknown again."""
        if closed:
            self._low, self._high = self._low if self._low < level - _STEP else 0.0, level
        else:
            self._low, self._high = level, self._high if self._high > level + _STEP else 1.0

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
        return float((self._in[span] - self._out[span]).mean()) < _OPEN_OHM * amps

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
        side = (above > band).astype(np.int8) - (above < -band)
        if self._side == 0:
            # A stream may begin on a level within the comparator's band that is plainly open all the same.
            known = int(np.append(side != 0, True).argmax())
            side[:known][self._ratio[begin : begin + known] <= _LOW] = -1
        for k in _turns(side, self._side):
            closed = bool(side[k] > 0)
            if self._side == 0:
                self._begin_state(closed, float(self._t[begin + k]))
            else:
                t_s, u_s, soft_s = self._instant(begin + k, closed, self._low + float(middle[k]))
                if self._interval_s > CLOSE_S:
                    # The sample part-way may be of a later contact of a bounce, the first one anywhere since the sample before.
                    u_s = max(u_s, rectangular(0.5 * self._interval_s))
                # What goes half-way only, or not even that, is over no sooner than it began.
                self._last_s = t_s = max(t_s, self._last_s)
                self._resolve(max(t_s, float(self._t[begin + k - 1])))
                self._pending.append((t_s, closed, u_s, soft_s))
            self._side = int(side[k])
        self._resolve(float(self._t[end - 1]))

    def _begin_state(self, closed: bool, t_s: float) -> None:
        self.closed, self._last_s = closed, t_s
        if self._gap is not None:
            self._found.append(Gap(*self._gap, closed))
        elif closed:
            # Found closed: when it made was not seen.
            self._found.append(Gap(t_s, t_s, True))

    def _instant(self, k: int, closed: bool, threshold: float) -> tuple[float, float, float]:
        """Instant of the crossing seen at sample k, its u, and its u that is the same at every such crossing.

        A step has its 50 % instant between the output's own levels just before and after it. A slow transition has it half-way
        between the state levels, as IEEE Std 181 has it.
        """
        low = max(0, k - _LOOK)
        t, v = self._t[low : k + _LOOK], self._out[low : k + _LOOK]
        passed = (self._ratio[low : k + _LOOK] > threshold) == closed
        at = k - low
        while at > 1 and passed[at - 1]:
            at -= 1  # inside the hysteresis band the threshold was passed earlier
        ratio = self._ratio[low : k + _LOOK]
        t_after, after, ratio_after = (a[at + 1 : at + 7][passed[at + 1 : at + 7]] for a in (t, v, ratio))
        before = v[max(0, at - 6) : at - 1][~passed[max(0, at - 6) : at - 1]]
        level_before = median(before.tolist()) if len(before) else float(v[at - 1])
        # Cold lamps pull the input down as the output comes up, and where the supply was off it comes up with it.
        input_v = float(self._in[low + at] if self._in[low + at - 1] > self._floor else self._in[low + min(at + 1, len(v) - 1)])
        noise, after_part = self._noise, 0.0
        if len(after) >= 5 and float(np.ptp(after[1:])) < 0.15 * abs(float(after[-1]) - level_before):
            level_after = level_at(float(t[at]), t_after, after)
            if closed:
                level_after, after_part = min(level_after, level_at(float(t[at]), t_after, ratio_after) * input_v), _LEVEL_PART
        else:
            # The contact bounced open at once: of the few samples the one furthest from the old level comes nearest to the new.
            level_after = float((after.max() if closed else after.min()) if len(after) else v[at])
            noise = max(noise, 0.02 * abs(level_after))
            if closed and self._fixed is None and len(after):
                level_after, after_part = min(level_after, float(ratio_after.max()) * input_v), _COLD_PART
        stepped = float(np.abs(v[at : at + 2] - v[max(at - 2, 0)]).max())
        around = abs(median(v[at + 3 : at + 7].tolist()) - median(v[max(0, at - 7) : max(1, at - 3)].tolist())) if at + 3 < len(v) else 0.0
        if stepped > 0.6 * around and abs(level_after - level_before) > 0.1 * self._floor:
            instant, u = filtered_step_instant(t, v, at, level_before, level_after, self._tau, noise, after_part)
            return instant, math.hypot(u, self._stamp_u), 0.0
        instant, u = self._slow_instant(k, closed)
        return instant, math.hypot(u, self._stamp_u), _SOFT * self._lasts_s(k)

    def _lasts_s(self, k: int) -> float:
        """How long a slow transition seen at sample k takes from a fifth to four fifths of the way between the state levels."""
        span = self._high - self._low
        low, high = self._low + 0.2 * span, self._low + 0.8 * span
        # So many samples after k are there whatever the cut of the stream.
        before, after = self._ratio[max(0, k - _SOFT_LOOK) : k + 1][::-1], self._ratio[k : k + 2 * self._group]
        rising = float(after[-1]) > float(before[-1])
        out_before = before < low if rising else before > high
        out_after = after > high if rising else after < low
        i = k - (int(out_before.argmax()) if out_before.any() else len(before) - 1)
        j = k + (int(out_after.argmax()) if out_after.any() else len(after) - 1)
        # Both ends are samples just outside it: a step between two samples does not last at all.
        lasts_s = float(self._t[j] - self._t[min(i + 1, j)])
        # Not yet at its end as far as can be seen: it goes on as it went.
        passed = abs(float(self._ratio[j] - self._ratio[i])) / (high - low)
        return lasts_s / min(max(passed, 0.1), 1.0)

    def _slow_instant(self, k: int, closed: bool) -> tuple[float, float]:
        """Half-way instant of a ramp: a make is still to reach it, a break has passed it. (As far as both are there whatever the cut.)"""
        half = 0.5 * (self._low + self._high)
        ratio = self._ratio
        first, last = max(0, k - _SOFT_LOOK), min(k + 2 * self._group, len(ratio)) - 1
        above = first + np.flatnonzero(ratio[first : last + 1] > half)
        i = int(np.append(above[above >= k], last)[0] if closed else min(np.append(first, above[above <= k])[-1] + 1, last))
        rise = float(ratio[i] - ratio[i - 1])
        interval = float(self._t[i] - self._t[i - 1])
        part = min(max((half - float(ratio[i - 1])) / rise, 0.0), 1.0) if rise else 1.0
        share = min(1.0, abs(rise) / (self._high - self._low))
        return float(self._t[i - 1]) + part * interval - self._tau, share * interval / math.sqrt(12.0) + 0.02 * interval

    def _resolve(self, now_s: float) -> None:
        """Turn the crossings waiting into a change, once the state they led to has lasted."""
        if not self._pending or now_s - self._pending[-1][0] < STATE_LEAST_S:
            return
        t_s, _, u_s, soft_s = self._pending[0]
        last_s, closed, *_ = self._pending[-1]
        if closed != self.closed:
            self.closed = closed
            self._found.append(Transition(t_s, closed, u_s, tuple(t for t, *_ in self._pending[1:]), soft_s))
        else:
            self._found.append(Interruption(t_s, closed, last_s - t_s))
        self._pending = []

    def _supply_crossings(self, begin: int, end: int) -> None:
        if self._fixed is not None:
            return
        v = self._in[begin:end]
        side = (v > 1.2 * self._floor).astype(np.int8) - (v < 0.8 * self._floor)
        for turn in _turns(side, self._supply_side):
            k = begin + turn
            self.supplied = bool(side[turn] > 0)
            if self._supply_side != 0:
                low = max(0, k - _LOOK)
                before = median(self._in[max(0, k - 6) : max(1, k - 1)].tolist())
                after = median(self._in[min(k + 1, len(self._in) - 1) : k + 7].tolist())
                sunk = self._sunk(k, after) if self.supplied else 0.0
                # Between samples of its own the input is a straight line, which no filter made.
                tau_s = 0.0 if self._apart_s else self._tau
                instant, u = filtered_step_instant(
                    self._t_in[low : k + _LOOK], self._in[low : k + _LOOK], k - low, before, after, tau_s, self._noise, sunk
                )
                u = math.hypot(u, rectangular(0.5 * self._apart_s + self._tau - tau_s), self._stamp_u)
                self._found.append(SupplyEdge(instant, self.supplied, u))
            self._supply_side = int(side[turn])

    def _sunk(self, k: int, after: float) -> float:
        """By which part of `after`, the middle of the six samples behind k, the input may have stood lower at k: cold lamps behind a
        contact that is closed at rest pull it down at once, and let it rise again."""
        later = k + 1 + int((self._t_in[k + 1 :] < self._t_in[k] + 3.0 * self._tau).sum())
        if later >= len(self._in):
            return 0.0
        if after <= 0.0:
            return _SUNK_MOST  # nothing stays of the voltage that came
        rise = max(1.0 - float(self._in[later]) / after, 0.0)
        # The rise from `later` to the middle of the six, carried straight back to the sample before k, which is further than need be.
        to_middle = _MIDDLE - min(later - k, _MIDDLE - 1.0)
        return min(rise * (_MIDDLE + 1.0) / to_middle, _SUNK_MOST)

    def _trim(self) -> None:
        drop = max(0, self._crossed - _SOFT_LOOK)
        kept = (self._t, self._t_in, self._out, self._in, self._ratio, self._amps)
        self._t, self._t_in, self._out, self._in, self._ratio, self._amps = (a[drop:] for a in kept)
        self._crossed -= drop
        self._grouped -= drop
        if self._hold is not None:
            self._hold -= drop
