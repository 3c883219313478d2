"""The mechanisms as they run: each an energy or circuit balance of three state numbers, and an armature.

Between moves of the armature the state changes at `rates`; the armature moves when `margin`, negative before, reaches zero. Currents come
from the circuit, to which the mechanism is a resistance, and a stored voltage where it `stores` one.
"""

from __future__ import annotations

import math
import random
from abc import ABC, abstractmethod

from bench.simboard.ageing import fatigue, threshold_shift_k
from bench.simboard.units import Electronic, FixedResistance, HotWire, ThermalClosed, TwoCoil, Unit

State = tuple[float, float, float]
_DESIGN_C = 24.0
_COPPER_PER_K = 0.00393
_CAPACITOR_PER_K_COLD, _CAPACITOR_PER_K_WARM, _CAPACITOR_KNEE_C = 0.004, 0.0015, 20.0


class _Spread:
    """The flash-to-flash errors of thresholds, drawn; 0 without a generator."""

    __slots__ = ("_life", "_rng", "_size")

    def __init__(self, unit: Unit, rng: random.Random | None) -> None:
        self._rng = rng
        self._size = unit.scatter
        self._life = unit.life_flashes

    def draw(self, flashes: float) -> float:
        if self._rng is None:
            return 0.0
        return self._size * fatigue(flashes, self._life)[1] * self._rng.gauss(0.0, 1.0)


class Mechanism(ABC):
    """A mechanism in motion. `closed`: where the armature stands. ohm_closed, without the contact, and ohm_open: resistance in ohm between
    its terminals. `stores`: while open, the first state number is a voltage in series. own_siemens: what it draws from the input itself.
    """

    closed: bool
    state: State
    stores = False
    ohm_closed: float
    ohm_open = math.inf
    own_siemens = 0.0

    def __init__(self, unit: Unit, ambient_c: float, rng: random.Random | None) -> None:
        self._spread = _Spread(unit, rng)
        self._ambient_c = ambient_c

    @abstractmethod
    def rates(self, a: float, b: float, c: float, amps: float, conducting: bool) -> State:
        """Return the change per second of the state numbers a, b, c (units: as each class says), at a current through the unit."""

    @abstractmethod
    def margin(self, a: float, b: float, c: float, amps: float, v_in: float) -> float:
        """Return how far the state a, b, c (units: as each class says) is beyond where the armature moves; negative before."""

    @abstractmethod
    def move(self, flashes: int, missing: bool) -> bool:
        """Move the armature; `missing`: the flash to come is missed. Return whether the contact is to fail at this make."""

    def surround(self, celsius: float) -> None:
        """Set another ambient temperature from now on."""
        self._ambient_c = celsius

    def supply(self, on: bool) -> None:
        """Note that the supply of the unit goes on or off."""
        return

    def warm(self) -> None:
        """Put the can where a minute of flashing leaves it."""
        return


class RunningThermalClosed(Mechanism):
    """State: power reaching the strip in W; strip and can in degC."""

    # Threshold errors that give a period's relative scatter of one: K.
    _OPEN_SPREAD_K, _CLOSE_SPREAD_K = 28.0, 39.0
    # A missed closing comes about a period late: 143 K over the can become 143 exp(-0.68/0.9).
    _MISS_K = 76.0

    def __init__(self, unit: Unit, law: ThermalClosed, ambient_c: float, rng: random.Random | None) -> None:
        super().__init__(unit, ambient_c, rng)
        self._law = law
        self.ohm_closed = law.heater_ohm
        self.closed = True
        self.state = (0.0, ambient_c, ambient_c)
        self._offset_k = 0.0
        self._shift_k(unit.flashes)

    def _shift_k(self, flashes: float) -> None:
        opening, closing = threshold_shift_k(flashes)
        error = self._spread.draw(flashes)
        if self.closed:
            self._threshold_c = self._law.open_c + opening + self._OPEN_SPREAD_K * error
        else:
            self._threshold_c = self._law.close_c + closing + self._CLOSE_SPREAD_K * error - self._offset_k

    def rates(self, a: float, b: float, c: float, amps: float, conducting: bool) -> State:
        law = self._law
        crossing = law.strip_w_k * (b - c)
        return (
            (amps * amps * law.heater_ohm - a) / law.lag_s,
            (a - crossing) / law.strip_j_k,
            (crossing - law.can_w_k * (c - self._ambient_c)) / law.can_j_k,
        )

    def margin(self, a: float, b: float, c: float, amps: float, v_in: float) -> float:
        over = b - self._threshold_c - self._law.ambient_share * (self._ambient_c - _DESIGN_C)
        return over if self.closed else -over

    def move(self, flashes: int, missing: bool) -> bool:
        self.closed = not self.closed
        self._offset_k = self._MISS_K if missing else 0.0
        self._shift_k(flashes)
        return False

    def warm(self) -> None:
        law = self._law
        mean_k = 0.5 * (law.open_c + law.close_c) - _DESIGN_C
        share = 1.0 - math.exp(-60.0 * law.can_w_k / law.can_j_k)
        can_c = self._ambient_c + share * mean_k * law.strip_w_k / law.can_w_k
        self.state = (0.0, can_c, can_c)


