"""Which mechanism a unit has, from how it starts: what it does in the first moments tells the kinds apart without opening it.

Common practice, no source, but for the figures of the trade handbook (computed): a thermal unit closed at rest conducts the instant voltage
comes and its first flash lasts about twice the later ones, since it begins cold; an electronic one closes 1.5 ms later and its first flash
is as long as the others; a two-coil one blinks for some 10 ms; a hot wire passes 0.2 to 0.35 A (of a 12 V unit) while dark.
"""

from __future__ import annotations

from collections.abc import Sequence
from statistics import median

from bench.cycles import Cycle
from bench.measure.evidence import Evidence
from bench.measure.vocabulary import MechanismKind

_AT_ONCE_S = 0.5e-3  # a third of what an electronic unit takes to close
_FIRST_LONGER = 1.4  # times the later flashes: half-way between an electronic first flash and a thermal one, on a scale of ratios
_BLIP_S = 0.05  # far above the 7 to 12 ms of a blip, far below any flash
_WIRE_A = 0.1  # of a 12 V unit: a third of what a nominal one passes, five times what a two-coil one does


def mechanism_of(e: Evidence, cycles: Sequence[Cycle]) -> MechanismKind:
    """Return the mechanism; unknown unless the start and at least three flashes were seen."""
    if e.applied is None or e.is_start_missed or len(cycles) < 3 or not e.starts or e.cycles_before:
        return MechanismKind.UNKNOWN
    first_s = e.starts[0].t_s - e.applied.t_s
    dark = [c.dark.current.value for c in cycles if c.dark.current is not None]
    usual_s = median(c.on_s for c in cycles[1:])
    if dark and median(dark) > _WIRE_A * 12.0 / e.conditions.system_v:
        return MechanismKind.HOT_WIRE if first_s > _BLIP_S else MechanismKind.UNKNOWN
    if first_s < _BLIP_S and cycles[0].on_s < _BLIP_S < usual_s:
        return MechanismKind.TWO_COIL
    longer = cycles[0].on_s / usual_s if usual_s else 0.0
    if first_s < _AT_ONCE_S and longer > _FIRST_LONGER:
        return MechanismKind.THERMAL
    is_electronic = first_s >= _AT_ONCE_S and longer < _FIRST_LONGER
    return MechanismKind.ELECTRONIC if is_electronic else MechanismKind.UNKNOWN
