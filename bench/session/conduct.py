"""Conduct a test: drive a board and a unit through a procedure, and always leave every load open and an honest record.

A test goes: open the bench (`opening`), make the steps (`steps`), each run of the unit with what carries it on live (`chain`, `run`), and
between the runs see to supply, cooling, zeros and lamps (`bench_operations`). What it comes to stands in the `ledger`; the `guard` opens
everything however it ends, and notes why.

What came before an interruption is kept in the record, marked; only whole runs are judged. A fault of the board, the port or the program is
the bench's: it never counts against the unit. A result that was told (`Decided`) stands: what happens afterwards is noted beside it.
"""

from __future__ import annotations

from collections.abc import Callable

from bench.assemble import TestContext, assemble
from bench.bench_memory import BenchMemory
from bench.board import BoardClient, SimulatedOperator
from bench.board.conversation import heeding
from bench.board_identity import addressed_board
from bench.combine import StepRuns
from bench.errors import SetupError
from bench.judging.capture_notes import SessionNote
from bench.judging.judged_by import kept_in_note
from bench.manual_actions import Operator
from bench.measure import LAMPS_WRONG
from bench.ports import Port
from bench.ports.replay import ByteSink, CaptureWriter
from bench.procedure import Procedure
from bench.record import TestRecord
from bench.session.attendance import Attendance
from bench.session.guard import Guard
from bench.session.ledger import Ledger
from bench.session.opening import opened_bench
from bench.session.progress import Progress
from bench.session.steps import Steps
from bench.setup import Setup, setup_record
from bench.stopping import held
from bench.typed_json import encode


def run_test(
    port: Port,
    procedure: Procedure,
    setup: Setup,
    *,
    operator: Operator | None = None,
    at_simulated: Callable[[SimulatedOperator], Operator] | None = None,
    progress: Progress | None = None,
    cancelled: Callable[[], bool] | None = None,
    when: str,
    software: str,
    capture: ByteSink | None = None,
    memory: BenchMemory | None = None,
) -> TestRecord:
    """Run `procedure` on the board behind `port`; return a record that says how far it came.

    `operator` performs manual actions; a simulated board does that by itself, and only a real one needs an operator (for procedures with
    such steps). `at_simulated` names another for a simulated board, given its own. `cancelled` is asked some twenty times a second, and may
    raise Cancelled with a reason. Signals end a test in good order, as often as they may come; one that came is left for what holds them
    off around this. `when` and `software` go into the record as they are. `capture` gets everything that was received (format:
    bench.ports.replay). `memory`: what earlier tests of this session learnt of the bench. Raises SetupError if this board can't do the
    test; everything else ends in a record.
    """
    writer = CaptureWriter(capture) if capture is not None else None
    board = BoardClient(port, writer)
    ledger = Ledger(procedure, setup, when, software, port.address, board.link)
    attendance = Attendance(operator, at_simulated, progress, memory if memory is not None else BenchMemory())
    with held() as hold:
        _perform(board, ledger, Guard(board, ledger, heeding(hold, cancelled)), attendance)
        if writer is not None and writer.problem:
            ledger.notes.append(writer.problem)
        return ledger.record()


BEGUN = "the program was stopped before the test was over; what the board had sent by then is in the capture, if one was kept"


def begun_record(procedure: Procedure, setup: Setup, address: str, why: str, *, when: str, software: str) -> TestRecord:
    """Return the record of a test of which nothing is known but that it began: to be kept until there is a better one."""
    runs = [StepRuns(step, (), "the test was interrupted before") for step in procedure.runs]
    return assemble(procedure, setup, runs, TestContext(when, software, board=addressed_board(address), interrupted=why))


def _perform(board: BoardClient, ledger: Ledger, guard: Guard, attendance: Attendance) -> None:
    """Make the whole test, into the ledger and the capture."""
    made_so = setup_record(ledger.setup, ledger.setup.nominal_v)
    begun = SessionNote(made_so, ledger.procedure, ledger.when, ledger.software, kept_in_note(ledger.setup))
    board.note(note="session", **encode(begun))
    try:
        with opened_bench(board, ledger, guard, attendance) as bench:
            Steps(bench, ledger, guard, attendance).make_all()
    except SetupError:
        raise
    except (Exception, KeyboardInterrupt) as error:
        guard.end(error)
    finally:
        if LAMPS_WRONG & ledger.codes_of_runs():
            attendance.memory.forget_lamps()
        board.note(note="closed", left_out=ledger.left_out, notes=ledger.notes, link=board.link())
