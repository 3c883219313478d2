"""The session: drives a board and a unit through a procedure, with manual actions where they are needed, to a record.

An edge. `run_test` is the whole of it; what it tells while it goes is in `bench.session.progress`.
"""

from bench.session.conduct import BEGUN, begun_record, run_test
from bench.session.progress import Asked, Damage, Decided, Event, Live, Noted, Planned, Progress, SoFar, StepBegan, Traced, Waiting

__all__ = [
    "BEGUN",
    "Asked",
    "Damage",
    "Decided",
    "Event",
    "Live",
    "Noted",
    "Planned",
    "Progress",
    "SoFar",
    "StepBegan",
    "Traced",
    "Waiting",
    "begun_record",
    "run_test",
]
