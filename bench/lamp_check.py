"""One lamp lit by itself: does it take what its rating takes?"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from bench.description import BoardDescription
from bench.lamps import allowed_current_a
from bench.samples import accuracies
from bench.uncertainty import TypeA, combine

LAMPS_COLD_S = 10.0  # dark for so long before a cold start: common practice, no source
SUPPLY_PARTS = (0.8, 1.4)
"""A supply between these parts of the system's volts suits its lamps: from a flat battery to a charging one (14.4 V) and a sixth more
(common practice, no source)."""
_WITHIN = 0.95  # of a range: a current that reads more may be clipped there
_K = 3.0  # a reading further off than this many standard uncertainties is wrong


@dataclass(frozen=True, slots=True)
class LampTakes:
    """Current of a lamp in A, at the lamp's V, with the least and most that a sound one takes, what the board is not sure of included."""

    watts: float
    amps: float
    volts: float
    least_a: float
    most_a: float

    @property
    def is_right(self) -> bool:
        """Whether the lamp draws what is expected for its wattage."""
        return self.least_a <= self.amps <= self.most_a

    @property
    def text(self) -> str:
        """What it draws beside what is expected, in words."""
        return f"takes {self.amps:.3f} A at {self.volts:.2f} V, a {self.watts:g} W lamp takes {self.least_a:.3f} to {self.most_a:.3f} A"


def supply_problem(supply_v: float, system_v: float) -> str:
    """Return what keeps lamps of this system from being lit at this supply voltage; empty if it suits them."""
    least_v, most_v = (part * system_v for part in SUPPLY_PARTS)
    if least_v <= supply_v <= most_v:
        return ""
    shown = f"{supply_v:.2f} V at the unit's input, lamps of a {system_v:g} V system need {least_v:.1f} to {most_v:.1f} V"
    return f"{shown}; set the supply, or name the system with --system"


def lamp_takes(
    description: BoardDescription, watts: float, system_v: float, rest: Mapping[str, TypeA], lit: Mapping[str, TypeA]
) -> LampTakes | None:
    """Return what a lamp of these rated watts takes: new or aged lamps are right. None if the board does not read current and voltage.

    `rest`, `lit`: readings of the channels with everything open, and with this lamp alone through the shorting link.
    """
    known = accuracies(description, 0)
    read = (one for one in ("i_load_low", "i_load") if one in lit and one in rest and lit[one].mean < _WITHIN * known[one].high)
    name = next(read, "")
    if not name or "v_out" not in lit:
        return None
    shown_a = sum(share.part * lit[share.other].mean for share in known[name].common if share.other in lit)
    amps, volts = lit[name].mean - rest[name].mean - shown_a, lit["v_out"].mean
    least, most = allowed_current_a(watts, system_v, volts)
    margin = _K * combine(*(c.u for c in known[name].parts(name, most, {"v_in": volts}, rest[name].u)))
    return LampTakes(watts, amps, volts, least - margin, most + margin)
