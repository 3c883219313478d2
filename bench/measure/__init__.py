"""Cycles to measurements: what one load and one supply can show, each value with its uncertainty or its reason for having none.

Pure. `measure` makes a `Measured` of the `Evidence` that a run has gathered, `measure_heard` of what was heard
of a unit.
"""

from bench.measure.evidence import Conditions, Counts, Evidence
from bench.measure.heard import measure_heard, notes_of
from bench.measure.values import measure
from bench.measure.vocabulary import (
    APPLIED_UNSEEN,
    FACTS,
    LAMPS_WRONG,
    PROGRAM,
    QUANTITIES,
    SUPPLY_GONE,
    BenchFault,
    BenchProof,
    Measured,
    Quantity,
    with_proof,
)

__all__ = [
    "APPLIED_UNSEEN", "FACTS", "LAMPS_WRONG", "PROGRAM", "QUANTITIES", "SUPPLY_GONE", "BenchFault", "BenchProof", "Conditions", "Counts",
    "Evidence", "Measured", "Quantity", "measure", "measure_heard", "notes_of", "with_proof",
]  # fmt: skip
