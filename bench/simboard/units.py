"""A unit at rest: its mechanism's constants, its contact, its pilot, its rating, its age.

The constants are invented: no manufacturer publishes heater, wire or coil data. They were tuned so that each mechanism behaves as
the trade describes it (common practice, no source) with two 21 W lamps at 12.8 V, and are scaled to other ratings by
likeness: the same heat at another current, the same ampere-turns at another voltage.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from bench.simboard.filament import rated_filament
from bench.simboard.loads import test_volts

MECHANISM_TITLES: Mapping[str, str] = {
    "NC": "thermal, closed at rest",
    "HWh": "hot wire with magnetic hold",
    "HWp": "plain hot wire",
    "TC": "two coils and a capacitor",
    "ELo": "electronic, signals a lamp out",
    "EL": "electronic, three terminals",
    "EL2": "electronic, two terminals",
}
"""What each code of a mechanism stands for."""
MECHANISMS = tuple(MECHANISM_TITLES)


@dataclass(frozen=True, slots=True)
class Rating:
    """System voltage and the wattages of the filament lamps that the unit is made for."""

    system_v: float = 12.0
    lamps_w: tuple[float, ...] = (21.0, 21.0)

    def current_a(self) -> float:
        """Return the current of these lamps at the nominal test voltage."""
        volts = test_volts(self.system_v)
        return sum(rated_filament(w, self.system_v).steady_a(volts) for w in self.lamps_w)


@dataclass(frozen=True, slots=True)
class ThermalClosed:
    """Heater, snapping strip and contact in series; the strip sits in a can. `lag_s`: from heater to strip."""

    heater_ohm: float
    strip_j_k: float = 3.6e-3
    strip_w_k: float = 4.0e-3
    can_j_k: float = 7.0
    can_w_k: float = 0.10
    open_c: float = 232.0
    close_c: float = 172.0
    ambient_share: float = 0.5
    lag_s: float = 0.015


@dataclass(frozen=True, slots=True)
class HotWire:
    """Ballast and fine wire in series; the contact shorts both. A coil carries the lamp current; it helps to hold: the wire must
    cool by a further hold_k I/(I + hold_a)."""

    ballast_ohm: float
    wire_ohm: float
    coil_ohm: float
    wire_j_k: float
    open_c: float
    hold_k: float
    hold_a: float = 2.0
    close_c: float = 275.0
    wire_w_k: float = 1.7e-3
    can_j_k: float = 8.0
    can_w_k: float = 0.06
    ambient_share: float = 0.5
    broken: bool = False


@dataclass(frozen=True, slots=True)
class TwoCoil:
    """Lamp coil in series with the contact; second coil and capacitor across the contact, so the capacitor charges through both
    coils while open (they aid) and empties through the second alone while closed (it opposes). open_at, close_at: magnetomotive
    forces in A-turns at which the armature moves."""

    lamp_turns: float
    saturation_a: float
    lamp_coil_ohm: float
    second_turns: float
    second_coil_ohm: float
    capacitor_f: float
    leak_ohm: float = math.inf
    open_at: float = 16.0
    close_at: float = 8.0
    lag_s: float = 0.030


@dataclass(frozen=True, slots=True)
class Electronic:
    """A capacitor charges while closed and empties while open, between the shares `lower` and `upper` of the supply.

    Where the lamp current in the shunt is below outage_a (at 12.8 V, or 6.4 or 25.6; following the root of the supply), the upper share is
    `outage_upper`.

    leak_ohm, fed_v: a two-terminal unit lives on what passes it while open, and needs so many volts across itself to close.
    """

    rc_s: float
    shunt_ohm: float
    lower: float = 0.3205
    upper: float = 0.6795
    outage_a: float = 0.0
    outage_upper: float = 0.4831
    nominal_v: float = 12.8
    least_v: float = 7.5
    start_s: float = 0.0015
    per_k: float = 0.0
    own_ohm: float = math.inf
    leak_ohm: float = math.inf
    fed_v: float = 0.0
    relay: bool = True


@dataclass(frozen=True, slots=True)
class FixedResistance:
    """No mechanism: a wire, a resistor, or nothing (`ohm` inf)."""

    ohm: float


Law = ThermalClosed | HotWire | TwoCoil | Electronic | FixedResistance


@dataclass(frozen=True, slots=True)
class ContactConstants:
    """ohm: when new; good_ohm: as it should be; film_ohm fades by a quarter at each make; probabilities are per operation."""

    ohm: float = 0.012
    good_ohm: float = 0.012
    bounce_make_s: tuple[float, float] = (0.001, 0.003)
    bounce_break_s: tuple[float, float] = (0.0, 0.0005)
    film_ohm: float = 0.0
    stick_probability: float = 0.0
    stick_s: tuple[float, float] = (0.3, 1.2)
    miss_probability: float = 0.0
    welded: bool = False
    dead: bool = False


@dataclass(frozen=True, slots=True)
class Pilot:
    """A contact from input to pilot terminal, worked by the lamp current. `antiphase`: closed at rest, opens with the lamps."""

    pull_in_a: float
    drop_out_a: float
    ohm: float = 0.05
    antiphase: bool = False
    dead: bool = False


@dataclass(frozen=True, slots=True)
class Unit:
    """One unit. `flashes`: how many it has made; `life_flashes`: how many it will before it fails; `scatter`: relative standard
    deviation of its period from flash to flash."""

    name: str
    kind: str
    mechanism: Law
    rating: Rating
    contact: ContactConstants
    pilot: Pilot | None = None
    flashes: int = 0
    life_flashes: float = 6.3e5
    scatter: float = 0.01


LINK = Unit("LINK", "LINK", FixedResistance(0.0005), Rating(), ContactConstants(0.0))
EMPTY = Unit("NONE", "NONE", FixedResistance(math.inf), Rating(), ContactConstants(0.0))


def resistor(ohm: float) -> Unit:
    """Return a resistor in the place of a unit."""
    return Unit("RESISTOR", "RESISTOR", FixedResistance(ohm), Rating(), ContactConstants(0.0))


def nominal(kind: str, rating: Rating | None = None, name: str | None = None) -> Unit:
    """Return the unit in the middle of its kind, new. ValueError for an unknown kind."""
    rating = rating or Rating()
    amps = rating.current_a() / Rating().current_a()
    volts = rating.system_v / 12.0
    pilot = Pilot(2.85 * amps, 2.2 * amps)
    contact = ContactConstants()
    if kind == "NC":
        return Unit(name or kind, kind, ThermalClosed(0.090 / amps**2), rating, contact)
    if kind in ("HWh", "HWp"):
        ballast, wire = 34.0 * volts**2, 10.0 * volts**2
        if kind == "HWh":
            wired = HotWire(ballast, wire, 0.030 / amps**2, 1.2e-3, open_c=285.0, hold_k=190.0, hold_a=2.0 * amps)
        else:
            wired = HotWire(ballast, wire, 0.012 / amps**2, 1.3e-3, open_c=175.0, hold_k=0.0)
        return Unit(name or kind, kind, wired, rating, contact, pilot)
    if kind == "TC":
        coils = TwoCoil(10.0 / amps, 5.0 * amps, 0.030 / amps**2, 1100.0 * volts, 240.0 * volts**2, 850e-6 / volts**2)
        return Unit(name or kind, kind, coils, rating, contact, pilot)
    if kind in ("ELo", "EL", "EL2"):
        return _electronic(kind, rating, volts, amps, name or kind)
    raise ValueError(f"nominal: kind must be one of {', '.join(MECHANISMS)}, not {kind!r}")


def _electronic(kind: str, rating: Rating, volts: float, amps: float, name: str) -> Unit:
    law = Electronic(
        rc_s=(60.0 / 90.0) / (2.0 * math.log(0.6795 / 0.3205)),
        shunt_ohm=0.030 / amps,
        outage_a=_outage_a(rating) if kind == "ELo" else 0.0,
        nominal_v=test_volts(rating.system_v),
        least_v=7.5 * volts,
        own_ohm=3000.0 * volts if kind != "EL2" else math.inf,
        leak_ohm=2600.0 * volts if kind == "EL2" else math.inf,
        fed_v=6.0 * volts if kind == "EL2" else 0.0,
        relay=kind != "EL2",
    )
    still = (0.0, 0.0)
    contact = ContactConstants(0.015, 0.015) if law.relay else ContactConstants(0.015, 0.015, bounce_make_s=still, bounce_break_s=still)
    # Its pilot terminal is driven in step with the lamps, whatever their current.
    pilot = Pilot(0.02, 0.01) if kind == "ELo" else None
    return Unit(name, kind, law, rating, contact, pilot, scatter=0.002)


def _outage_a(rating: Rating) -> float:
    """Return the current midway, by ratio, between the full load less 6 % and the load with one lamp out and a 5 W repeater in plus 6 %."""
    full = rating.current_a()
    volts = test_volts(rating.system_v)
    lost = rated_filament(max(rating.lamps_w), rating.system_v).steady_a(volts)
    repeater = rated_filament(5.0, rating.system_v).steady_a(volts)
    return math.sqrt((full - lost + repeater) * 1.06 * full * 0.94)
