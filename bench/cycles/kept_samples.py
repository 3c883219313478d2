"""The samples of the state at hand."""

from __future__ import annotations

from collections import defaultdict

import numpy as np

from bench.samples import Array, Block, Tail

EMPTY: Array = np.empty(0)


class KeptSamples:
    """The samples of the state at hand, by channel; old ones are forgotten. Instants in s of the board's run."""

    def __init__(self) -> None:
        self._tails: dict[str, Tail] = defaultdict(Tail)

    def add(self, block: Block) -> None:
        """Add the samples of all channels of `block`."""
        for name, trace in block.traces.items():
            self._tails[name].append(trace.t_s, trace.values)

    def between(self, name: str, begin_s: float, end_s: float) -> tuple[Array, Array]:
        """Return instants and values of a channel from `begin_s` on and before `end_s`; empty for a channel that was never sampled."""
        if name not in self._tails:
            return EMPTY, EMPTY
        t_s, values = self._tails[name].columns
        i, j = t_s.searchsorted((begin_s, end_s))
        return t_s[i:j], values[i:j]

    def forget_before(self, t_s: float) -> None:
        """Forget all samples before `t_s`."""
        for tail in self._tails.values():
            tail.forget(0, int(tail.columns[0].searchsorted(t_s)))

    def forget_between(self, begin_s: float, end_s: float) -> None:
        """Forget the samples from `begin_s` on and before `end_s`."""
        for tail in self._tails.values():
            tail.forget(*(int(i) for i in tail.columns[0].searchsorted((begin_s, end_s))))
