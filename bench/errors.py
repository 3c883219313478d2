"""Every error that is told to people, as one tree. The branch says whose fault it was, and the exit code of a command follows from it.

    MakebreakError              one line: what was being done, to what, what came, what to do
    ├── RequestError            of what was asked: an option, an argument, a name, a file (exit code 2)
    │   ├── AddressError
    │   ├── SetupError
    │   │   └── OtherBoardError
    │   ├── NoLimitSet
    │   ├── UnknownQuantity
    │   ├── UnmeasuredQuantity
    │   ├── CalibrationError
    │   ├── TableError
    │   ├── ContentError
    │   ├── RecordError
    │   ├── RecordingError
    │   ├── CaptureError
    │   ├── IntakeError
    │   └── OutputError
    ├── EquipmentError          of the bench: port, board, wiring, supply; never of the unit (exit code 4)
    │   ├── PortError
    │   │   └── PortTaken
    │   ├── BoardFault
    │   │   ├── BoardSilent, BoardLate, BoardTripped, BoardRestarted, BoardUnfit, BoardLacks, BoardContradicts, BoardRefused,
    │   │   └── BoardMisspoken, NoOperator
    │   ├── DescriptionError
    │   └── ZeroError
    └── EndRequested            of nothing: the end was requested (exit code 130)
        ├── Cancelled
        └── OutputClosed

Any other exception that leaves a public function is a mistake in this program (exit code 70). A bad unit is no error but a value; damaged
bytes are counted. What two functions of one room tell each other (`recording.cells.BadCells`, the simulated board's refusals) stays there.
"""

from __future__ import annotations

TYPE_CHECKING = False  # as in typing, whose import alone takes longer than this module
if TYPE_CHECKING:
    from bench.wire import TripCause


class MakebreakError(Exception):
    """An error that is told in one line: what was being done, to what, what came, what to do."""


class RequestError(MakebreakError):
    """What was asked can't be done as it was asked: an option, an argument, a name or a file is wrong."""


class AddressError(RequestError):
    """The address itself is wrong, not what is behind it."""


class SetupError(RequestError, ValueError):
    """The test can't be done as it was set up. The line says what was asked and what this board or procedure can do."""


class OtherBoardError(SetupError):
    """The calibration is not that of the board which answered `answered` to *IDN?. That board has heard nothing of it."""

    def __init__(self, text: str, answered: str) -> None:
        super().__init__(text)
        self.answered = answered


class NoLimitSet(RequestError, LookupError):
    """No limit set fits what was asked for. The line says which would."""


class UnknownQuantity(RequestError, LookupError):
    """A result was asked for a quantity that does not exist. The line lists those that do."""


class UnmeasuredQuantity(RequestError, ValueError):
    """A result was asked for a quantity that was not measured. The line says why it was not."""


class CalibrationError(RequestError, ValueError):
    """The readings of a meter, or what is said of its accuracy, can't be used. The line says which channel, what came and what to do."""


class TableError(RequestError, ValueError):
    """A settings file says something that can't be used. The line names the file and the place in it."""


class ContentError(RequestError, ValueError):
    """JSON that does not fit the type. The line says the place in it, what came and what is allowed."""


class RecordError(RequestError, ValueError):
    """Text that is no record this version can read. The line says where in it, what came and what is allowed."""


class RecordingError(RequestError):
    """A recording that can't be read. The line says which file, line and column, what came and what is allowed."""


class CaptureError(RequestError):
    """A capture that can't be used. The line says which file, where in it and what came."""


class IntakeError(RequestError):
    """A file that is not read. The text is the reason alone: the caller adds what the file was to be."""


class OutputError(RequestError):
    """The standard output takes no more. The text is the reason alone."""


class EquipmentError(MakebreakError):
    """The bench failed, not the unit: its port, board, wiring or supply."""


class PortError(EquipmentError):
    """A port failed. The line says what was being done, to which address, what came and what to do."""


class PortTaken(PortError):
    """Another program has the port open."""


class BoardFault(EquipmentError):
    """A board failed, or can't do what it must. The line says what happened, at which board, and what to do."""


class BoardSilent(BoardFault):
    """No answer, or no more samples."""


class BoardLate(BoardFault):
    """The board answers later than the protocol allows."""


class BoardTripped(BoardFault):
    """The board has opened everything by itself; `cause` is None if it could not be told."""

    def __init__(self, text: str, cause: TripCause | None) -> None:
        super().__init__(text)
        self.cause = cause


class BoardRestarted(BoardFault):
    """The board has started anew in the middle of the work."""


class BoardUnfit(BoardFault):
    """The board says of itself that something in it is wrong."""


class BoardLacks(BoardFault):
    """The board lacks something that a test of a unit needs."""


class BoardContradicts(BoardFault):
    """The board's frames show another state than the one that it was told and has confirmed."""


class BoardRefused(BoardFault):
    """The board took a command for an error, or did not do it."""


class BoardMisspoken(BoardFault):
    """The board answers, but not what was asked: it speaks another protocol, or another version of this one."""


class NoOperator(BoardFault):
    """Manual actions are needed at the bench, and no operator was named to perform them."""


class DescriptionError(EquipmentError):
    """A board's description can't be used. The line quotes the line at fault."""


class ZeroError(EquipmentError):
    """The readings can't be those of the shorting link. The line says what was read, what it should be and what to do."""


class EndRequested(MakebreakError):
    """Work ended early because that was asked for."""


class Cancelled(EndRequested):
    """The operator cancelled. An `Operator` or a `progress` may raise it too; its text may be empty."""


class OutputClosed(EndRequested):
    """The standard output is read no further."""
