"""Cycles to measurements: what one load and one supply can show, each value with its uncertainty or its reason for having none.

`measure` makes a `Measured` of the `Evidence` that a run has gathered, `measure_heard` of what was heard of a unit.
"""

from bench.measure.by_sound import measure_heard, notes_of
from bench.measure.evidence import Conditions, Counts, Evidence
from bench.measure.quantity import QUANTITIES, Quantity
from bench.measure.values import measure
from bench.measure.vocabulary import (
    APPLIED_UNSEEN,
    FACTS,
    LAMPS_WRONG,
    PROVED_BY_RUNS,
    STANDING_STILL,
    UNKNOWN,
    BenchFault,
    BenchProof,
    FactName,
    FaultCode,
    FilmState,
    InsulationState,
    LampOutSign,
    Measured,
    MechanismKind,
    PilotState,
    ProofItem,
    RatingState,
    RestState,
    UnitBehaviour,
    system_word,
    with_proof,
)

__all__ = [
    "APPLIED_UNSEEN", "FACTS", "LAMPS_WRONG", "PROVED_BY_RUNS", "QUANTITIES", "STANDING_STILL", "UNKNOWN", "BenchFault", "BenchProof",
    "Conditions", "Counts", "Evidence", "FactName", "FaultCode", "FilmState", "InsulationState", "LampOutSign", "Measured", "MechanismKind",
    "PilotState", "ProofItem", "Quantity", "RatingState", "RestState", "UnitBehaviour", "measure", "measure_heard", "notes_of",
    "system_word", "with_proof",
]  # fmt: skip
