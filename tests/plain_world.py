"""A world simple enough to know every voltage by hand: a stiff supply, a contact worked by the clock, resistors for loads."""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise

import numpy as np

from bench.simboard.waveform import Waveform

LOAD_OHM = {1: 6.4, 2: 6.4, 3: 6.4, 4: 14.0, 5: 28.0, 6: 12.0, 7: 70.0, 8: 1000.0}


def flasher(t_s: float) -> bool:
    """Closed for the first 0.3 s of every 0.7 s."""
    return t_s % 0.7 < 0.3


class PlainWorld:
    """`contact` is asked at every node whether it is closed; a closed contact has 0.1 ohm. Nodes stand every `step_s`."""

    def __init__(
        self, supply_v: float = 12.8, contact: Callable[[float], bool] = flasher, step_s: float = 0.001, contact_ohm: float = 0.1
    ) -> None:
        self.t_s = 0.0
        self.supply_v = supply_v
        self.supply_loads: frozenset[int] | None = None
        self.contact = contact
        self.contact_ohm = contact_ohm
        self.step_s = step_s
        self.master = False
        self.loads: frozenset[int] = frozenset()
        self.unit: object = None
        self.ambient_c = 24.0

    def switch(self, *, master: bool, loads: frozenset[int]) -> None:
        self.master, self.loads = master, loads

    def set_unit(self, unit: object) -> None:
        self.unit = unit

    def set_supply(self, volts: float, loads: frozenset[int] | None = None) -> None:
        self.supply_v, self.supply_loads = volts, loads

    def set_ambient(self, celsius: float) -> None:
        self.ambient_c = celsius

    def rest(self, seconds: float) -> None:
        self.t_s += seconds

    def advance(self, until_s: float) -> Waveform:
        inner = np.arange(np.floor(self.t_s / self.step_s) + 1, np.ceil(until_s / self.step_s)) * self.step_s
        inner = inner[(inner > self.t_s) & (inner < until_s)]
        edges = np.concatenate(([self.t_s], inner, [until_s]))
        # Each piece is constant: its two ends stand at the same times as its neighbours' ends, so every change is a jump.
        t = np.repeat(edges, 2)[1:-1]
        closed = np.repeat([self.contact(0.5 * (a + b)) for a, b in pairwise(edges)], 2)
        v_in = np.full(len(t), self.supply_v if self.master else 0.0)
        conductance = sum(1.0 / LOAD_OHM[n] for n in self.loads)
        current = np.where(closed, v_in / (self.contact_ohm + 1.0 / conductance), 0.0) if conductance else np.zeros(len(t))
        v_out = np.where(closed, v_in - current * self.contact_ohm, 0.0)
        self.t_s = until_s
        return Waveform(t, v_in, v_out, current, np.zeros(len(t)))
