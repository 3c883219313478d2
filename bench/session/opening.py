"""Opening a bench for a test: contact, self-test, the loads of every step, mode and range of the samples."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from bench import files
from bench.board import BoardClient, BoardContact, Expect, SimulatedOperator
from bench.board_identity import identified_board
from bench.description import BoardDescription
from bench.errors import BoardFault, BoardUnfit, PortError, SetupError
from bench.procedure import RunStep, ZeroStep
from bench.session.attendance import Attendance
from bench.session.bench_operations import BenchOperations
from bench.session.guard import Guard
from bench.session.ledger import Ledger
from bench.setup import RunLoad, load_for, open_v, range_reach_v
from bench.typed_json import encode
from bench.wire.answers import MODE


@dataclass(frozen=True)
class OpenedBench:
    """A board in contact that is fit for its test.

    `loads`: that of each step by name, `rated` the one that the unit is for. `began_s`: when the test began, on the port's clock.
    """

    board: BoardClient
    operations: BenchOperations
    loads: Mapping[str, RunLoad]
    rated: RunLoad
    began_s: float


@contextlib.contextmanager
def opened_bench(board: BoardClient, ledger: Ledger, guard: Guard, attendance: Attendance) -> Iterator[OpenedBench]:
    """Open the bench, and secure it at the end, before anything is said or written of what happened; also if it can't be opened.

    A simulated bench then has its unit in the socket again. SetupError if it can't do this test, BoardFault or PortError if it fails.
    """
    simulated: SimulatedOperator | None = None
    try:
        began_s = board.port.now_s()
        contact = _fit_contact(board, ledger)
        if contact.simulated_unit is not None:
            simulated = SimulatedOperator(board, contact.simulated_unit)
        attendance.memory.meet("\n".join((contact.identity, *board.described)), began_s)
        rated = load_for("rated", ledger.setup, contact.description, files.banks)
        loads = _choose_loads(ledger, contact.description)
        choose_sampling(board, ledger, rated, contact.description)
        operator, off_s = attendance.operator_for(simulated), began_s - ledger.setup.rested_s
        operations = BenchOperations(board, contact.description, rated, operator, ledger, guard.blame, attendance, off_s)
        yield OpenedBench(board, operations, loads, rated, began_s)
    finally:
        guard.secure()
        if simulated is not None:
            with contextlib.suppress(PortError, BoardFault):
                simulated.put_back()


def _fit_contact(board: BoardClient, ledger: Ledger) -> BoardContact:
    """Make contact with a board that can test a unit, and keep which it is."""
    contact = board.make_contact()
    unit = contact.simulated_unit
    ledger.board = identified_board(board.port.address, contact.identity, contact.description, unit)
    board.note(note="board", board=encode(ledger.board), lines=list(board.described))
    if unit in ("NONE", "LINK"):
        raise SetupError(f"testing {ledger.setup.unit}: there is no unit in the simulated socket but {unit}; put one in")
    wrong = board.self_test()
    if wrong:
        raise BoardUnfit(f"the board at {board.port.address} fails its own self-test: {wrong}; have it put right")
    board.need_channels(contact.description)
    return contact


def _choose_loads(ledger: Ledger, description: BoardDescription) -> Mapping[str, RunLoad]:
    """Return the load of every step by name. What goes beyond the rated load may be left out, and the ledger says why."""
    loads: dict[str, RunLoad] = {}
    for step in ledger.procedure.steps:
        if not isinstance(step, RunStep | ZeroStep):
            continue
        try:
            loads[step.name] = load_for(step.loads, ledger.setup, description, files.banks)
        except SetupError as error:
            ledger.left_out[step.name] = str(error)
    if all(step.name in ledger.left_out for step in ledger.procedure.runs):
        raise SetupError(next(iter(ledger.left_out.values())))
    return loads


def choose_sampling(board: BoardClient, ledger: Ledger, rated: RunLoad, description: BoardDescription) -> None:
    """Set mode and range of the samples as the test needs them. SetupError if the board has none such."""
    setup = ledger.setup
    mode = "PREC" if setup.precise else "FAST"
    if mode not in description.modes:
        raise SetupError(f"setting the sample mode: this board has no mode {mode}")
    board.command(f"SENS:MODE {mode}", Expect("SENS:MODE?", MODE, mode))
    volts = [open_v(setup, rated, setup.supply_for(step), description) for step in ledger.procedure.runs]
    reach_v, most_v = range_reach_v(setup, volts), max(r.high for r in description.channels["v_in"].ranges)
    if reach_v > most_v:
        asked = f"a supply of {max(volts):.4g} V, with some to spare {reach_v:.4g} V"
        raise SetupError(f"choosing the voltage range for {asked}: this board reads {most_v:.4g} V at the most; test at less")
    board.select_range(round(reach_v, 2))
