"""Waveforms whose truth is known by construction: contact edges in, blocks out, for tests of the pure line."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from bench.analysis import Pipeline
from bench.clock import ClockComparison
from bench.measure import Conditions
from bench.samples import Accuracy, Array, Block, Trace

SCAN_S = 130e-6
SKEW_S = 26e-6
CHANNELS = ("v_in", "v_out", "v_drop", "i_load", "i_load_low", "v_pilot")
ACCURACY = {
    "v_in": Accuracy(0.0, 18.8, 1e-4, 1e-3, 1e-3, 0.009),
    "v_out": Accuracy(0.0, 18.8, 1e-4, 1e-3, 1e-3, 0.009),
    "v_drop": Accuracy(-0.064, 0.96, 1e-3, 1e-3, 5e-4, 6e-4),
    "i_load": Accuracy(-5.0, 76.7, 1e-3, 0.02, 0.02, 0.04),
    "i_load_low": Accuracy(-0.5, 7.67, 1e-3, 0.004, 0.004, 0.005),
    "v_pilot": Accuracy(0.0, 18.8, 1e-4, 1e-3, 1e-3, 0.009),
}


@dataclass
class Wave:
    """Contact closed between edges[0] and edges[1], edges[2] and edges[3], ...; supply on from `applied_s` to the end.

    `first_ohms`: resistance of the contact in the first flashes; in all others it is `contact_ohm`. `dark_a_per_s`: drift of the dark
    current.
    """

    edges: Sequence[float]
    end_s: float
    applied_s: float = 0.3
    supply_v: float = 12.8
    contact_ohm: float = 0.1
    first_ohms: Sequence[float] = ()
    dark_a_per_s: float = 0.0
    steady_a: float = 3.6
    inrush: float = 9.0
    inrush_s: float = 8e-3
    dark_a: float = 0.0
    open_ratio: float = 0.0
    pilot: str = "in step"
    tau_s: float = 0.0
    noise: float = 0.0
    scan_s: float = SCAN_S
    seed: int = 1
    lost_s: Sequence[tuple[float, float]] = field(default_factory=tuple)

    def channel(self, name: str, t_s: Array) -> Array:
        """The true waveform at these instants, before filter and noise."""
        on = t_s >= self.applied_s
        closed = np.zeros(len(t_s), dtype=bool)
        since = np.full(len(t_s), np.inf)
        ohm = np.full(len(t_s), self.contact_ohm)
        for number, (make, broke) in enumerate(zip(self.edges[::2], self.edges[1::2], strict=True)):
            inside = (t_s >= make) & (t_s < broke) & on
            closed |= inside
            ohm[inside] = self.first_ohms[number] if number < len(self.first_ohms) else self.contact_ohm
            since[inside] = t_s[inside] - max(make, self.applied_s)
        with np.errstate(over="ignore"):
            dark_a = (self.dark_a + self.dark_a_per_s * t_s) * on
            current = np.where(closed, self.steady_a * (1.0 + self.inrush * np.exp(-since / self.inrush_s)), dark_a)
        v_in = np.where(on, self.supply_v, 0.0)
        v_out = np.where(closed, v_in - current * ohm, v_in * self.open_ratio)
        lit = {"in step": closed, "antiphase": ~closed & on, "steady": on, "dead": on & False}[self.pilot]
        waves: dict[str, Array] = {
            "v_in": v_in, "v_out": v_out, "v_drop": np.clip(v_in - v_out, -0.064, 0.96), "i_load": current,
            "i_load_low": np.clip(current, -0.5, 7.672), "v_pilot": np.where(lit, 12.0, 0.0),
        }  # fmt: skip
        return waves[name]

    def trace(self, name: str, slot: int) -> Trace:
        """The whole record of a channel, with filter and noise."""
        n = int(self.end_s / self.scan_s)
        t: Array = np.arange(n, dtype=np.float64) * self.scan_s + slot * self.scan_s / 5.0
        values = self.channel(name, t) if self.tau_s == 0.0 else self._filtered(name, t)
        sd = self.noise * ACCURACY[name].noise
        return Trace(t, values + np.random.default_rng((self.seed, slot)).normal(0.0, sd, n) if sd else values)

    def _filtered(self, name: str, t: Array) -> Array:
        """First-order filter: a delay where nothing jumps, the convolution integral on a fine grid within 12 time constants of a jump."""
        values = self.channel(name, t - self.tau_s)
        jumps = np.sort([*self.edges, self.applied_s])
        since = t - jumps[np.maximum(np.searchsorted(jumps, t) - 1, 0)]
        near = np.flatnonzero((since >= 0.0) & (since < 12.0 * self.tau_s))
        steps = 1000
        lag = (np.arange(steps) + 0.5) * 14.0 * self.tau_s / steps
        weight = np.exp(-lag / self.tau_s)
        weight /= weight.sum()
        values[near] = self.channel(name, (t[near, None] - lag).ravel()).reshape(len(near), steps) @ weight
        return values

    def blocks(self, scans: int = 32) -> list[Block]:
        """Blocks of `scans` scans; those that touch a lost stretch are left out, and the next says so."""
        found: list[Block] = []
        whole = {name: self.trace(name, slot) for slot, name in enumerate(CHANNELS)}
        total = int(self.end_s / self.scan_s)
        gap = False
        for start in range(0, total, scans):
            stop = min(start + scans, total)
            begin, end = start * self.scan_s, stop * self.scan_s
            if any(begin < b and end > a for a, b in self.lost_s):
                gap = True
                continue
            traces = {name: Trace(trace.t_s[start:stop], trace.values[start:stop]) for name, trace in whole.items()}
            found.append(Block(begin, end, traces, gap))
            gap = False
        return found

    def pipeline(self, conditions: Conditions | None = None, scans: int = 32) -> Pipeline:
        """All of it through the pipeline, as a run that has ended."""
        asked = conditions or Conditions(filament=False)
        pipeline = Pipeline(ACCURACY, dict.fromkeys(CHANNELS, self.tau_s), asked, ClockComparison(0.005), 0.005)
        for block in self.blocks(scans):
            pipeline.feed(block)
        pipeline.finish()
        return pipeline


def flashes(n: int, *, first_s: float = 0.3, on_s: float = 0.35, off_s: float = 0.32) -> list[float]:
    """n flashes of equal length, the first make at first_s."""
    return [t for k in range(n) for t in (first_s + k * (on_s + off_s), first_s + k * (on_s + off_s) + on_s)]
