"""Whether the flashes are alike: missed and long ones, drop-outs while lit, and how rate and drop scatter and drift.

What may happen in any flash is looked for in all of them, the first ones included; scatter and drift are those of the cycles averaged.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from statistics import median

from bench.cycles import Cycle
from bench.measure.behaviour import CLOSED_AT_REST_S, Start
from bench.measure.evidence import Evidence
from bench.measure.scatter import spread_of, trend_of
from bench.measure.vocabulary import MechanismKind, RestState
from bench.uncertainty import Estimate, Measurement, NotMeasured, type_a

LONG_AT = 1.5  # of the median flash: twice as long is one that stuck through a dark state, 1.2 the scatter of a worn unit (common practice)
IRREGULAR = 0.05  # spread of the period over its mean: common practice, no source
_SAMPLES_LEAST = 2.0  # in a flash, and in the dark between two: else one may lie between two samples and not be seen
_MISSED_AT = 0.6  # of a period: a gap longer by more than that lacks a flash
_COUNTS = ("missed", "stuck", "dropouts")
_SPREADS = ("period_spread", "drop_spread_v", "rate_drift_per_min2", "drop_trend_v_per_min")


def alike_flashes(e: Evidence, cycles: Sequence[Cycle], start: Start, mechanism: MechanismKind) -> Sequence[Cycle]:
    """Return the cycles that must be alike: all but a two-coil unit's blip, and a thermal unit's first flash, whose heater was cold."""
    if not cycles or e.cycles_before:
        return cycles
    if e.applied is None:
        return cycles[1:]  # it may be the first from cold, or the rest of one
    blip = start.rest is RestState.OPEN and start.light is not None and cycles[0].on_s < CLOSED_AT_REST_S
    may_be_cold = mechanism is MechanismKind.THERMAL or (mechanism is MechanismKind.UNKNOWN and start.rest is not RestState.OPEN)
    return cycles[1:] if blip or may_be_cold else cycles


def count_odd_flashes(e: Evidence, kept: Sequence[Cycle], alike: Sequence[Cycle]) -> dict[str, Measurement]:
    """Count missed and long flashes, and drop-outs while lit. `alike`: the cycles of which none should be longer than the others."""
    if len(alike) < 3:
        return dict.fromkeys(_COUNTS, NotMeasured("too few cycles"))
    usual_s, usual_off_s = median(c.period_s for c in alike), median(c.off_s for c in alike)
    if unseen := _may_be_unseen(e, alike):
        return dict.fromkeys(_COUNTS, unseen)
    # Between slow samples an instant lies anywhere within sqrt(3) of its u; what is long and what is usual may each be off by two of them.
    within_s = math.sqrt(3.0) * median(c.begun.u_s + c.broke.u_s for c in alike)
    # A flash that does not come lengthens the gap by a period, also the gap after a first flash that is unlike the others.
    longer_s = (c.off_s - usual_off_s for c in kept)
    missed = sum(round(more_s / usual_s) for more_s in longer_s if more_s - 2.0 * within_s > _MISSED_AT * usual_s)
    usual_on = median(c.on_s for c in alike)
    stuck = sum(c.on_s - within_s > LONG_AT * (usual_on + within_s) for c in alike)
    n = len(alike)
    if e.broke is None and e.begun is not None and min(e.end_s, e.settled_s) - e.begun.t_s > LONG_AT * usual_on:
        stuck, n = stuck + 1, n + 1  # the flash at hand is not over, and too long already
    counts = {"missed": missed, "stuck": stuck, "dropouts": e.dropouts}
    return {name: Estimate(float(count), "1", (), n) for name, count in counts.items()}


def steadiness(e: Evidence, cycles: Sequence[Cycle]) -> dict[str, Measurement]:
    """Return how period and drop scatter from cycle to cycle, and how rate and drop drift."""
    if len(cycles) < 3:
        return dict.fromkeys(_SPREADS, NotMeasured("too few cycles"))
    if unseen := _may_be_unseen(e, cycles):
        return dict.fromkeys(_SPREADS, unseen)
    periods = type_a([c.period_s for c in cycles])
    make_u = median(c.begun.u_s for c in cycles) * math.sqrt(2.0)
    found: dict[str, Measurement] = {
        "period_spread": spread_of(periods.s / periods.mean, "1", periods.n, make_u / periods.mean),
        "drop_spread_v": NotMeasured("too few flashes with a readable drop"),
    }
    factor = 1.0 + e.clock.rel_error
    minutes = [(c.begun.t_s - cycles[0].begun.t_s) * factor / 60.0 for c in cycles]
    drops = [(m, c.lit.drop) for m, c in zip(minutes, cycles, strict=True) if c.lit.drop is not None]
    if len(drops) >= 3:
        apart_v = e.accuracies["v_drop"].u_apart if "v_drop" in e.accuracies else 0.0
        found["drop_spread_v"] = spread_of(type_a([r.value for _, r in drops]).s, "V", len(drops), apart_v)
    rates = [(m, 60.0 / (c.period_s * factor)) for m, c in zip(minutes, cycles, strict=True)]
    found["rate_drift_per_min2"] = trend_of(rates, "1/min/min", 60.0 * make_u / periods.mean**2)
    counts_v = e.accuracies["v_drop"].u_line if "v_drop" in e.accuracies else 0.0
    found["drop_trend_v_per_min"] = trend_of([(m, r.value) for m, r in drops], "V/min", counts_v)
    return found


def _may_be_unseen(e: Evidence, cycles: Sequence[Cycle]) -> NotMeasured | None:
    """Return why nothing can be said of flashes, or of the dark between them, that may lie between two samples; None if none may."""
    if min(median(c.on_s for c in cycles), median(c.off_s for c in cycles)) >= _SAMPLES_LEAST * e.interval_s:
        return None
    return NotMeasured(f"{1.0 / e.interval_s:.0f} samples a second are too few for flashes so short")


def is_irregular(values: Mapping[str, Measurement]) -> bool:
    """Return whether flashes are missing or long, or the period scatters by more than IRREGULAR beyond doubt."""
    spread = values["period_spread"]
    scatters = isinstance(spread, Estimate) and spread.value - spread.expanded() > IRREGULAR
    found = (values[name] for name in ("missed", "stuck"))
    return scatters or any(isinstance(count, Estimate) and count.value > 0.0 for count in found)
