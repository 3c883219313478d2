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
    from bench.errors import AddressError as AddressError
    from bench.errors import BoardContradicts as BoardContradicts
    from bench.errors import BoardFault as BoardFault
    from bench.errors import BoardLacks as BoardLacks
    from bench.errors import BoardLate as BoardLate
    from bench.errors import BoardMisspoken as BoardMisspoken
    from bench.errors import BoardRefused as BoardRefused
    from bench.errors import BoardRestarted as BoardRestarted
    from bench.errors import BoardSilent as BoardSilent
    from bench.errors import BoardTripped as BoardTripped
    from bench.errors import BoardUnfit as BoardUnfit
    from bench.errors import CalibrationError as CalibrationError
    from bench.errors import Cancelled as Cancelled
    from bench.errors import CaptureError as CaptureError
    from bench.errors import EndRequested as EndRequested
    from bench.errors import EquipmentError as EquipmentError
    from bench.errors import MakebreakError as MakebreakError
    from bench.errors import NoLimitSet as NoLimitSet
    from bench.errors import NoOperator as NoOperator
    from bench.errors import PortError as PortError
    from bench.errors import PortTaken as PortTaken
    from bench.errors import RecordError as RecordError
    from bench.errors import RecordingError as RecordingError
    from bench.errors import RequestError as RequestError
    from bench.errors import SetupError as SetupError
    from bench.errors import TableError as TableError
    from bench.errors import UnknownQuantity as UnknownQuantity
    from bench.errors import UnmeasuredQuantity as UnmeasuredQuantity
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
_ERRORS = (
    "AddressError", "BoardContradicts", "BoardFault", "BoardLacks", "BoardLate", "BoardMisspoken", "BoardRefused", "BoardRestarted",
    "BoardSilent", "BoardTripped", "BoardUnfit", "CalibrationError", "Cancelled", "CaptureError", "EndRequested", "EquipmentError",
    "MakebreakError", "NoLimitSet", "NoOperator", "PortError", "PortTaken", "RecordError", "RecordingError", "RequestError", "SetupError",
    "TableError", "UnknownQuantity", "UnmeasuredQuantity",
)  # fmt: skip
_HOMES |= dict.fromkeys(_ERRORS, "bench.errors")
__all__ = ["__version__", *_HOMES]


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(_HOMES[name]), name)


def __dir__() -> list[str]:
    return sorted({*globals(), *_HOMES})
