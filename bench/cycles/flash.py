"""One flash: its lit and its dark part, and the transitions between which they lie."""

from __future__ import annotations

import math
from dataclasses import dataclass

from bench.readings import Reading
from bench.transitions import Transition


@dataclass(frozen=True, slots=True)
class Lit:
    """The ON part of a cycle. `supply`, `lamp`, `steady` at its end; `drop` the lowest, `drop_a` the current then.

    `by_difference`: the drop amplifier was out of range, so input less output was taken. `peak`: current at the instant of make.
    `dip`: input voltage and current together just after it. `conductance`: of the load at the instant of the first make, in S.
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
    conductance: Reading | None = None
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
        """From make to break, s."""
        return self.broke.t_s - self.begun.t_s

    @property
    def off_s(self) -> float:
        """From break to the next make, s."""
        return self.ended.t_s - self.broke.t_s

    @property
    def period_s(self) -> float:
        """From make to the next make, s."""
        return self.ended.t_s - self.begun.t_s
