"""How a test ends, whatever ends it: everything open first, then the reason in its ledger and its capture."""

from __future__ import annotations

import logging
from collections.abc import Callable, Sequence

from bench.board import BoardClient
from bench.errors import (
    BoardContradicts,
    BoardFault,
    BoardLacks,
    BoardRefused,
    BoardRestarted,
    BoardSilent,
    BoardTripped,
    BoardUnfit,
    Cancelled,
    PortError,
    ZeroError,
)
from bench.measure import BenchFault, FaultCode
from bench.session.ledger import Ledger

_CODES: Sequence[tuple[type[Exception], FaultCode]] = (
    (BoardTripped, FaultCode.BOARD_TRIPPED),
    (BoardRestarted, FaultCode.BOARD_RESTARTED),
    (BoardSilent, FaultCode.BOARD_SILENT),
    (BoardContradicts, FaultCode.BOARD_CONTRADICTS),
    (BoardRefused, FaultCode.BOARD_REFUSED),
    (BoardUnfit, FaultCode.SELF_TEST),
    (BoardLacks, FaultCode.BOARD_LACKS),
    (BoardFault, FaultCode.BOARD),
    (ZeroError, FaultCode.ZERO),
    (PortError, FaultCode.PORT_LOST),
)
"""What a test may be broken off by on the bench's side, and the code of the fault; the first that fits counts."""
_log = logging.getLogger(__name__)


class Guard:
    """Opens everything, and notes what was wrong. `heed`: called between two reads, raises what is to end the test."""

    def __init__(self, board: BoardClient, ledger: Ledger, heed: Callable[[], None]) -> None:
        self._board = board
        self._ledger = ledger
        self._heed = heed
        self._is_secured = False
        board.idle = heed

    def secure(self) -> None:
        """Open everything, if that was not done for good already. Raise nothing."""
        if self._is_secured:
            return
        problem = self._board.make_safe()
        self._is_secured = True
        if problem and not any(fault.code == FaultCode.NOT_CONFIRMED_OPEN for fault in self._ledger.faults):
            self.blame(BenchFault(FaultCode.NOT_CONFIRMED_OPEN, problem, spoils=False))

    def resume(self) -> None:
        """Work with the board again after everything was opened. BoardFault if it has not got over its trip."""
        self._is_secured = False
        self._board.go_on(self._heed)

    def blame(self, fault: BenchFault) -> bool:
        """Note a fault of the bench, for the record and for who judges the capture again; False if it was noted before."""
        noted = self._ledger.blame_bench(fault)
        if noted is None:
            return False
        self._board.note_fault(noted)
        return True

    def end(self, error: BaseException) -> None:
        """Note that `error` ended the test. If its result was told before, that stands."""
        why = self.why(error)
        if self._ledger.is_announced:
            self._ledger.notes.append(f"after the result was told: {why}")
            return
        self._ledger.interrupted = why
        self._board.note(note="interrupted", text=why)

    def why(self, error: BaseException) -> str:
        """Return the one line that says why the test was broken off; note a fault of the bench as one."""
        if isinstance(error, Cancelled):
            return str(error) or "cancelled by the operator"
        if isinstance(error, KeyboardInterrupt):
            return "stopped from the keyboard"
        code, text = next((code for kind, code in _CODES if isinstance(error, kind)), FaultCode.PROGRAM), str(error)
        if code is FaultCode.PROGRAM:
            text = f"an error in the program: {type(error).__name__}: {error}"
        # A board that contradicts itself was not to be believed before either.
        is_new = self.blame(BenchFault(code, text, spoils=isinstance(error, BoardContradicts)))
        if code is FaultCode.PROGRAM and is_new:
            _log.error("the test was broken off by an error in the program", exc_info=error)
        return text
