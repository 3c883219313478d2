"""Signals whose every stretch is known, cut into flashes: for tests of what is read where in them."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import numpy as np

from bench.cycles import Cycle, CycleCutter
from bench.samples import Accuracy, Array, Block, Timing, Trace
from bench.transitions import Change, SupplyEdge, Transition

STEP = 125e-6
KNOWN = {
    "v_in": Accuracy(0.0, 20.0, 0, 0, 0, 0), "v_out": Accuracy(0.0, 20.0, 0, 0, 0, 0), "v_drop": Accuracy(-0.1, 1.0, 0, 0, 0, 0),
    "i_load": Accuracy(-10.0, 90.0, 0, 0, 0, 0), "i_load_low": Accuracy(-1.0, 9.0, 0, 0, 0, 0), "v_pilot": Accuracy(0.0, 20.0, 0, 0, 0, 0),
}  # fmt: skip
U_S = 1e-6
Signal = Callable[[Array], Array] | float
SUPPLY = SupplyEdge(0.2, True, U_S)


def change(t_s: float, closed: bool, *again_s: float, u_s: float = U_S) -> Transition:
    return Transition(t_s, closed, u_s, again_s)


# Two flashes of 0.4 s and the make of a third.
FLASHES: tuple[Change, ...] = (SUPPLY, change(0.5, True), change(0.9, False), change(1.2, True), change(1.6, False), change(1.9, True))


def steps(*until: tuple[float, float]) -> Callable[[Array], Array]:
    """A signal of these levels, each until an instant."""
    ends = np.array([t for t, _ in until])
    levels = np.array([v for _, v in until])
    return lambda t: levels[np.minimum(np.searchsorted(ends, t, side="right"), len(levels) - 1)]


class Cut:
    """A cutter that was fed these signals to the end, with the changes in the block in which they happen, or `late_s` after it.

    No current flows before the supply comes, unless `zeros` of the currents are to be seen. Samples come every `step_s`, those of each
    channel `apart_s` after those of the one before it.
    """

    def __init__(
        self, signals: Mapping[str, Signal], changes: tuple[Change, ...] = FLASHES, end_s: float = 2.0, late_s: float = 0.0,
        block_s: float = 0.05, timing: Timing | None = None, delays_s: Mapping[str, float] | None = None, zeros: bool = False,
        step_s: float = STEP, apart_s: float = 0.0,
    ) -> None:  # fmt: skip
        self.cutter = CycleCutter(KNOWN, delays_s or {}, *(() if timing is None else (timing,)))
        self.cycles: list[Cycle] = []
        waiting = list(changes)
        for k in range(round(end_s / block_s)):
            begin_s, until_s = k * block_s, (k + 1) * block_s
            rows_s = np.arange(round(begin_s / step_s), round(until_s / step_s), dtype=np.float64) * step_s
            traces = {}
            for place, (name, signal) in enumerate(signals.items()):
                t = rows_s + place * apart_s
                v = np.full(len(t), signal) if isinstance(signal, float) else np.asarray(signal(t), dtype=np.float64)
                traces[name] = Trace(t, v if zeros or not name.startswith("i_") else np.where(t < 0.2, 0.0, v))
            due = [one for one in waiting if one.t_s + late_s < until_s]
            waiting = waiting[len(due) :]
            self.cycles += self.cutter.feed(Block(begin_s, until_s, traces), due)


def value(found: Any) -> float:
    assert found is not None
    return float(found.value)


def decaying(peak: float, zero: float = 0.0) -> Callable[[Array], Array]:
    """From each make on a current to the power -1.7 that rises as a straight line, but for the curvature of lamps."""

    def signal(t: Array) -> Array:
        since = np.where(t >= 1.2, t - 1.2, t - 0.5)
        z = np.clip(since, 0.0, None) / 2.6e-3
        lit = ((t >= 0.5) & (t < 0.9)) | (t >= 1.2)
        return np.where(lit, peak * (1.0 + z) ** (-1.0 / 1.7), 0.0) + zero

    return signal
