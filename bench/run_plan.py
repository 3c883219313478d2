"""What a run of a unit is to do, and what it shows so far."""

from __future__ import annotations

from dataclasses import dataclass

from bench.analysis import Analysis
from bench.measure import Conditions, Counts, Measured
from bench.procedure import RunStep
from bench.setup import RunLoad

LIVE_COUNTS = Counts(skip=2, average=3)
"""Cycles that count after a live switching: it cuts the first, and a thermal unit takes another to settle."""


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
    """What a run shows so far; nothing if it ended before the first sample."""
    return analysis.measured(counts) if analysis.latest else Measured()