class RunningHotWire(Mechanism):
    """State: wire and can in degC; the third is not used."""

    _OPEN_SPREAD_K, _CLOSE_SPREAD_K = 65.0, 110.0
    _MISS_K = 142.0
    _WARM_K = 5.0

    def __init__(self, unit: Unit, law: HotWire, ambient_c: float, rng: random.Random | None) -> None:
        super().__init__(unit, ambient_c, rng)
        self._law = law
        self.ohm_closed = law.coil_ohm
        self.ohm_open = math.inf if law.broken else law.ballast_ohm + law.wire_ohm + law.coil_ohm
        self.closed = False
        self.state = (ambient_c, ambient_c, 0.0)
        self._error_k = 0.0
        self._draw(unit.flashes, False)

    def _draw(self, flashes: float, missing: bool) -> None:
        error = self._spread.draw(flashes)
        self._error_k = error * (self._OPEN_SPREAD_K if self.closed else self._CLOSE_SPREAD_K) + (self._MISS_K if missing else 0.0)

    def rates(self, a: float, b: float, c: float, amps: float, conducting: bool) -> State:
        law = self._law
        crossing = law.wire_w_k * (a - b)
        square = 0.0 if conducting else amps * amps
        return (
            (square * law.wire_ohm - crossing) / law.wire_j_k,
            (crossing + 0.5 * square * law.ballast_ohm - law.can_w_k * (b - self._ambient_c)) / law.can_j_k,
            0.0,
        )

    def margin(self, a: float, b: float, c: float, amps: float, v_in: float) -> float:
        law = self._law
        ambient_k = law.ambient_share * (self._ambient_c - _DESIGN_C)
        if self.closed:
            return law.open_c + ambient_k - law.hold_k * amps / (amps + law.hold_a) + self._error_k - a
        return a - law.close_c - ambient_k - self._error_k

    def move(self, flashes: int, missing: bool) -> bool:
        self.closed = not self.closed
        self._draw(flashes, missing and not self.closed)
        return False

    def warm(self) -> None:
        self.state = (self._ambient_c + self._WARM_K, self._ambient_c + self._WARM_K, 0.0)


class RunningTwoCoil(Mechanism):
    """State: capacitor voltage; magnetomotive force that has passed the lag of the flux, A-turns; the third is not used."""

    _OPEN_SPREAD, _CLOSE_SPREAD = 1.5, 2.3
    _MISS_SHARE = 0.12

    def __init__(self, unit: Unit, law: TwoCoil, ambient_c: float, rng: random.Random | None) -> None:
        super().__init__(unit, ambient_c, rng)
        self._law = law
        self.stores = law.capacitor_f > 0.0
        self.closed = True
        self.state = (0.0, 0.0, 0.0)
        self.surround(ambient_c)
        self._threshold = law.open_at
        self._draw(unit.flashes, False)

    def surround(self, celsius: float) -> None:
        law = self._law
        copper = 1.0 + _COPPER_PER_K * (celsius - _DESIGN_C)
        beyond = celsius - _CAPACITOR_KNEE_C
        self.ohm_closed = law.lamp_coil_ohm * copper
        self._second_ohm = law.second_coil_ohm * copper
        self._farad = law.capacitor_f * (1.0 + (_CAPACITOR_PER_K_WARM if beyond > 0.0 else _CAPACITOR_PER_K_COLD) * beyond)
        self.ohm_open = self.ohm_closed + self._second_ohm if self.stores else math.inf

    def _draw(self, flashes: float, missing: bool) -> None:
        error = self._spread.draw(flashes)
        law = self._law
        if self.closed:
            self._threshold = law.open_at * (1.0 + self._OPEN_SPREAD * error)
        else:
            self._threshold = law.close_at * (1.0 + self._CLOSE_SPREAD * error) * (self._MISS_SHARE if missing else 1.0)

    def rates(self, a: float, b: float, c: float, amps: float, conducting: bool) -> State:
        law = self._law
        charging = 0.0
        if self.stores:
            charging = -a / self._second_ohm if conducting else amps
        lamp = 0.0 if amps == 0.0 else law.lamp_turns * law.saturation_a * math.tanh(amps / law.saturation_a)
        force = lamp + law.second_turns * charging
        charge = (charging - a / law.leak_ohm) / self._farad if self.stores else 0.0
        return charge, (force - b) / law.lag_s, 0.0

    def margin(self, a: float, b: float, c: float, amps: float, v_in: float) -> float:
        return b - self._threshold if self.closed else self._threshold - b

    def move(self, flashes: int, missing: bool) -> bool:
        self.closed = not self.closed
        self._draw(flashes, missing)
        return False


