"""What a run of a unit is to do, and what it shows so far."""

from __future__ import annotations

from dataclasses import dataclass

from bench.analysis import Analysis
from bench.measure import Conditions, Counts, Measured
from bench.procedure import RunStep
from bench.setup import RunLoad

LIVE_COUNTS = Counts(skip=2, average=3)
"""Cycles that count after a live switching: it cuts the first, and a thermal unit takes another to settle."""

PROVISIONAL_COUNTS = Counts(skip=0, average=2)
"""Cycles that count for what is shown while those that count for the verdict are not there yet: all."""


@dataclass(frozen=True, slots=True)
class RunPlan:
    """What is to be done: `wanted` good cycles; `closed` if the unit is known to be closed at rest."""

    step: RunStep
    name: str
    title: str
    load: RunLoad
    volts: float
    wanted: int
    counts: Counts
    conditions: Conditions
    closed: bool = False


def snapshot(analysis: Analysis, counts: Counts) -> Measured:
    """Return what a run shows so far; nothing if it ended before the first sample."""
    return analysis.measured(counts) if analysis.latest else Measured()


def provisional(analysis: Analysis, counts: Counts) -> Measured | None:
    """What all completed cycles show while there are fewer than `counts` asks for; None before the first one and from then on."""
    needed = counts.skip + max(counts.average, PROVISIONAL_COUNTS.average)
    return snapshot(analysis, PROVISIONAL_COUNTS) if 0 < analysis.cycles_complete < needed else None
