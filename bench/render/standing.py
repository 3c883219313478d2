"""How a test stands, for people and for exit codes: its outcome, told apart from a fault of the bench and from a test not finished."""

from __future__ import annotations

from enum import StrEnum

from bench.measure import BenchFault
from bench.record import TestRecord
from bench.uncertainty import NotMeasured
from bench.verdict import Conformity, spoiling


class Standing(StrEnum):
    """The outcomes of a test, and the two ways in which a test says nothing about its unit."""

    PASS = "pass"
    CONDITIONAL_PASS = "conditional pass"
    CONDITIONAL_FAIL = "conditional fail"
    FAIL = "fail"
    NOT_MEASURED = "not measured"
    BENCH_FAULT = "bench fault"
    NOT_FINISHED = "not finished"

    @property
    def on_unit(self) -> bool:
        """Whether it says something about the unit."""
        return self not in (Standing.BENCH_FAULT, Standing.NOT_FINISHED)


def standing(record: TestRecord) -> Standing:
    """How the test stands. A definite verdict does, also of a test that was not finished.

    What nobody could measure for a fault of the bench (samples lost on the link, say) is the bench's too.
    """
    if record.outcome.definite:
        return Standing(record.outcome.value)
    if bench_side(record):
        return Standing.BENCH_FAULT
    if record.interrupted is not None:
        return Standing.NOT_FINISHED
    return Standing.BENCH_FAULT if _excused(record) else Standing(record.outcome.value)


def bench_side(record: TestRecord) -> tuple[BenchFault, ...]:
    """The faults of the bench that spoil the test or broke it off, each once."""
    faults = tuple(dict.fromkeys((*record.bench_faults, *record.measured.bench_faults)))
    return tuple(fault for fault in faults if spoiling((fault,)) or fault.text == record.interrupted)


def bench_trouble(record: TestRecord) -> str:
    """In the fault's own words, what was wrong with the bench; empty if nothing was that matters."""
    faults = bench_side(record)
    return faults[0].text if faults else _excused(record)


def _excused(record: TestRecord) -> str:
    """Why something judged could not be measured, if that is the bench's fault."""
    found = (v.found for v in record.verdicts if v.conformity is Conformity.NOT_MEASURED)
    return next((one.reason for one in found if isinstance(one, NotMeasured) and one.fault == "bench"), "")
