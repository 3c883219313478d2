"""What the command leaves with, and why."""

from __future__ import annotations

TYPE_CHECKING = False
if TYPE_CHECKING:
    from bench.record import TestRecord

PASS = 0
FAIL = 1
USAGE = 2
UNDECIDED = 3
BENCH = 4
CANCELLED = 130

EXIT_CODES = """\
  0    pass, or done
  1    fail: the unit is outside a limit, beyond the guard band
  2    usage: a wrong option, name or file
  3    undecided: conditional pass, conditional fail, or not measured
  4    bench fault: board, link, supply or lamps; the unit is not charged
  130  cancelled
"""
# Errors that people can put right, by the class's home and name: importing them all would take longer than all the rest.
_CODES = {
    "bench.table.TableError": USAGE,
    "bench.limits.NoLimitSet": USAGE,
    "bench.session.setup.SetupError": USAGE,
    "bench.recording.RecordingError": USAGE,
    "bench.record_json.RecordError": USAGE,
    "bench.ports.replay.CaptureError": USAGE,
    "bench.ports.AddressError": USAGE,
    "bench.ports.PortError": BENCH,
    "bench.session.board.BoardFault": BENCH,
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
    """The exit code for the result of a test. A definite verdict stands, also of a test that was not finished.

    What nobody could measure for a fault of the bench (samples lost on the link, say) is the bench's too.
    """
    from bench.uncertainty import NotMeasured
    from bench.verdict import Outcome, spoiling

    if record.outcome is Outcome.PASS:
        return PASS
    if record.outcome is Outcome.FAIL:
        return FAIL
    faults = (*record.bench_faults, *record.measured.bench_faults)
    if spoiling(faults) or any(fault.text == record.interrupted for fault in faults):
        return BENCH
    if record.interrupted is not None:
        return CANCELLED
    excused = any(isinstance(v.found, NotMeasured) and v.found.fault == "bench" for v in record.verdicts)
    return BENCH if excused else UNDECIDED
