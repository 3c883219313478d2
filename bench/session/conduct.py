"""Drives a board and a unit through a procedure, and always leaves every load open and an honest record.

What came before an interruption is kept in the record, marked; only whole runs are judged. A fault of the board, the port or the program is
the bench's: it never counts against the unit.
"""

from __future__ import annotations

import contextlib
import logging
from collections.abc import Callable, Sequence
from dataclasses import replace

from bench import files
from bench.assemble import TestContext, assemble
from bench.bench_memory import BenchMemory
from bench.board import BoardClient, Expect
from bench.board.conversation import heeding
from bench.board.simulated_operator import SimulatedOperator
from bench.board_identity import addressed_board, identified_board
from bench.combine import StepRuns
from bench.description import BoardDescription
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
    SetupError,
    ZeroError,
)
from bench.judging.capture_notes import SessionNote
from bench.judging.judged_by import kept_in_note
from bench.manual_actions import Do, Operator
from bench.measure import LAMPS_WRONG, PROGRAM, BenchFault, BenchProof, Measured, with_proof
from bench.measure.mechanism import ELECTRONIC, TWO_COIL
from bench.ports import Port
from bench.ports.replay import ByteSink, CaptureWriter
from bench.procedure import CoolStep, Procedure, PromptStep, RunStep, Step, ZeroStep
from bench.record import StepRecord, TestRecord
from bench.session.bench_operations import BenchOperations
from bench.session.chain import AT_FAULT, Chain
from bench.session.ledger import Ledger
from bench.session.progress import Progress, StepBegan
from bench.session.run import UnitRun
from bench.setup import RunLoad, Setup, load_for, most_inrush_a, open_v, range_reach_v, setup_record
from bench.stopping import held
from bench.typed_json import encode
from bench.verdict import spoiling
from bench.wire import TripCause
from bench.wire.answers import MODE

_LAMPS_COLD_S = 10.0  # dark for so long before a cold start: common practice, no source
_log = logging.getLogger(__name__)
_CODES: Sequence[tuple[type[Exception], str]] = (
    (BoardTripped, "board-tripped"),
    (BoardRestarted, "board-restarted"),
    (BoardSilent, "board-silent"),
    (BoardContradicts, "board-contradicts"),
    (BoardRefused, "board-refused"),
    (BoardUnfit, "self-test"),
    (BoardLacks, "board-lacks"),
    (BoardFault, "board"),
    (ZeroError, "zero"),
    (PortError, "port-lost"),
)
"""What a test may be broken off by on the bench's side, and the code of the fault."""


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
    """Run `procedure` on the board behind `port`; the record says how far it came.

    `operator` does what hands must do; a simulated board does that by itself, and only for a real one it is needed (by procedures
    with such steps). `at_simulated` names somebody else for a simulated board, given the hands that it has. `cancelled` is asked
    some twenty times a second, and may raise Cancelled with a reason. Signals end a test in good order, as often as they may come; one
    that came is left for whoever holds them off around this. `when` and `software` go into the record as they are.
    `capture` gets everything that was received (format: bench.ports.replay). `memory`: what earlier tests of this session learnt of the
    bench. Raises SetupError if this board can't do the test; everything else ends in a record.
    """
    writer = CaptureWriter(capture) if capture is not None else None
    board = BoardClient(port, writer)
    ledger = Ledger(procedure, setup, when, software, port.address, board.link)
    known = memory if memory is not None else BenchMemory()
    with held() as hold:
        _Test(board, ledger, operator, at_simulated, progress, heeding(hold, cancelled), known).perform()
        if writer is not None and writer.problem:
            ledger.notes.append(writer.problem)
        return ledger.record()


BEGUN = "the program was stopped before the test was over; what the board had sent by then is in the capture, if one was kept"


def begun_record(procedure: Procedure, setup: Setup, address: str, why: str, *, when: str, software: str) -> TestRecord:
    """The record of a test of which nothing is known but that it began: to be kept until there is a better one."""
    runs = [StepRuns(step, (), "the test was interrupted before") for step in procedure.runs]
    return assemble(procedure, setup, runs, TestContext(when, software, board=addressed_board(address), interrupted=why))


