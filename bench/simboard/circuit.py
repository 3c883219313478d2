"""The bench as a circuit (supply, wiring, unit, lamps) with its voltages and currents in closed form."""

from __future__ import annotations

import math
from dataclasses import dataclass

from bench.simboard.loads import LampBank

_UPSTREAM_SHARE = 0.7  # of the series resistance lies before the unit's input, the rest behind its output


@dataclass(frozen=True)
class BenchCircuit:
    """The circuit without the unit. Faults of the bench are changes of it.

    series_ohm: supply to lamps, unit excluded, allowed for when the supply is set; sag_ohm: more of it that is not allowed for.
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
        """The resistance before the unit's input."""
        return _UPSTREAM_SHARE * self.series_ohm + self.sag_ohm

    @property
    def downstream_ohm(self) -> float:
        """The resistance behind the unit's output."""
        return (1.0 - _UPSTREAM_SHARE) * self.series_ohm


Nodes = tuple[float, float, float, float]


def solve(
    source_v: float,
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
    """Return the voltages at the unit's input and at the lamps, and the currents through the unit and from the supply.

    Across the input lie a pilot lamp and what the unit itself draws; the unit is a resistance (inf if open) and a stored voltage; LEDs
    conduct above the knee. Where the supply would give more than limit_a it gives limit_a, at a lower voltage.
    """
    share = 1.0 / (1.0 + input_siemens * upstream_ohm)
    if unit_ohm == math.inf:
        lamp_v = unit_a = 0.0
        input_v = source_v * share
    else:
        drive_v = source_v * share - stored_v
        ohm = upstream_ohm * share + unit_ohm + downstream_ohm
        lamp_v = drive_v / (1.0 + lamp_siemens * ohm)
        if lamp_v > knee_v:
            lamp_v = (drive_v + led_siemens * knee_v * ohm) / (1.0 + (lamp_siemens + led_siemens) * ohm)
        unit_a = (drive_v - lamp_v) / ohm
        input_v = (source_v - unit_a * upstream_ohm) * share
    supply_a = unit_a + input_siemens * input_v
    if supply_a > limit_a:
        # Lamps dominate such a current, so all voltages fall in proportion; the knee of LEDs is left out of that.
        less = limit_a / supply_a
        return input_v * less, lamp_v * less, unit_a * less, limit_a
    return input_v, lamp_v, unit_a, supply_a
