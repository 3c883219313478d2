"""What can change: the contact makes or breaks, is interrupted, was not seen; the supply comes or goes."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TypeAlias

STATE_LEAST_S = 3.0e-3  # a shorter state is bounce: contact bounce is 1-3 ms in bursts of shorter gaps (common practice, no source)
CLOSE_S = 0.2e-3
"""Samples further apart than that miss gaps of a bounce."""
UNSEEN_S = 1e-3
"""So much of a bounce they may miss altogether (relays bounce for a millisecond or two; common practice, no source)."""
# Where in a slow transition the lamps are lit or dark is a matter of definition (IEC 60469 takes its middle): anywhere within the part
# from a fifth to four fifths of the way.
SOFT_PART = 0.5 / math.sqrt(3.0)


@dataclass(frozen=True, slots=True)
class Transition:
    """The contact changed state at `t_s` (first crossing, true instant, s of the board's run) to `closed`.

    `u_s`: standard uncertainty of the instant apart from the clock's, different at each transition. `again_s`: the later crossings of its
    bounce, each to the opposite state of the one before, the last to `closed`. `soft_s`: standard uncertainty, the same at each make or
    break, of what the instant of a transition is that takes its time.
    """

    t_s: float
    closed: bool
    u_s: float
    again_s: tuple[float, ...] = ()
    soft_s: float = 0.0

    @property
    def reach_s(self) -> float:
        """How far before and after `t_s` the transition may still go on: half of how long it takes as a whole, with a tenth to spare."""
        return 1.1 * self.soft_s / SOFT_PART / 1.2

    @property
    def bounce_s(self) -> float:
        """From the first crossing to the last."""
        return self.again_s[-1] - self.t_s if self.again_s else 0.0


@dataclass(frozen=True, slots=True)
class Interruption:
    """The contact left its state for less than 3 ms and came back: no transition. `closed` is the state that was interrupted."""

    t_s: float
    closed: bool
    lasted_s: float


@dataclass(frozen=True, slots=True)
class Gap:
    """Samples are missing from `t_s` to `end_s`; afterwards the contact was found `closed` or not."""

    t_s: float
    end_s: float
    closed: bool


@dataclass(frozen=True, slots=True)
class SupplyEdge:
    """The voltage at the unit's input came (`on`) or went at `t_s`, with the standard uncertainty `u_s`."""

    t_s: float
    on: bool
    u_s: float


Change: TypeAlias = Transition | Interruption | Gap | SupplyEdge