class _Test:
    def __init__(
        self,
        board: BoardClient,
        ledger: Ledger,
        operator: Operator | None,
        at_simulated: Callable[[SimulatedOperator], Operator] | None,
        progress: Progress | None,
        heed: Callable[[], None],
        memory: BenchMemory,
    ) -> None:
        self._board = board
        self._ledger = ledger
        self._procedure, self._setup = ledger.procedure, ledger.setup
        self._operator = operator
        self._at_simulated = at_simulated
        self._simulated: SimulatedOperator | None = None
        self._progress = progress
        self._heed = heed
        self._is_secured = False
        self._memory = memory
        self._loads: dict[str, RunLoad] = {}
        self._broken_off: UnitRun | None = None
        self._began_s = board.port.now_s()
        board.idle = heed
        made_so = setup_record(self._setup, self._setup.nominal_v)
        begun = SessionNote(made_so, self._procedure, ledger.when, ledger.software, kept_in_note(self._setup))
        board.note(note="session", **encode(begun))

    # --- the whole test

    def perform(self) -> None:
        try:
            try:
                self._open()
                self._go_through()
            finally:
                # Before anything is said or written of what happened.
                self._secure()
                if self._simulated is not None:
                    with contextlib.suppress(PortError, BoardFault):
                        self._simulated.put_back()
        except SetupError:
            raise
        except (Exception, KeyboardInterrupt) as error:
            self._ledger.interrupted = self._why(error)
            self._board.note(note="interrupted", text=self._ledger.interrupted)
        finally:
            if LAMPS_WRONG & self._ledger.codes_of_runs():
                self._memory.forget_lamps()
            self._board.note(note="closed", left_out=self._ledger.left_out, notes=self._ledger.notes, link=self._board.link())

    def _go_through(self) -> None:
        steps = self._procedure.steps
        if self._setup.zero and not any(isinstance(step, ZeroStep) for step in steps):
            self._bench.note(f"zeros were asked for, and the procedure {self._procedure.name} has no step that reads them")
        for number, step in enumerate(steps, 1):
            if isinstance(step, RunStep) and step.live:
                continue  # carried on from the run before it
            self._step(step, number)
            if self._setup.stop_early and self._ledger.is_decided():
                self._ledger.leave_out_after(step, "all limits were decided before")

    def _secure(self) -> None:
        """Everything open, if it was not opened for good already."""
        if self._is_secured:
            return
        problem = self._board.make_safe()
        self._is_secured = True
        if problem and not any(fault.code == "not-confirmed-open" for fault in self._ledger.faults):
            self._blame_bench(BenchFault("not-confirmed-open", problem, spoils=False))

    def _blame_bench(self, fault: BenchFault) -> bool:
        """Note a fault of the bench; False if it was noted before."""
        if not self._ledger.blame_bench(fault):
            return False
        self._board.note_fault(fault)
        return True

    def _why(self, error: BaseException) -> str:
        """The one line that says why the test was interrupted; a fault of the bench is noted as one."""
        if isinstance(error, Cancelled):
            return str(error) or "cancelled by the operator"
        if isinstance(error, KeyboardInterrupt):
            return "stopped from the keyboard"
        code, text = next((code for kind, code in _CODES if isinstance(error, kind)), PROGRAM), str(error)
        if code == PROGRAM:
            text = f"an error in the program: {type(error).__name__}: {error}"
        # A board that contradicts itself was not to be believed before either.
        is_new = self._blame_bench(BenchFault(code, text, spoils=isinstance(error, BoardContradicts)))
        if code == PROGRAM and is_new:
            _log.error("the test was broken off by an error in the program", exc_info=error)
        return text

    # --- contact

    def _open(self) -> None:
        board, setup = self._board, self._setup
        description = board.open()
        identity, unit = board.identity(), board.simulated_unit()
        self._ledger.board = identified_board(board.port.address, identity, description, unit)
        board.note(note="board", board=encode(self._ledger.board), lines=list(board.described))
        board.command("*CLS")
        if unit in ("NONE", "LINK"):
            raise SetupError(f"testing {setup.unit}: there is no unit in the simulated socket but {unit}; put one in")
        wrong = board.self_test()
        if wrong:
            raise BoardUnfit(f"the board at {board.port.address} fails its own self-test: {wrong}; have it put right")
        if unit is not None:
            hands = self._simulated = SimulatedOperator(board, unit)
            self._operator = hands if self._at_simulated is None else self._at_simulated(hands)
        board.need_channels(description)
        self._rated = load_for("rated", setup, description, files.banks)
        self._memory.meet("\n".join((identity, *board.described)), self._began_s)
        off_s = self._began_s - setup.rested_s
        self._bench = BenchOperations(
            board, description, setup, self._rated, self._operator, self._ledger, self._progress, off_s, self._memory
        )
        self._choose_loads(description)
        self._choose_sampling(description)
        self._chain = Chain(board, self._bench, self._ledger, self._loads, self._rated, self._began_s, self._progress)

    def _choose_sampling(self, description: BoardDescription) -> None:
        """Mode and range of the samples, as the test needs them."""
        mode = "PREC" if self._setup.precise else "FAST"
        if mode not in description.modes:
            raise SetupError(f"setting the sample mode: this board has no mode {mode}")
        self._board.command(f"SENS:MODE {mode}", Expect("SENS:MODE?", MODE, mode))
        volts = [open_v(self._setup, self._rated, self._volts(step), description) for step in self._procedure.runs]
        reach_v, most_v = range_reach_v(self._setup, volts), max(r.high for r in description.channels["v_in"].ranges)
        if reach_v > most_v:
            asked = f"a supply of {max(volts):.4g} V, with some to spare {reach_v:.4g} V"
            raise SetupError(f"choosing the voltage range for {asked}: this board reads {most_v:.4g} V at the most; test at less")
        self._board.select_range(round(reach_v, 2))

    def _choose_loads(self, description: BoardDescription) -> None:
        """The load of every step, before anything is switched. What goes beyond the rated load may be left out, and said."""
        for step in self._procedure.steps:
            if not isinstance(step, RunStep | ZeroStep):
                continue
            try:
                self._loads[step.name] = load_for(step.loads, self._setup, description, files.banks)
            except SetupError as error:
                self._ledger.left_out[step.name] = str(error)
        if all(step.name in self._ledger.left_out for step in self._procedure.runs):
            raise SetupError(next(iter(self._ledger.left_out.values())))

    def _volts(self, step: RunStep) -> float:
        return step.supply_for(self._setup.system_v, self._setup.nominal_v)

    # --- steps

    def _step(self, step: Step, number: int) -> None:
        bench = self._bench
        if step.name in self._ledger.left_out:
            bench.note(f"step {step.name} left out: {self._ledger.left_out[step.name]}")
            return
        load = self._loads.get(step.name)
        began = StepBegan(step.name, step.title, step.text, number, len(self._procedure.steps))
        if load is not None and isinstance(step, RunStep):
            began = replace(began, load=load.text, lamps=len(load.lamps))
        match step:
            case ZeroStep():
                if not self._setup.zero:
                    bench.note(f"step {step.name} left out: not asked for; zeros are the board's and those at rest")
                    return
                bench.tell(began)
                if not bench.recall_zero():
                    bench.zero(self._loads[step.name], step.seconds)
            case RunStep():
                self._run(step, began)
            case CoolStep():
                bench.tell(began)
                bench.cool(step.seconds, step.title)
            case PromptStep():
                bench.tell(began)
                bench.ask(Do(step.text))

    def _run(self, step: RunStep, began: StepBegan) -> None:
        """All starts of a step; then, where the unit lit no lamp or drew too much, see whose fault that is.

        One trip may be a hand on the emergency stop. A unit is shorted if the board trips on it twice for too much current, and not on its
        lamps in between.
        """
        proof: BenchProof | None = None
        while True:
            try:
                self._make_starts(step, began)
            except BoardTripped as error:
                self._secure()
                if not step.judge or error.cause not in (TripCause.CURR, TripCause.LATC):
                    raise
                if proof is not None:
                    if not self._shows_short(step, error.cause):
                        raise
                    self._keep_short(step, proof)
                    return
                proof = self._proof_after_trip(step)
                if proof is None or not proof.proved:
                    raise
                self._ledger.forget_broken_off(step)
                self._bench.cool(_LAMPS_COLD_S, "lamps cooling")
            else:
                self._prove_lamps(step)
                return

    def _shows_short(self, step: RunStep, cause: TripCause) -> bool:
        """Whether the trip at hand is the unit's, its lamps proved: it came before any was on, or more flowed than they take when cold.

        A latch may open sooner than a sample shows why; but a unit that has flashed has no short inside. Of the lamps that a live step has
        switched on nothing is known.
        """
        run = self._broken_off
        if run is None:
            return True
        most_a = most_inrush_a(self._setup, run.plan.load, run.plan.volts, self._bench.description)
        drew_more = most_a is not None and run.analysis.highest_a > most_a
        return run.plan.step is step and (drew_more or (cause is TripCause.LATC and run.analysis.cycles_complete == 0))

    def _make_starts(self, step: RunStep, began: StepBegan) -> None:
        starts = self._ledger.starts_wanted(step, self._ledger.runs())
        for start in range(1, starts + 1):
            if start > 1 and self._ledger.is_spoilt():
                self._bench.note(f"step {step.name} ended before start {start} of {starts}: {AT_FAULT}")
                return
            self._bench.tell(replace(began, start=start, starts=starts))
            self._broken_off = None
            self._bench.prepare(self._volts(step), self._cool_s(step), judged=bool(step.judge))
            try:
                self._chain.drive(step, start, starts)
            except (Exception, KeyboardInterrupt) as error:
                self._secure()
                if self._ledger.is_announced:
                    self._chain.broken_off(None)
                    self._bench.note(f"after the result was told: {self._why(error)}")
                    return
                # Whose a trip is, the bench's or the unit's, is seen afterwards.
                self._broken_off = self._chain.broken_off(str(error) if isinstance(error, BoardTripped) else self._why(error))
                raise
            finally:
                self._bench.off_s = self._board.port.now_s()

    def _cool_s(self, step: RunStep) -> float:
        """How long unit and lamps must have been dark, by what is known of the mechanism by now."""
        electronic = self._ledger.mechanism in (ELECTRONIC, TWO_COIL)
        return step.electronic_cool_s if electronic and step.electronic_cool_s is not None else step.cool_s

    # --- whose fault it is

    def _prove_lamps(self, step: RunStep) -> None:
        """Where the unit lit no lamp, have them proved by the link: only then may it be blamed."""
        record, load = self._ledger.last(step.name), self._loads[step.name]
        if not step.judge or record is None or not load.watts or not self._setup.filament:
            return
        measured = record.measured
        if spoiling((*self._ledger.faults, *measured.bench_faults)) or any(p.proved for p in measured.proofs if p.item == "lamps"):
            return
        proof = self._bench.prove_lamps(load)
        self._board.note(note="lamps proved", step=step.name, proved=proof.proved, text=proof.text)
        self._ledger.replace_last(step, replace(record, measured=with_proof(measured, proof)))

    def _proof_after_trip(self, step: RunStep) -> BenchProof | None:
        """After too much current: whether the same lamps are right without the unit. None if that cannot be seen."""
        try:
            self._go_on()
            self._memory.forget_lamps()
            proof = self._bench.prove_lamps(self._loads[step.name])
            if proof.proved:
                self._go_on()
        except (BoardFault, PortError, SetupError, Cancelled) as other:
            _log.info("proving the lamps after a trip: %s", other)
            self._secure()
            return None
        return proof

    def _go_on(self) -> None:
        """Work with the board again after everything was opened."""
        self._is_secured = False
        self._board.go_on(self._heed)
        self._choose_sampling(self._bench.description)

    def _keep_short(self, step: RunStep, proof: BenchProof) -> None:
        """The run showed that the unit is shorted, and nothing else."""
        self._go_on()
        measured = Measured({}, {"behaviour": "shorted"}, (), (proof,))
        load, volts = self._loads[step.name], self._volts(step)
        self._board.note(
            note="shorted", step=step.name, title=step.title, loads=load.numbers, text=load.text, volts=volts, proof=proof.text
        )
        now_s = self._board.port.now_s() - self._began_s
        self._ledger.forget_broken_off(step)
        self._ledger.keep(step, StepRecord(step.name, step.title, load.numbers, load.text, now_s, 0.0, measured, 0, 0, volts), {})
        for later in self._procedure.runs:
            if later.live:
                self._ledger.left_out[later.name] = "the unit is shorted"
