"""Units of one kind differ: draws one, with the spread of its constants and its life.

The spreads are guesses of the trade: common practice, no source.
"""

from __future__ import annotations

import random
from dataclasses import replace

from bench.simboard.ageing import draw_life
from bench.simboard.units import Electronic, HotWire, Law, Rating, ThermalClosed, TwoCoil, Unit, nominal

_CONTACT_OHM = 0.003


def draw(kind: str, seed: int | str, rating: Rating | None = None, name: str | None = None) -> Unit:
    """A new unit of this kind; the same one for the same seed. ValueError for an unknown kind."""
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
    def about(value: float, relative: float) -> float:
        return value * (1.0 + relative * rng.gauss(0.0, 1.0))

    def near(value: float, spread: float) -> float:
        return value + spread * rng.gauss(0.0, 1.0)

    if isinstance(law, ThermalClosed):
        return replace(
            law,
            heater_ohm=about(law.heater_ohm, 0.02),
            strip_j_k=about(law.strip_j_k, 0.03),
            strip_w_k=about(law.strip_w_k, 0.03),
            open_c=near(law.open_c, 3.0),
            close_c=near(law.close_c, 3.0),
        )
    if isinstance(law, HotWire):
        return replace(
            law,
            ballast_ohm=about(law.ballast_ohm, 0.02),
            wire_ohm=about(law.wire_ohm, 0.02),
            wire_j_k=about(law.wire_j_k, 0.03),
            wire_w_k=about(law.wire_w_k, 0.03),
            close_c=near(law.close_c, 4.0),
            open_c=near(law.open_c, 4.0),
            hold_k=about(law.hold_k, 0.04),
        )
    if isinstance(law, TwoCoil):
        return replace(
            law,
            capacitor_f=about(law.capacitor_f, 0.07),
            second_coil_ohm=about(law.second_coil_ohm, 0.03),
            open_at=about(law.open_at, 0.05),
            close_at=about(law.close_at, 0.06),
        )
    if isinstance(law, Electronic):
        return replace(law, rc_s=about(law.rc_s, 0.04), outage_a=about(law.outage_a, 0.05), per_k=0.0015 * rng.uniform(-1.0, 1.0))
    return law
