"""The session: drives a board and a unit through a procedure, with hands where they are needed, to a record.

An edge. `run_test` is the whole of it; `judge_capture` makes the same record of what a session received, `judge_recording` one of
a recording made elsewhere, `judge_sound` of a sound recording; `self_check` looks at a board without a unit, `calibrate_board` compares
it with meters.
"""

from bench.session.apply_calibration import store_calibration
from bench.session.board import BoardClient
from bench.session.calibrate import Calibration, calibrate_board
from bench.session.calibration_plan import Wanted
from bench.session.conduct import BEGUN, begun_record, run_test
from bench.session.heard import judge_sound
from bench.session.judging import judge_files
from bench.session.memory import BenchMemory
from bench.session.operator import (
    Action,
    Cool,
    Do,
    FitLink,
    FitResistor,
    FitUnit,
    Meanwhile,
    MeterReader,
    Operator,
    Place,
    SetSupply,
    SimulatedHands,
)
from bench.session.progress import Asked, Damage, Decided, Event, Live, Noted, Planned, Progress, SoFar, StepBegan, Traced, Waiting
from bench.session.recorded import judge_recording
from bench.session.rejudge import judge_capture
from bench.session.selfcheck import Finding, self_check
from bench.session.setup import Setup

__all__ = [
    "BEGUN",
    "Action",
    "Asked",
    "BenchMemory",
    "BoardClient",
    "Calibration",
    "Cool",
    "Damage",
    "Decided",
    "Do",
    "Event",
    "Finding",
    "FitLink",
    "FitResistor",
    "FitUnit",
    "Live",
    "Meanwhile",
    "MeterReader",
    "Noted",
    "Operator",
    "Place",
    "Planned",
    "Progress",
    "SetSupply",
    "Setup",
    "SimulatedHands",
    "SoFar",
    "StepBegan",
    "Traced",
    "Waiting",
    "Wanted",
    "begun_record",
    "calibrate_board",
    "judge_capture",
    "judge_files",
    "judge_recording",
    "judge_sound",
    "run_test",
    "self_check",
    "store_calibration",
]
