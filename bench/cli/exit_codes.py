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
    """The exit code for the result of a test."""
    from bench.render.standing import Standing, standing

    codes = {Standing.PASS: PASS, Standing.FAIL: FAIL, Standing.BENCH_FAULT: BENCH, Standing.NOT_FINISHED: CANCELLED}
    return codes.get(standing(record), UNDECIDED)
