"""The samples of the state at hand."""

from __future__ import annotations

import numpy as np

from bench.samples import Array, Block

EMPTY: Array = np.empty(0)


class KeptSamples:
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
        t, v = self._parts.get(name, (EMPTY, EMPTY))
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
