"""The states of the contact as its changes tell them, and the cycles that they end."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping

import numpy as np

from bench.cycles.flash import Cycle, Dark, Lit
from bench.cycles.kept_samples import KeptSamples
from bench.cycles.state_readings import BEFORE_S, REST_S, TAIL_S, StateReadings
from bench.description import ChannelName
from bench.samples import EXACT, Accuracy, Block, Timing
from bench.transitions import CLOSE_S, Change, Gap, Interruption, SupplyEdge, Transition

_HOLD_S = 4.0  # a state that lasts longer is kept as its first and its last part; the slowest flash takes 1.7 s (35 a minute)
_KEEP_HEAD_S, _KEEP_TAIL_S = 0.5, 2.0  # the first holds inrush and lowest drop, the last the levels, and a dark current's mean
_WITH_SUPPLY_S = 2e-3  # an opening so shortly before the supply's end came with it: the output falls through the threshold first
_FLOW_LEAST_S = 0.5  # of open contact, before its current is a state's and no decay
_GAP_NEAR_S = 10e-3  # a drop-out so near to missing samples may be made of them
_KEPT_BEFORE_S = 5e-3  # before a change: margin for readings that begin at its instant, which lies before the sample that shows it
_STARTS_KEPT = 8  # transitions of the start: a two-coil unit's blink and three flashes
_GAP_SHORT_S = 0.1  # no flash, and no dark between two, is shorter: a state found again after such a gap has lasted


def _is_read_between(block: Block) -> bool:
    """Return whether the current is read between two samples of the output that a gap of a bounce fits between."""
    if not {ChannelName.V_OUT, ChannelName.I_LOAD} <= block.traces.keys():
        return False
    out_s, amps_s = block.traces[ChannelName.V_OUT].t_s, block.traces[ChannelName.I_LOAD].t_s
    return bool(len(out_s) > 1 and len(amps_s) and out_s[1] - out_s[0] > CLOSE_S and not np.isin(amps_s[0], out_s))


class CycleCutter:
    """Blocks and the changes found in them in, cycles out; one verb, `feed`.

    `applied` is when voltage came to the unit (None if never seen), `rest` the channels' readings while there was none,
    `came_again` whether it came once more after it had gone (of that nothing is read), `dropouts` the gaps while lit that were too short
    to be a state, `first` and `first_lit` the transitions of the start and its first light.
    """

    def __init__(self, accuracies: Mapping[str, Accuracy], delays_s: Mapping[str, float], timing: Timing = EXACT) -> None:
        self.accuracies = accuracies
        self._kept = KeptSamples()
        self._read = StateReadings(self._kept, accuracies, delays_s, timing)
        self.rest = self._read.rest
        self._now = self._settled = 0.0
        self.applied: SupplyEdge | None = None
        self.removed: SupplyEdge | None = None
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
        """Return the cycles that these changes end. `settled_s`: until when there are no others; what the samples show after that is no
        state that is known yet."""
        self._kept.add(block)
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
        """The break of the flash at hand; None while it is lit."""
        return self._break

    @property
    def state_since_s(self) -> float:
        """Since when the present state has been seen: its transition, the supply's coming, or the end of the last gap."""
        return self._state_since

    @property
    def now_s(self) -> float:
        """The end of the last block, s of the board's run."""
        return self._now

    @property
    def settled_s(self) -> float:
        """Until when the present state is known: what changed after that has not been told yet."""
        return self._settled

    def lit_now(self) -> Lit | None:
        """Return the levels of an ON that is not over: what a unit that stays on shows."""
        if self._make is None or self._break is not None or self._over:
            return self._lit
        return self._lit_of(self._make, self._settled - self._bounce_s(self._make.t_s, self._settled))

    def lit_since(self, closed: bool) -> Lit | None:
        """Return the levels of an ON whose make was not seen, because the stream began (or went on) in the middle of it."""
        if not closed or self._make is not None or self._over or self._settled - self._state_since < 2.0 * TAIL_S:
            return None
        return self._lit_of(Transition(self._state_since, True, 0.0), self._settled)

    def dark_now(self) -> Dark | None:
        """Return the levels of the present dark state, if it is one."""
        if self._make is not None and self._break is None:
            return None
        since = self._break.t_s if self._break is not None else self._state_since
        return self._read.dark(since, self._settled)

    def flow_now(self) -> float | None:
        """Return the mean current of the last two seconds while the contact seems open: a large value means that a sense lead is off."""
        if (self._make is not None and self._break is None) or self._settled - self._state_since < _FLOW_LEAST_S:
            return None
        i = self._read.current(max(self._state_since, self._settled - _KEEP_TAIL_S), self._settled)[2]
        return float(i.mean()) if len(i) else None

    def _lit_of(self, make: Transition, end_s: float) -> Lit:
        return self._read.lit(make, end_s, is_first=bool(self.first) and make is self.first[0])

    def _on_make(self, make: Transition, cycles: list[Cycle]) -> None:
        if len(self.first) < _STARTS_KEPT:
            self.first.append(make)
        if self._make is not None and self._break is not None and self._lit is not None:
            dark = self._read.dark(self._break.t_s + self._break.reach_s, self._before(make, self._break.t_s))
            cycles.append(Cycle(self._make, self._break, make, self._lit, dark))
        self._forget(make.t_s)
        self._make, self._break, self._lit = make, None, None
        self._state_since = make.t_s

    def _on_break(self, broke: Transition) -> None:
        if len(self.first) < _STARTS_KEPT:
            self.first.append(broke)
        if self._make is not None:
            # Samples that may already lie past the opening are not used.
            self._lit = self._lit_of(self._make, self._before(broke, self._make.t_s))
            self._break = broke
            if self._make is self.first[0]:
                self.first_lit = self._lit
        self._forget(broke.t_s)
        self._state_since = broke.t_s

    def _before(self, change: Transition, since_s: float) -> float:
        """Return the last instant before a change at which the state since `since_s` is seen as it was, at least half-way through it."""
        bounce_s = 0.0 if change.closed else self._bounce_s(since_s, change.t_s)
        return max(change.t_s - max(3.0 * change.u_s + change.reach_s, bounce_s), (since_s + change.t_s) / 2.0)

    def _bounce_s(self, since_s: float, break_s: float) -> float:
        """Return for how long before the end of a lit state that began at `since_s` a bounce may have shown in some channels only."""
        return min(BEFORE_S, 0.25 * (break_s - since_s)) if self._is_read_between else 0.0

    def _forget(self, t_s: float) -> None:
        """Forget samples before a change, but not the rest before the supply came: a unit closed at rest makes as it comes."""
        self._kept.forget_before(t_s - (_KEPT_BEFORE_S if self.applied is not None else 1.2 * REST_S))

    def _on_supply(self, edge: SupplyEdge) -> None:
        if edge.on:
            if self.applied is None:
                self.applied = edge
                self._read.read_rest(edge.t_s)
        elif self.applied is not None:
            self._end(edge)
        self._state_since = edge.t_s
        self._kept.forget_before(edge.t_s - _KEPT_BEFORE_S)

    def _bound(self) -> None:
        if self._now - self._state_since <= _HOLD_S:
            return
        if self.applied is None:
            self._kept.forget_before(self._now - _KEEP_TAIL_S)
        else:
            self._kept.forget_between(self._state_since + _KEEP_HEAD_S, self._now - _KEEP_TAIL_S)

    def _end(self, edge: SupplyEdge) -> None:
        """End the run, since the supply was taken away: the opening that came with it was not the unit's."""
        self.removed, self._over = edge, True
        if self._make is None:
            return
        if self._break is not None and self._break.t_s > edge.t_s - _WITH_SUPPLY_S:
            if self.first[-1] is self._break:
                self.first.pop()
            self._break = None
        elif self._break is None:
            self._lit = self._lit_of(self._make, edge.t_s - 1e-3)
