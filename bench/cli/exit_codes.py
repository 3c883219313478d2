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
  3    not decided: too near a limit, or something could not be measured
  4    bench fault: board, link, supply or lamps; not counted against the unit
  5    good, but not for this load
  70   an error in this program: nothing was said of a unit
  130  cancelled
"""
# Errors that people can put right, by the class's home and name: importing them all would take longer than all the rest.
_CODES = {
    "bench.table.TableError": USAGE,
    "bench.limits.NoLimitSet": USAGE,
    "bench.session.setup.SetupError": USAGE,
    "bench.recording.table.RecordingError": USAGE,
    "bench.record_json.RecordError": USAGE,
    "bench.ports.replay.CaptureError": USAGE,
    "bench.ports.AddressError": USAGE,
    "bench.ports.PortError": BENCH_FAULT,
    "bench.session.board.BoardFault": BENCH_FAULT,
    "bench.session.bench.Cancelled": CANCELLED,
}


def code_of(error: Exception) -> int | None:
    """The exit code for an error whose text is one line for people; None for any other, which is a mistake in this program."""
    for kind in type(error).__mro__:
        code = _CODES.get(f"{kind.__module__}.{kind.__name__}")
        if code is not None:
            return code
    return None


def code_for(record: TestRecord) -> int:
    """The exit code for the outcome of a test; a test that was broken off, and decided nothing, was cancelled."""
    from bench.outcome import Outcome

    if record.outcome is Outcome.NOT_DECIDED and record.interrupted is not None:
        return CANCELLED
    codes = {
        Outcome.GOOD: GOOD,
        Outcome.NOT_GOOD: NOT_GOOD,
        Outcome.NOT_FOR_LOAD: NOT_FOR_LOAD,
        Outcome.NOT_DECIDED: NOT_DECIDED,
        Outcome.BENCH_FAULT: BENCH_FAULT,
    }
    return codes[record.outcome]
