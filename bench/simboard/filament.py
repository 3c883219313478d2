"""A filament lamp as one hot node: resistance by a power law of temperature, loss by radiation and through gas, heat capacity.

Resistance goes as T^1.205, the least-squares power law through the tungsten series of Forsythe and Worthing (1925) from 300
to 3600 K; radiation as T^4.87, the slope of Jones and Langmuir (1927), from memory, over 1500-3000 K. Share of the gas,
lit temperature and mass are estimates that no lamp manufacturer published.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

from bench.lamps import US_LAMPS_W, US_RATED_V, US_SYSTEM_V

KELVIN = 273.15
RESISTANCE_EXPONENT = 1.205
RADIATION_EXPONENT = 4.87
HEAT_J_PER_KG_K = 124.0  # specific heat of tungsten, c = 124 + 0.0262 T: a line through NIST-JANAF between 300 and 2800 K
HEAT_SLOPE_J_PER_KG_K2 = 0.0262

_LIT_K = 2750.0
_DESIGN_AMBIENT_K = 24.0 + KELVIN
_GAS_SHARE = 0.15
_MASS_21W_KG = 9.06e-6

# Test voltage of UN Regulation 37 by system voltage; 12 V: Directive 97/24/EC, lamp data sheets; 6 and 24 V: from memory.
TEST_VOLTS = {6.0: 6.75, 12.0: 13.5, 24.0: 28.0}
# Objective wattage of the 21 W lamp at that voltage; 12 V: the same sheets; 6 and 24 V: from memory.
_OBJECTIVE_21W = {6.0: 26.0, 12.0: 25.0, 24.0: 28.0}
# Other lamps: rated wattage raised by this exponent from system to test voltage (5 W gives the sheet's 6 W at 13.5 V).
_POWER_EXPONENT = 1.55


@dataclass(frozen=True, slots=True)
class Filament:
    """A tungsten filament. ohm: resistance in ohm over T^1.205; radiation: W over T^4.87; gas: W/K; mass_kg. T in kelvin throughout."""

    ohm: float
    radiation: float
    gas: float
    mass_kg: float

    def resistance_ohm(self, kelvin: float) -> float:
        """Return the resistance at this temperature."""
        return self.ohm * float(kelvin**RESISTANCE_EXPONENT)

    def loss_w(self, kelvin: float, ambient_k: float) -> float:
        """Return the power lost by radiation and through the gas."""
        gained = ambient_k**RADIATION_EXPONENT
        return float(self.radiation * (kelvin**RADIATION_EXPONENT - gained) + self.gas * (kelvin - ambient_k))

    def capacity_j_per_k(self, kelvin: float) -> float:
        """Return the heat capacity at this temperature."""
        return self.mass_kg * (HEAT_J_PER_KG_K + HEAT_SLOPE_J_PER_KG_K2 * kelvin)

    def steady_k(self, volts: float, ambient_k: float = _DESIGN_AMBIENT_K) -> float:
        """Return the temperature in K at which heat in equals loss at a constant voltage, within 1e-6 K."""
        low, high = ambient_k, 4500.0
        while high - low > 1e-6:
            middle = 0.5 * (low + high)
            if volts * volts / self.resistance_ohm(middle) > self.loss_w(middle, ambient_k):
                low = middle
            else:
                high = middle
        return high

    def steady_a(self, volts: float, ambient_k: float = _DESIGN_AMBIENT_K) -> float:
        """Return the current at a constant voltage, once the temperature is steady."""
        return volts / self.resistance_ohm(self.steady_k(volts, ambient_k)) if volts else 0.0

    def cooled_k(self, kelvin: float, seconds: float, ambient_k: float) -> float:
        """Return the temperature in K after so many seconds without current."""
        gained = self.radiation * ambient_k**RADIATION_EXPONENT

        def slope(k: float) -> float:
            lost = self.radiation * k**RADIATION_EXPONENT - gained + self.gas * (k - ambient_k)
            return float(-lost / self.capacity_j_per_k(k))

        past = 0.0
        while past < seconds and kelvin - ambient_k > 1e-3:
            # Third-order steps of 6 % of the way down, 10 K at least but never more than half of it: within 0.2 K of the truth.
            rate = slope(kelvin)
            over = kelvin - ambient_k
            step = min(seconds - past, min(0.5 * over, max(10.0, 0.06 * over)) / -rate)
            second = slope(kelvin + 0.5 * step * rate)
            third = slope(kelvin + 0.75 * step * second)
            kelvin += step * (2.0 * rate + 3.0 * second + 4.0 * third) / 9.0
            past += step
        return kelvin if past >= seconds else ambient_k


@lru_cache(maxsize=64)
def filament(watts: float, volts: float) -> Filament:
    """Return the filament that takes these watts at these volts, lit to 2750 K.

    Mass by the similarity of round wires at one temperature: V^2/R = power lost by the surface gives mass ~ V (P/V)^(5/3).
    """
    lit_ohm = volts * volts / watts
    radiated = _LIT_K**RADIATION_EXPONENT - _DESIGN_AMBIENT_K**RADIATION_EXPONENT
    return Filament(
        ohm=float(lit_ohm / _LIT_K**RESISTANCE_EXPONENT),
        radiation=float((1.0 - _GAS_SHARE) * watts / radiated),
        gas=_GAS_SHARE * watts / (_LIT_K - _DESIGN_AMBIENT_K),
        mass_kg=float(_MASS_21W_KG * (volts / 13.5) * ((watts / volts) / (25.0 / 13.5)) ** (5.0 / 3.0)),
    )


def rated_filament(rated_w: float, system_v: float) -> Filament:
    """Return the filament of a lamp by its rating, such as 21 W in a 12 V system. ValueError for a system other than 6, 12, 24 V."""
    if system_v not in TEST_VOLTS:
        raise ValueError(f"rated_filament: system_v must be 6, 12 or 24, not {system_v!r}")
    if system_v == US_SYSTEM_V and rated_w in US_LAMPS_W:
        return filament(US_LAMPS_W[rated_w], US_RATED_V)
    volts = TEST_VOLTS[system_v]
    watts = _OBJECTIVE_21W[system_v] if rated_w == 21.0 else rated_w * (volts / system_v) ** _POWER_EXPONENT
    return filament(watts, volts)
