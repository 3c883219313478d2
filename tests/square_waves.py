"""Square waves through the finder of transitions, their makes and breaks known."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
from hand_evidence import near

from bench.samples import Array, Block, Trace
from bench.transitions import Change, Transition, TransitionFinder

SUPPLY_V, FLOOR_V, STEP = 10.0, 3.0, 125e-6


class Seen:
    """What a finder made of a signal, as ratios of the supply between instants: [(until_s, ratio), ...]."""

    def __init__(
        self, levels: Sequence[tuple[float, float]], *, amps: Sequence[float] | None = None, supply_v: Array | None = None,
        cut: int = 32, step_s: float = STEP, noise: float = 0.0, **known: Any,
    ) -> None:  # fmt: skip
        self.t = np.arange(0.0, levels[-1][0], step_s)
        ends = np.array([until for until, _ in levels])
        which = np.minimum(np.searchsorted(ends, self.t, side="right"), len(levels) - 1)
        v_in = np.full(len(self.t), SUPPLY_V) if supply_v is None else supply_v
        v_out = np.array([ratio for _, ratio in levels])[which] * v_in + np.random.default_rng(1).normal(0.0, noise, len(self.t))
        self.finder = TransitionFinder(**({"supply_floor_v": FLOOR_V} | known))
        self.changes: list[Change] = []
        self.at_s: list[float] = []  # end of the block that settled each change
        for k in range(0, len(self.t), cut):
            part = slice(k, k + cut)
            traces = {"v_out": Trace(self.t[part], v_out[part])}
            if "v_in_v" not in known:
                traces["v_in"] = Trace(self.t[part], v_in[part])
            if amps is not None:
                traces["i_load"] = Trace(self.t[part], np.array(amps)[which][part])
            self._add(self.finder.feed(Block(float(self.t[part][0]), float(self.t[part][-1]) + step_s, traces)), float(self.t[part][-1]))
        self._add(self.finder.flush(), math.inf)

    def _add(self, changes: list[Change], at_s: float) -> None:
        self.changes += changes
        self.at_s += [at_s] * len(changes)

    @property
    def edges(self) -> list[tuple[bool, float]]:
        return [(c.closed, near(c.t_s, abs=1.1 * STEP)) for c in self.changes if isinstance(c, Transition)]

    def of(self, kind: type[Any]) -> list[Any]:
        return [c for c in self.changes if isinstance(c, kind)]


FLASH = [(0.1, 0.0), (0.3, 1.0), (0.5, 0.0), (0.7, 1.0), (0.9, 0.0)]
EDGES = [(True, 0.1), (False, 0.3), (True, 0.5), (False, 0.7)]
