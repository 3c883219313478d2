"""makebreak: a bench tester for interrupters, the turn-signal and hazard flasher units that make and break a lamp circuit.

The public names below are loaded when they are first asked for, so that the command line starts fast.
"""

from __future__ import annotations

from importlib import import_module

from bench.version import __version__ as __version__

TYPE_CHECKING = False  # as in typing, whose import alone would take a third of a bare start
if TYPE_CHECKING:
    from typing import Any

    from bench.api import judge as judge
    from bench.api import test as test
    from bench.outcome import Conclusion as Conclusion
    from bench.outcome import Outcome as Outcome
    from bench.record import StepRecord as StepRecord
    from bench.record import TestRecord as TestRecord
    from bench.result import Result as Result
    from bench.uncertainty import Component as Component
    from bench.uncertainty import Estimate as Estimate
    from bench.uncertainty import NotMeasured as NotMeasured
    from bench.verdict import Conformity as Conformity
    from bench.verdict import Verdict as Verdict

_HOMES = {
    "Component": "bench.uncertainty",
    "Conclusion": "bench.outcome",
    "Conformity": "bench.verdict",
    "Estimate": "bench.uncertainty",
    "NotMeasured": "bench.uncertainty",
    "Outcome": "bench.outcome",
    "Result": "bench.result",
    "StepRecord": "bench.record",
    "TestRecord": "bench.record",
    "Verdict": "bench.verdict",
    "judge": "bench.api",
    "test": "bench.api",
}
__all__ = ["__version__", *_HOMES]


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(_HOMES[name]), name)


def __dir__() -> list[str]:
    return sorted({*globals(), *_HOMES})
