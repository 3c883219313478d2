"""Blocks to changes: crossings of the ratio, and the states between them that last."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from bench.samples import Array, Block
from bench.transitions.at_hand import SamplesAtHand, VoltageChannels
from bench.transitions.changes import STATE_LEAST_S, Change, Gap, Interruption, Transition
from bench.transitions.contact_instant import SOFT_LOOK, ContactInstants, Crossing
from bench.transitions.levels import LOW, StateLevels
from bench.transitions.sides import turns
from bench.transitions.supply_edges import SupplyEdges

# The comparator stands near the open level, which is well known, and not half-way: the closed level may start at a third of the supply
# when a burnt contact meets the inrush of cold lamps. The instant is then found on the waveform itself.
THRESHOLD, HYSTERESIS = 0.2, 0.07  # of the distance between the state levels
_GAP_LOOK = 8  # samples back that say what the ratio just was


def _running_max(v: Array) -> Array:
    """Return the largest of each value and the seven before it (or as many as there are)."""
    for shift in (1, 2, 4):
        later = v.copy()
        np.maximum(v[shift:], v[:-shift], out=later[shift:])
        v = later
    return v


class TransitionFinder:
    """Blocks in, changes out; one verb, `feed`. `closed` is the latest settled state, None before anything is known.

    The parameters are those of `VoltageChannels`.
    """

    def __init__(
        self, *, supply_floor_v: float, tau_s: float = 0.0, noise_v: float = 0.0, v_in_v: float | None = None, stamp_u_s: float = 0.0
    ) -> None:
        channels = VoltageChannels(supply_floor_v, tau_s, noise_v, v_in_v, stamp_u_s)
        self._samples = SamplesAtHand(channels)
        self._levels = StateLevels(channels, self._samples)
        self._instants = ContactInstants(channels, self._samples, self._levels)
        self._supply = SupplyEdges(channels, self._samples)
        self.closed: bool | None = None
        self._restart()

    @property
    def supplied(self) -> bool:
        """Whether there is a supply, by the latest samples looked at."""
        return self._supply.is_on

    def _restart(self) -> None:
        """Forget the samples at hand: after a gap nothing may be joined to what was before it."""
        self._samples.clear()
        self._levels.restart()
        self._supply.restart()
        self._crossed = 0  # samples whose crossings were looked for
        self._side = 0  # side of the hysteresis band last seen: +1 closed, -1 open
        self._last_s: float  # instant of the last crossing
        self._pending: list[Crossing] = []
        self._found: list[Change] = []
        self._gap: tuple[float, float] | None = None

    def feed(self, block: Block) -> list[Change]:
        """Return the changes that this block settles. The last few milliseconds wait for the next block, or for `flush`."""
        changes: list[Change] = []
        if block.gap_before and len(self._samples):
            begin_s = float(self._samples.t_s[-1])
            changes += self.flush()
            self._restart()
            self._gap = (begin_s, block.begin_s)
        self._samples.append(block)
        while self._levels.learn():
            self._cross(self._levels.understood - 2 * self._levels.group)
        changes += self._release()
        self._trim()
        return changes

    def flush(self) -> list[Change]:
        """Return what the samples at hand show, although more might have come: at the end of a run, or before a gap."""
        self._cross(len(self._samples))
        self._resolve(math.inf)
        found, self._found = sorted(self._found, key=lambda change: change.t_s), []
        return found

    def _release(self) -> list[Change]:
        """Return changes in order of time, as far as nothing earlier can still be found."""
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
        looked_s = float(self._samples.t_s[self._crossed - 1]) - 2.0 * self._samples.interval_s
        return min(looked_s, self._pending[0].t_s) if self._pending else looked_s

    def _cross(self, end: int) -> None:
        """Find the crossings of samples up to `end` (exclusive) with the levels as they are known now."""
        begin = self._crossed
        if end <= begin:
            return
        self._crossed = end
        self._found += self._supply.find(begin, end)
        samples, low = self._samples, self._levels.low
        span = self._levels.high - low
        # A falling ratio counts as open below half of what it just was, so that the filter hides no short gap of a bounce.
        start = max(0, begin - _GAP_LOOK)
        just_was = _running_max(samples.ratio[start:end])[begin - start :] - low
        middle = np.maximum(THRESHOLD * span, 0.5 * just_was)
        band = HYSTERESIS * span
        above = samples.ratio[begin:end] - low - middle
        side = (above > band).astype(np.int8) - (above < -band)
        if self._side == 0:
            # A stream may begin on a level within the comparator's band that is plainly open all the same.
            known = int(np.append(side != 0, True).argmax())
            side[:known][samples.ratio[begin : begin + known] <= LOW] = -1
        for k in turns(side, self._side):
            closed = bool(side[k] > 0)
            if self._side == 0:
                self._begin_state(closed, float(samples.t_s[begin + k]))
            else:
                self._add(self._instants.crossing(begin + k, closed, low + float(middle[k])), float(samples.t_s[begin + k - 1]))
            self._side = int(side[k])
        self._resolve(float(samples.t_s[end - 1]))

    def _begin_state(self, closed: bool, t_s: float) -> None:
        self.closed, self._last_s = closed, t_s
        if self._gap is not None:
            self._found.append(Gap(*self._gap, closed))
        elif closed:
            # Found closed: when it made was not seen.
            self._found.append(Gap(t_s, t_s, True))

    def _add(self, crossing: Crossing, seen_s: float) -> None:
        """Let this crossing wait for what comes after it; until `seen_s` the state before it was seen."""
        # What goes half-way only, or not even that, is over no sooner than it began.
        self._last_s = max(crossing.t_s, self._last_s)
        self._resolve(max(self._last_s, seen_s))
        self._pending.append(replace(crossing, t_s=self._last_s))

    def _resolve(self, now_s: float) -> None:
        """Turn the crossings waiting into a change, once the state they led to has lasted."""
        if not self._pending or now_s - self._pending[-1].t_s < STATE_LEAST_S:
            return
        first, last = self._pending[0], self._pending[-1]
        if last.closed != self.closed:
            self.closed = last.closed
            again_s = tuple(crossing.t_s for crossing in self._pending[1:])
            self._found.append(Transition(first.t_s, last.closed, first.u_s, again_s, first.soft_s))
        else:
            self._found.append(Interruption(first.t_s, last.closed, last.t_s - first.t_s))
        self._pending = []

    def _trim(self) -> None:
        count = max(0, self._crossed - SOFT_LOOK)
        self._samples.drop(count)
        self._levels.dropped(count)
        self._crossed -= count
