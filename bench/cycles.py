"""Transitions to cycles: each flash with its levels, its inrush, its lowest drop; what lies in a gap is marked and left out.

Pure. A cycle is a waveform period (IEEE Std 181): from one make to the next. Values here carry only their random uncertainty;
scales, zeros and clock come in `bench.measure`.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np

from bench.inrush import current_at_make
from bench.readings import LINE_LEAST, Reading, end_reading, lowest_reading, mean_reading
from bench.samples import EXACT, Accuracy, Array, Block, Timing
from bench.transitions import CLOSE_S, Change, Gap, Interruption, SupplyEdge, Transition

SETTLE_S = 0.4e-3  # amplifier and input filters after a step: within 1 mV after 0.31 ms (circuit simulation of the reference rig)
_TAIL_S = 50.0e-3
_HOLD_S = 4.0  # a state that lasts longer is kept as its first and its last part
_KEEP_HEAD_S, _KEEP_TAIL_S = 0.5, 2.0
_REST_S = 1.0
_WITH_SUPPLY_S = 2e-3
_REST_LEAST = 16
_AT_END = 0.05  # part of the samples at rest that stand at the input's lower end: fewer are noise
_STEP_MOST_S = 0.1e-3  # a make that takes longer (soft_s) is no step, and has no inrush to carry back
_AFTER_MAKE_S = 6e-3  # the decay is looked at for 2.6 ms (bench.inrush), after bounce and the filters' settling
_WITHOUT_GAP = 0.5  # of the output in the same milliseconds: it rises by less while a load heats
_VOLTS_LEAST = 8  # at the output meanwhile, for the conductance of the load
_FLOW_LEAST_S = 0.5
_GAP_NEAR_S = 10e-3
_GAP_SHORT_S = 0.1  # no flash, and no dark between two, is shorter: a state found again after such a gap has lasted
# Slow sampling misses the first short contacts of a bouncing make: what they let through is no dark current. Likewise the first short gaps
# of a bouncing break, where a channel read in between shows no current. Relays bounce for a millisecond or two (common practice, no
# source).
_BEFORE_S = 5.0e-3


@dataclass(frozen=True, slots=True)
class Lit:
    """The ON part of a cycle. `supply`, `lamp`, `steady` at its end; `drop` the lowest, `drop_a` the current then.

    `by_difference`: the drop amplifier was out of range, so input less output was taken. `peak`: current at the instant of make.
    `dip`: input voltage and current together just after it. `siemens`: conductance of the load at the instant of the first make.
    `settled_s`: for how long the lamps had been lit, at the least, where `supply`, `lamp` and `steady` were read.
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
    settled_s: float = math.inf


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


def _is_read_between(block: Block) -> bool:
    """Whether the current is read between two samples of the output that a gap of a bounce fits between."""
    if not {"v_out", "i_load"} <= block.traces.keys():
        return False
    out_s, amps_s = block.traces["v_out"].t_s, block.traces["i_load"].t_s
    return bool(len(out_s) > 1 and len(amps_s) and out_s[1] - out_s[0] > CLOSE_S and not np.isin(amps_s[0], out_s))


