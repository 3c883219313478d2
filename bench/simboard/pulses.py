"""The true behaviour of the main contact: one `Pulse` per closed period, noted by the world as it goes."""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass, replace

_KEPT = 100_000


@dataclass(frozen=True, slots=True)
class Pulse:
    """One closed period of the main contact, bounce included. Times in s of the world.

    make_s, break_s: first touch (or switch-on) and first opening; break_s is None where supply or load was cut before.
    peak_a: current at the make, without inductance. lowest_drop_v: of the unit, after bounce; None if it never came to rest.
    steady_a, supply_v (unit's input), lamp_v (its output), pilot_lit: at the end. dark_a: at the end of the gap that follows,
    None if none did.
    """

    make_s: float
    break_s: float | None
    peak_a: float
    lowest_drop_v: float | None
    steady_a: float
    supply_v: float
    lamp_v: float
    pilot_lit: bool
    bounce_make_s: float
    bounce_break_s: float
    dark_a: float | None


class PulseLog:
    """The pulses that are over, and the one that is going on. `makes`: number of those that began."""

    __slots__ = ("_gap", "_lowest_v", "_now", "done", "makes")

    def __init__(self) -> None:
        self.done: deque[Pulse] = deque(maxlen=_KEPT)
        self.makes = 0
        self._now: Pulse | None = None
        self._lowest_v = math.inf
        self._gap = False

    @property
    def on(self) -> bool:
        """Whether a pulse is going on, the bounce of its break included."""
        return self._now is not None

    def begin(self, t_s: float, peak_a: float, dark_a: float | None) -> None:
        """Begin a pulse. dark_a: the current just before the make, None if a switch made it."""
        if self._gap and dark_a is not None:
            self.done[-1] = replace(self.done[-1], dark_a=dark_a)
        self.makes += 1
        self._lowest_v = math.inf
        self._now = Pulse(t_s, None, peak_a, None, 0.0, 0.0, 0.0, False, 0.0, 0.0, None)

    def touched_again(self, t_s: float) -> None:
        """Note that the contact touches again after a bounce of the make."""
        if self._now is not None and self._now.break_s is None:
            self._now = replace(self._now, bounce_make_s=t_s - self._now.make_s)

    def drop(self, volts: float) -> None:
        """Note a contact drop while the contact is at rest."""
        self._lowest_v = min(self._lowest_v, volts)

    def ending(self, supply_a: float, v_in: float, v_out: float, pilot_lit: bool) -> None:
        """Note the values at the end of the pulse, just before its contact opens; later calls, while it bounces open, change nothing."""
        if self._now is not None and self._now.break_s is None:
            lowest = None if self._lowest_v == math.inf else self._lowest_v
            self._now = replace(self._now, lowest_drop_v=lowest, steady_a=supply_a, supply_v=v_in, lamp_v=v_out, pilot_lit=pilot_lit)

    def opened(self, t_s: float) -> None:
        """Note that the contact opens: the break, or a bounce of it."""
        if self._now is None:
            return
        if self._now.break_s is None:
            self._now = replace(self._now, break_s=t_s)
        else:
            self._now = replace(self._now, bounce_break_s=t_s - self._now.break_s)

    def finish(self, cut: bool) -> None:
        """End the pulse. `cut`: a switch ended it, or ends the gap that follows it."""
        if self._now is not None:
            self.done.append(self._now)
            self._now = None
            self._gap = True
        self._gap = self._gap and not cut
