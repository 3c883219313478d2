"""What the command leaves with, and why."""

from __future__ import annotations

from bench.errors import EndRequested, EquipmentError, RequestError

TYPE_CHECKING = False
if TYPE_CHECKING:
    from bench.record import TestRecord

GOOD = 0
NOT_GOOD = 1
USAGE = 2
NOT_DECIDED = 3
BENCH_FAULT = 4
NOT_FOR_LOAD = 5
PROGRAM = 70
CANCELLED = 130

EXIT_CODES = """\
  0    good, or done
  1    not good: a limit is not kept, or the grade rule rejects the unit
  2    usage: a wrong option, name or file
  3    not decided: too near a limit, not measured, or not finished
  4    bench fault: board, link, supply or lamps; not counted against the unit
  5    good, but not for this load
  70   an error in this program: nothing is said of a unit; a log file has it
  130  cancelled, or the output was read no further
"""


def code_of(error: BaseException) -> int | None:
    """Return the exit code for an error that is told in one line; None for any other, which is a mistake in this program."""
    if isinstance(error, RequestError):
        return USAGE
    if isinstance(error, EquipmentError):
        return BENCH_FAULT
    return CANCELLED if isinstance(error, EndRequested) else None


def code_for(record: TestRecord) -> int:
    """Return the exit code for the outcome of a test; a test that was broken off, and decided nothing, was cancelled."""
    from bench.measure import FaultCode
    from bench.outcome import Outcome

    if record.outcome is Outcome.NOT_DECIDED and record.interrupted is not None:
        return CANCELLED
    if record.outcome is Outcome.BENCH_FAULT and any(fault.code == FaultCode.PROGRAM for fault in record.bench_faults):
        return PROGRAM
    codes = {
        Outcome.GOOD: GOOD,
        Outcome.NOT_GOOD: NOT_GOOD,
        Outcome.NOT_FOR_LOAD: NOT_FOR_LOAD,
        Outcome.NOT_DECIDED: NOT_DECIDED,
        Outcome.BENCH_FAULT: BENCH_FAULT,
    }
    return codes[record.outcome]
