"""When the voltage at the unit's input came and went."""

from __future__ import annotations

import math
from collections.abc import Iterator
from statistics import median

import numpy as np

from bench.instants import filtered_step_instant
from bench.transitions.at_hand import SamplesAtHand, VoltageChannels
from bench.transitions.changes import SupplyEdge
from bench.transitions.sides import turns
from bench.uncertainty import rectangular

_LOOK = 12  # samples on each side of an edge that its instant may need
_MIDDLE = 3.5  # samples from the first of a level to the middle of the six behind it
_SUNK_MOST = 0.5  # of the level; at all of it the instant would have no bound


class SupplyEdges:
    """Finds the edges of the supply in the samples at hand; `is_on` is how it was left."""

    def __init__(self, channels: VoltageChannels, samples: SamplesAtHand) -> None:
        self._channels = channels
        self._samples = samples
        self.is_on = False
        self.restart()

    def restart(self) -> None:
        """Begin anew: how the supply stands is not known until a sample says so."""
        self._side = 0

    def find(self, begin: int, end: int) -> Iterator[SupplyEdge]:
        """Return the edges seen in samples `begin` to `end` (exclusive); none with a fixed supply."""
        if self._channels.v_in_v is not None:
            return
        v = self._samples.v_in[begin:end]
        floor_v = self._channels.supply_floor_v
        side = (v > 1.2 * floor_v).astype(np.int8) - (v < 0.8 * floor_v)
        for turn in turns(side, self._side):
            self.is_on = bool(side[turn] > 0)
            if self._side != 0:
                yield self._edge(begin + turn)
            self._side = int(side[turn])

    def _edge(self, k: int) -> SupplyEdge:
        v_in, apart_s = self._samples.v_in, self._samples.input_apart_s
        low = max(0, k - _LOOK)
        before = median(v_in[max(0, k - 6) : max(1, k - 1)].tolist())
        after = median(v_in[min(k + 1, len(v_in) - 1) : k + 7].tolist())
        sunk = self._sunk(k, after) if self.is_on else 0.0
        # Between samples of its own the input is a straight line, which no filter made.
        tau_s = 0.0 if apart_s else self._channels.tau_s
        near = slice(low, k + _LOOK)
        t_s, u_s = filtered_step_instant(
            self._samples.t_in_s[near], v_in[near], k - low, before, after, tau_s, self._channels.noise_v, sunk
        )
        u_s = math.hypot(u_s, rectangular(0.5 * apart_s + self._channels.tau_s - tau_s), self._channels.stamp_u_s)
        return SupplyEdge(t_s, self.is_on, u_s)

    def _sunk(self, k: int, after: float) -> float:
        """Return the part of `after`, the middle of the six samples behind k, the input may have stood lower at k: cold lamps behind a
        contact that is closed at rest pull it down at once, and let it rise again."""
        t_in_s, v_in = self._samples.t_in_s, self._samples.v_in
        later = k + 1 + int((t_in_s[k + 1 :] < t_in_s[k] + 3.0 * self._channels.tau_s).sum())
        if later >= len(v_in):
            return 0.0
        if after <= 0.0:
            return _SUNK_MOST  # nothing stays of the voltage that came
        rise = max(1.0 - float(v_in[later]) / after, 0.0)
        # The rise from `later` to the middle of the six, carried straight back to the sample before k, which is further than need be.
        to_middle = _MIDDLE - min(later - k, _MIDDLE - 1.0)
        return min(rise * (_MIDDLE + 1.0) / to_middle, _SUNK_MOST)
