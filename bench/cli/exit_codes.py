"""What the command leaves with, and why."""

from __future__ import annotations

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
    """The exit code for an error whose text is one line for people; None for any other, which is a mistake in this program."""
    # Only once something went wrong: importing all their homes takes longer than all the rest of a command.
    from bench.limits import NoLimitSet
    from bench.ports import AddressError, PortError
    from bench.ports.replay import CaptureError
    from bench.record_json import RecordError
    from bench.recording import RecordingError
    from bench.session.board import BoardFault
    from bench.session.conversation import Cancelled
    from bench.session.setup import SetupError
    from bench.table import TableError

    if isinstance(error, TableError | NoLimitSet | SetupError | RecordingError | RecordError | CaptureError | AddressError):
        return USAGE
    if isinstance(error, PortError | BoardFault):
        return BENCH_FAULT
    return CANCELLED if isinstance(error, Cancelled) else None


def code_for(record: TestRecord) -> int:
    """The exit code for the outcome of a test; a test that was broken off, and decided nothing, was cancelled."""
    from bench import measure
    from bench.outcome import Outcome

    if record.outcome is Outcome.NOT_DECIDED and record.interrupted is not None:
        return CANCELLED
    if record.outcome is Outcome.BENCH_FAULT and any(fault.code == measure.PROGRAM for fault in record.bench_faults):
        return PROGRAM
    codes = {
        Outcome.GOOD: GOOD,
        Outcome.NOT_GOOD: NOT_GOOD,
        Outcome.NOT_FOR_LOAD: NOT_FOR_LOAD,
        Outcome.NOT_DECIDED: NOT_DECIDED,
        Outcome.BENCH_FAULT: BENCH_FAULT,
    }
    return codes[record.outcome]
