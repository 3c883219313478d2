"""What a calibration is to do on a board, said before it is done: supply voltages from its stated ranges, lamps from its stated loads."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from itertools import accumulate

from bench.bank import nominal_test_v
from bench.calibration import WITHIN, MeterAccuracy, supply_points
from bench.description import BoardDescription
from bench.errors import SetupError
from bench.lamps import expected_current_a

CLOCK_S = 300.0
HIGHEST_V: Mapping[float, float] = {6.0: 17.5, 12.0: 17.5, 24.0: 30.0}
"""Of the supply, by the system's voltage, where nothing else is said."""
RESISTOR_OHM = 0.15
MOST_A = 9.0
"""An ammeter's range of 10 A is not exceeded by lamps that take a tenth more than expected."""


@dataclass(frozen=True)
class Wanted:
    """What is to be calibrated: accuracies of the meters by unit (`V`, `A`; a unit without one is left out), the lamps' system, the
    highest supply voltage there is, how long to compare clocks (0: not at all), and whether a resistor for the drop and a lead to the
    pilot terminal are at hand. `drop_meter`: the meter's accuracy on the range for the drop, if that is another.
    """

    meters: Mapping[str, MeterAccuracy]
    system_v: float = 12.0
    highest_v: float = 17.5
    clock_s: float = CLOCK_S
    drop: bool = False
    pilot: bool = False
    drop_meter: MeterAccuracy | None = None

    def meter_for(self, channel: str) -> MeterAccuracy | None:
        """Return the meter that this channel is compared with; None if there is none, or it is not wanted."""
        if channel == "v_drop":
            return (self.drop_meter or self.meters.get("V")) if self.drop else None
        if channel == "v_pilot" and not self.pilot:
            return None
        return self.meters.get("A" if channel in ("i_load", "i_load_low") else "V")


@dataclass(frozen=True, slots=True)
class CalibrationPlan:
    """Supply voltages in V to compare at, ascending; loads to light, one more at each point, with the current in A expected of all of
    them; the supply voltage at which they are lit."""

    volts: tuple[float, ...]
    lamps: tuple[int, ...]
    amps: float
    nominal_v: float


def plan_for(description: BoardDescription, wanted: Wanted) -> CalibrationPlan:
    """Return what is to be done on this board. SetupError if it can't read the system's test voltage."""
    nominal_v = nominal_test_v(wanted.system_v)
    ranges = description.channels["v_in"].ranges
    reach_v = WITHIN * max(r.high for r in ranges)
    if nominal_v > reach_v:
        raise SetupError(
            f"calibrating: lamps of a {wanted.system_v:g} V system are lit at {nominal_v:g} V, and this board reads {reach_v:.3g} V at the "
            "most; name the system with --system"
        )
    loads = sorted((load.nominal, n) for n, load in description.loads.items() if load.kind == "LAMP")
    amps = list(accumulate(expected_current_a([watts], wanted.system_v, nominal_v) for watts, _ in loads))
    count = sum(total <= MOST_A for total in amps)
    volts = supply_points(ranges, wanted.highest_v)
    return CalibrationPlan(volts, tuple(n for _, n in loads[:count]), amps[count - 1] if count else 0.0, nominal_v)


def plan_lines(plan: CalibrationPlan, description: BoardDescription, wanted: Wanted) -> Iterator[str]:
    """Yield what will be asked for, a sentence for each step."""
    channels = description.channels
    lamps = f"{len(plan.lamps)} lamps, one more at each reading, up to about {plan.amps:.2g} A at {plan.nominal_v:g} V"
    if wanted.meters.get("V") is not None:
        yield f"Voltages: the supply is set to {', '.join(f'{v:g}' for v in plan.volts)} V, the meter read at each."
    if wanted.meters.get("A") is not None:
        yield f"Currents: {lamps}, the ammeter read at each."
    if wanted.meter_for("v_drop") is not None and "v_drop" in channels:
        yield f"Drop: {lamps}, about {RESISTOR_OHM * plan.amps:.2g} V over the resistor, the meter read at each."
    if wanted.clock_s > 0.0:
        yield f"Clock: compared with this computer's for {wanted.clock_s / 60.0:.3g} min."
