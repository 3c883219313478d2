"""The bench as a circuit: supply and wiring, unit, lamps; its nodes solved in closed form."""

from __future__ import annotations

import math
from dataclasses import dataclass

from bench.simboard.loads import LampBank

_UPSTREAM_SHARE = 0.7  # of the series resistance lies before the unit's input, the rest behind its output


@dataclass(frozen=True)
class BenchCircuit:
    """Everything but the unit. Faults are changes of it.

    series_ohm: supply to lamps, unit excluded, allowed for when the supply is set; sag_ohm: more of it that nobody allowed for.
    sense_ohm: load current crosses this within the sense wires of the drop. lamps_off_s: the lamps were lit so long before each
    start. unit_rest_s: the unit rests no longer than this. heat_loss: factor on the heat that a thermal unit's strip loses.
    """

    bank: LampBank
    series_ohm: float = 0.10
    sag_ohm: float = 0.0
    limit_a: float = math.inf
    set_error_v: float = 0.0
    set_at_source: bool = False
    sense_ohm: float = 0.0
    lamps_off_s: float | None = None
    unit_rest_s: float | None = None
    heat_loss: float = 1.0

    @property
    def upstream_ohm(self) -> float:
        return _UPSTREAM_SHARE * self.series_ohm + self.sag_ohm

    @property
    def downstream_ohm(self) -> float:
        return (1.0 - _UPSTREAM_SHARE) * self.series_ohm


Nodes = tuple[float, float, float, float]


def solve(
    emf: float,
    upstream_ohm: float,
    input_siemens: float,
    unit_ohm: float,
    stored_v: float,
    downstream_ohm: float,
    lamp_siemens: float,
    led_siemens: float,
    knee_v: float,
    limit_a: float,
) -> Nodes:
    """Voltage at the unit's input and at the lamps, current through the unit and from the supply.

    Across the input lie a pilot lamp and the unit's own needs; the unit is a resistance and a stored voltage, inf if open;
    LEDs conduct above the knee. Where the supply would give more than limit_a it gives that, at whatever voltage.
    """
    share = 1.0 / (1.0 + input_siemens * upstream_ohm)
    if unit_ohm == math.inf:
        lamp_v = unit_a = 0.0
        input_v = emf * share
    else:
        drive_v = emf * share - stored_v
        ohm = upstream_ohm * share + unit_ohm + downstream_ohm
        lamp_v = drive_v / (1.0 + lamp_siemens * ohm)
        if lamp_v > knee_v:
            lamp_v = (drive_v + led_siemens * knee_v * ohm) / (1.0 + (lamp_siemens + led_siemens) * ohm)
        unit_a = (drive_v - lamp_v) / ohm
        input_v = (emf - unit_a * upstream_ohm) * share
    supply_a = unit_a + input_siemens * input_v
    if supply_a > limit_a:
        # Lamps dominate such a current, so all voltages fall in proportion; the knee of LEDs is left out of that.
        less = limit_a / supply_a
        return input_v * less, lamp_v * less, unit_a * less, limit_a
    return input_v, lamp_v, unit_a, supply_a