class RunningElectronic(Mechanism):
    """State: timing voltage as a share of the supply; the others are not used."""

    def __init__(self, unit: Unit, law: Electronic, ambient_c: float, rng: random.Random | None) -> None:
        super().__init__(unit, ambient_c, rng)
        self._law = law
        self.ohm_closed = law.shunt_ohm
        self.ohm_open = law.leak_ohm
        self.own_siemens = 1.0 / law.own_ohm
        self.surround(ambient_c)
        self.supply(True)

    def surround(self, celsius: float) -> None:
        self._rc_s = self._law.rc_s * (1.0 + self._law.per_k * (celsius - _DESIGN_C))

    def supply(self, on: bool) -> None:
        self.closed = False
        self._error = 0.0
        self.state = (self._law.lower * math.exp(self._law.start_s / self._rc_s), 0.0, 0.0)

    def rates(self, a: float, b: float, c: float, amps: float, conducting: bool) -> State:
        return ((1.0 - a) if self.closed else -a) / self._rc_s, 0.0, 0.0

    def margin(self, a: float, b: float, c: float, amps: float, v_in: float) -> float:
        law = self._law
        if self.closed:
            low = amps < law.outage_a * math.sqrt(max(0.0, v_in) / law.nominal_v)
            return a - (law.outage_upper if low else law.upper) * (1.0 + self._error)
        if v_in < law.least_v or (law.fed_v and amps * law.leak_ohm < law.fed_v):
            return -1.0
        return law.lower * (1.0 + self._error) - a

    def move(self, flashes: int, missing: bool) -> bool:
        self.closed = not self.closed
        self._error = 0.5 * self._spread.draw(flashes)
        return missing and self.closed


class RunningFixedResistance(Mechanism):
    """Nothing that moves: a wire, a resistor, or nothing. The state numbers are not used."""

    def __init__(self, unit: Unit, law: FixedResistance, ambient_c: float, rng: random.Random | None) -> None:
        super().__init__(unit, ambient_c, rng)
        self.ohm_closed = self.ohm_open = law.ohm
        self.closed = True
        self.state = (0.0, 0.0, 0.0)

    def rates(self, a: float, b: float, c: float, amps: float, conducting: bool) -> State:
        return 0.0, 0.0, 0.0

    def margin(self, a: float, b: float, c: float, amps: float, v_in: float) -> float:
        return -1.0

    def move(self, flashes: int, missing: bool) -> bool:
        return False


def running(unit: Unit, ambient_c: float, rng: random.Random | None) -> Mechanism:
    """Return the unit's mechanism, at rest and cold."""
    law = unit.mechanism
    if isinstance(law, ThermalClosed):
        return RunningThermalClosed(unit, law, ambient_c, rng)
    if isinstance(law, HotWire):
        return RunningHotWire(unit, law, ambient_c, rng)
    if isinstance(law, TwoCoil):
        return RunningTwoCoil(unit, law, ambient_c, rng)
    if isinstance(law, Electronic):
        return RunningElectronic(unit, law, ambient_c, rng)
    return RunningFixedResistance(unit, law, ambient_c, rng)