class CycleCutter:
    """Blocks and the changes found in them in, cycles out; one verb, `feed`.

    `applied` is when voltage came to the unit (None if never seen), `rest` the channels' readings while there was none,
    `came_again` whether it came once more after it had gone (of that nothing is read), `dropouts` the gaps while lit that were too short
    to be a state, `first` and `first_lit` the transitions of the start and its first light.
    """

    def __init__(self, accuracies: Mapping[str, Accuracy], delays_s: Mapping[str, float], timing: Timing = EXACT) -> None:
        self.accuracies = accuracies
        self._delays = delays_s
        self._timing = timing
        self._store = _Store()
        self._now = self._settled = 0.0
        self.applied: SupplyEdge | None = None
        self.removed: SupplyEdge | None = None
        self.rest: dict[str, Reading] = {}
        self.dropouts = 0
        self._dropped_s = self._gap_end_s = -math.inf
        self.first: list[Transition] = []
        self.broken = 0
        self._make: Transition | None = None
        self._break: Transition | None = None
        self._lit: Lit | None = None
        self._state_since = 0.0
        self._over = False
        self.came_again = False
        self.first_lit: Lit | None = None
        self._is_read_between = False

    def feed(self, block: Block, changes: Iterable[Change], settled_s: float = math.inf) -> list[Cycle]:
        """The cycles that these changes end. `settled_s`: until when there are no others; what the samples show after that is no state
        that is known yet."""
        self._store.add(block)
        self._is_read_between = self._is_read_between or _is_read_between(block)
        self._now = block.end_s
        cycles: list[Cycle] = []
        for change in changes:
            if self._over:
                self.came_again |= isinstance(change, SupplyEdge) and change.on
                continue
            match change:
                case Transition(closed=True):
                    self._on_make(change, cycles)
                case Transition():
                    self._on_break(change)
                case SupplyEdge():
                    self._on_supply(change)
                case Gap():
                    # What is cut short by missing samples, or begins among them, is no drop-out.
                    self.dropouts -= change.t_s - self._dropped_s < _GAP_NEAR_S
                    self._gap_end_s = change.end_s
                    self.broken += self._make is not None
                    was_lit = self._make is not None and self._break is None
                    self._make = self._break = self._lit = None
                    if was_lit != change.closed or change.end_s - change.t_s > _GAP_SHORT_S:
                        self._state_since = change.end_s
                case Interruption(closed=True) if change.t_s - self._gap_end_s > _GAP_NEAR_S:
                    self.dropouts += 1
                    self._dropped_s = change.t_s
                case Interruption():
                    pass
        self._settled = max(min(settled_s, block.end_s), self._state_since)
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

    @property
    def settled_s(self) -> float:
        """Until when the present state is known: what changed after that has not been told yet."""
        return self._settled

    def lit_now(self) -> Lit | None:
        """The levels of an ON that is not over: what a unit that stays on shows."""
        if self._make is None or self._break is not None or self._over:
            return self._lit
        return self._lit_between(self._make, self._settled - self._bounce_s(self._make.t_s, self._settled))

    def lit_since(self, closed: bool) -> Lit | None:
        """The levels of an ON whose make was not seen, because the stream began (or went on) in the middle of it."""
        if not closed or self._make is not None or self._over or self._settled - self._state_since < 2.0 * _TAIL_S:
            return None
        return self._lit_between(Transition(self._state_since, True, 0.0), self._settled)

    def dark_now(self) -> Dark | None:
        """The levels of the present dark state, if it is one."""
        if self._make is not None and self._break is None:
            return None
        since = self._break.t_s if self._break is not None else self._state_since
        return self._dark_between(since, self._settled)

    def flow_now(self) -> float | None:
        """Mean current of the last two seconds while the contact seems open: more than a dark current if it only seems so."""
        if (self._make is not None and self._break is None) or self._settled - self._state_since < _FLOW_LEAST_S:
            return None
        i = self._current(max(self._state_since, self._settled - _KEEP_TAIL_S), self._settled)[2]
        return float(i.mean()) if len(i) else None

    def _on_make(self, make: Transition, cycles: list[Cycle]) -> None:
        if len(self.first) < 8:
            self.first.append(make)
        if self._make is not None and self._break is not None and self._lit is not None:
            dark = self._dark_between(self._break.t_s + self._break.reach_s, self._before(make, self._break.t_s))
            cycles.append(Cycle(self._make, self._break, make, self._lit, dark))
        self._forget(make.t_s)
        self._make, self._break, self._lit = make, None, None
        self._state_since = make.t_s

    def _on_break(self, broke: Transition) -> None:
        if len(self.first) < 8:
            self.first.append(broke)
        if self._make is not None:
            # Samples that may already lie past the opening are not used.
            self._lit = self._lit_between(self._make, self._before(broke, self._make.t_s))
            self._break = broke
            if self._make is self.first[0]:
                self.first_lit = self._lit
        self._forget(broke.t_s)
        self._state_since = broke.t_s

    def _before(self, change: Transition, since_s: float) -> float:
        """The last instant before a change at which the state since `since_s` is seen as it was, at least half-way through it."""
        bounce_s = 0.0 if change.closed else self._bounce_s(since_s, change.t_s)
        return max(change.t_s - max(3.0 * change.u_s + change.reach_s, bounce_s), (since_s + change.t_s) / 2.0)

    def _bounce_s(self, since_s: float, break_s: float) -> float:
        """For how long before the end of a lit state that began at `since_s` a bounce may have shown in some channels only."""
        return min(_BEFORE_S, 0.25 * (break_s - since_s)) if self._is_read_between else 0.0

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
                    if reading is not None and reading.n >= _REST_LEAST and not self._hides_zero(name, v):
                        self.rest[name] = reading
        elif self.applied is not None:
            self._end(edge)
        self._state_since = edge.t_s
        self._store.forget_before(edge.t_s - 5e-3)

    def _hides_zero(self, name: str, v: Array) -> bool:
        """Whether these samples at rest stand at the lower end of the input, below which its zero may lie."""
        return bool(np.count_nonzero(v <= self.accuracies[name].low) > _AT_END * len(v))

    def _bound(self) -> None:
        if self._now - self._state_since <= _HOLD_S:
            return
        if self.applied is None:
            self._store.forget_before(self._now - _KEEP_TAIL_S)
        else:
            self._store.forget_between(self._state_since + _KEEP_HEAD_S, self._now - _KEEP_TAIL_S)

    def _end(self, edge: SupplyEdge) -> None:
        """The supply was taken away: the run is over, and the opening that came with it was not the unit's."""
        self.removed, self._over = edge, True
        if self._make is None:
            return
        if self._break is not None and self._break.t_s > edge.t_s - _WITH_SUPPLY_S:
            if self.first[-1] is self._break:
                self.first.pop()
            self._break = None
        elif self._break is None:
            self._lit = self._lit_between(self._make, edge.t_s - 1e-3)

    # -- features

    def _peak_after(self, make: Transition) -> Reading | None:
        if make.soft_s > _STEP_MOST_S:
            return None
        for name in ("i_load_low", "i_load"):
            t, v = self._store.between(name, make.t_s, make.t_s + make.bounce_s + _AFTER_MAKE_S)
            if not len(t) or self._clipped(name, v).any():
                continue
            reading = current_at_make(t, v - self._zero(name), make, self._delays.get(name, 0.0), self._timing)
            if reading is not None:
                return reading
        return None

    def _zero(self, name: str) -> float:
        """A current channel's reading with no voltage applied is its zero."""
        rest = self.rest.get(name)
        return rest.value if rest is not None and name.startswith("i_") else 0.0

    def _clipped(self, name: str, v: Array) -> np.ndarray[tuple[int, ...], np.dtype[np.bool_]]:
        accuracy = self.accuracies.get(name)
        if accuracy is None or not math.isfinite(accuracy.high):
            return np.zeros(len(v), dtype=bool)
        span = accuracy.high - accuracy.low
        margin = 0.01 * span if math.isfinite(span) else 1e-9 * abs(accuracy.high)
        return np.asarray(v >= accuracy.high - margin)

    def _current(self, begin_s: float, end_s: float) -> tuple[str, Array, Array]:
        """The current in the best range that holds it: name of the channel, instants, values with the zero taken off."""
        t, v = self._store.between("i_load_low", begin_s, end_s)
        if len(t) >= 4 and not self._clipped("i_load_low", v).any():
            return "i_load_low", t, v - self._zero("i_load_low")
        t, v = self._unclipped("i_load", begin_s, end_s)
        return "i_load", t, v - self._zero("i_load")

    def _unclipped(self, name: str, begin_s: float, end_s: float) -> tuple[Array, Array]:
        """Instants and values of a channel; none if some of them stand at the upper end of its input."""
        t, v = self._store.between(name, begin_s, end_s)
        return (_EMPTY, _EMPTY) if self._clipped(name, v).any() else (t, v)

    def _lit_between(self, make: Transition, end_s: float) -> Lit:
        # A reading that is a mean over the make is none of the lit state.
        settled = make.t_s + make.bounce_s + SETTLE_S + make.reach_s + self._timing.sampling_s
        tail = max(end_s - min(_TAIL_S, 0.25 * (end_s - make.t_s)), settled)
        steady = end_reading(*self._current(tail, end_s)[1:], end_s)
        supply = end_reading(*self._unclipped("v_in", tail, end_s), end_s)
        lamp = end_reading(*self._unclipped("v_out", tail, end_s), end_s)
        pilot = mean_reading(self._store.between("v_pilot", (make.t_s + end_s) / 2.0, end_s)[1])
        drop, drop_a, by_difference = self._lowest_drop(settled, end_s)
        peak = self._peak_after(make)
        siemens = self._siemens_at(make) if self.first and make is self.first[0] else None
        # Few samples are read by their mean, not carried to the end of the flash.
        t_out = self._store.between("v_out", tail, end_s)[0]
        read_s = end_s if len(t_out) >= LINE_LEAST else float(t_out[0]) if len(t_out) else tail
        settled_s = max(read_s - make.t_s - 2.0 * make.u_s - self._timing.sampling_s, 0.0)
        return Lit(supply, lamp, steady, drop, drop_a, by_difference, peak, pilot, self._dip(settled, end_s), siemens, settled_s)

    def _siemens_at(self, make: Transition) -> Reading | None:
        """What the load conducted at the make: it falls as the current does, and does not depend on what is in series."""
        until_s = make.t_s + make.bounce_s + _AFTER_MAKE_S
        t, i = self._store.between("i_load", make.t_s, until_s)
        t_out, v_out = self._store.between("v_out", make.t_s, until_s)
        if len(t_out) < _VOLTS_LEAST or self._clipped("i_load", i).any():
            return None
        # A gap between a sample of the output and one of the current shows in one of them only: no volts where the current flows.
        volts = np.maximum(np.interp(t, t_out, v_out), _WITHOUT_GAP * float(v_out.max()))
        siemens = (i - self._zero("i_load")) / np.maximum(volts, 1e-3)
        return current_at_make(t, siemens, make, self._delays.get("i_load", 0.0), self._timing)

    def _dip(self, settled_s: float, end_s: float) -> tuple[float, float] | None:
        until = min(settled_s + 2e-3, end_s)
        v = self._store.between("v_in", settled_s, until)[1]
        i = self._current(settled_s, until)[2]
        return (float(v.mean()), float(i.mean())) if len(v) and len(i) else None

    def _lowest_drop(self, begin_s: float, end_s: float) -> tuple[Reading | None, Reading | None, bool]:
        by_difference = False
        if any(self._clipped(name, self._store.between(name, begin_s, end_s)[1]).any() for name in ("v_in", "v_out")):
            return None, None, by_difference  # two inputs at their ends differ by nothing
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
            if len(t) and abs(len(t) - len(t_out)) > 1:
                t, v_in = t_out, np.interp(t_out, t, v_in)  # sampled more seldom, or oftener, than the output
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
        last = end_s - min(max(_BEFORE_S, self._timing.sampling_s), 0.25 * (end_s - begin_s))
        tail = max(middle, end_s - 2.0 * _TAIL_S)
        return Dark(
            end_reading(*self._current(tail, last)[1:], end_s),
            mean_reading(self._store.between("v_in", middle, last)[1]),
            mean_reading(self._store.between("v_out", middle, last)[1]),
            mean_reading(self._store.between("v_pilot", middle, last)[1]),
        )
