"""The session: drives a board and a unit through a procedure, with hands where they are needed, to a record.

An edge. `run_test` is the whole of it; `judge_capture` makes the same record of what a session received, `judge_recording` one of
a recording made elsewhere; `self_check` looks at a board without a unit.
"""

from bench.session.bench import Cancelled
from bench.session.board import BoardClient, BoardFault
from bench.session.conduct import run_test
from bench.session.operator import Action, Cool, Do, FitLink, FitUnit, Operator, SetSupply, SimulatedHands
from bench.session.progress import Asked, Damage, Event, Live, Noted, Progress, StepBegan, Waiting
from bench.session.recorded import judge_recording
from bench.session.rejudge import judge_capture
from bench.session.selfcheck import Finding, self_check
from bench.session.setup import Setup, SetupError

__all__ = [
    "Action",
    "Asked",
    "BoardClient",
    "BoardFault",
    "Cancelled",
    "Cool",
    "Damage",
    "Do",
    "Event",
    "Finding",
    "FitLink",
    "FitUnit",
    "Live",
    "Noted",
    "Operator",
    "Progress",
    "SetSupply",
    "Setup",
    "SetupError",
    "SimulatedHands",
    "StepBegan",
    "Waiting",
    "judge_capture",
    "judge_recording",
    "run_test",
    "self_check",
]
