"""The units of one kind, which differ in their constants and in their life: one is drawn from them.

The spreads are guesses of the trade: common practice, no source.
"""

from __future__ import annotations

import random
from collections.abc import Mapping
from dataclasses import replace

from bench.simboard.ageing import draw_life
from bench.simboard.units import Electronic, HotWire, Law, Rating, ThermalClosed, TwoCoil, Unit, nominal

_CONTACT_OHM = 0.003
# Standard deviations of a mechanism's constants: in K of temperatures, else relative.
_SPREADS: Mapping[type[Law], Mapping[str, float]] = {
    ThermalClosed: {"heater_ohm": 0.02, "strip_j_k": 0.03, "strip_w_k": 0.03, "open_c": 3.0, "close_c": 3.0},
    HotWire: {
        "ballast_ohm": 0.02, "wire_ohm": 0.02, "wire_j_k": 0.03, "wire_w_k": 0.03, "close_c": 4.0, "open_c": 4.0, "hold_k": 0.04,
    },
    TwoCoil: {"capacitor_f": 0.07, "second_coil_ohm": 0.03, "open_at": 0.05, "close_at": 0.06},
    Electronic: {"rc_s": 0.04, "outage_a": 0.05},
}  # fmt: skip


def draw(kind: str, seed: int | str, rating: Rating | None = None, name: str | None = None) -> Unit:
    """Return a new unit of this kind; the same one for the same seed. ValueError for an unknown kind."""
    rng = random.Random(f"unit {kind} {seed}")
    unit = nominal(kind, rating, name)
    ohm = max(0.004, unit.contact.ohm + _CONTACT_OHM * rng.gauss(0.0, 1.0))
    return replace(
        unit,
        mechanism=_vary(unit.mechanism, rng),
        contact=replace(unit.contact, ohm=ohm, good_ohm=ohm),
        life_flashes=draw_life(rng),
    )


def _vary(law: Law, rng: random.Random) -> Law:
    """Return the mechanism with its constants drawn, each with the standard deviation that `_SPREADS` states."""
    drawn = {}
    for name, spread in _SPREADS.get(type(law), {}).items():
        value, by = getattr(law, name), spread * rng.gauss(0.0, 1.0)
        drawn[name] = value + by if name.endswith("_c") else value * (1.0 + by)
    if isinstance(law, Electronic):
        drawn["per_k"] = 0.0015 * rng.uniform(-1.0, 1.0)
    return replace(law, **drawn)
