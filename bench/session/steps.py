"""The steps of a procedure on an opened bench, and whose fault it is where the unit lit no lamp or the board tripped.

One trip may be a hand on the emergency stop. So after a trip for too much current the lamps are lit without the unit, through the shorting
link; if they are right, the step is made once more. A unit is shorted if the board trips again. A unit that lit no lamp is blamed only
after its lamps were proved in the same way.
"""

from __future__ import annotations

import logging
from dataclasses import replace

from bench.errors import BoardFault, BoardTripped, Cancelled, PortError, SetupError
from bench.lamp_check import LAMPS_COLD_S
from bench.manual_actions import Do
from bench.measure import BenchProof, FactName, Measured, MechanismKind, ProofItem, UnitBehaviour, with_proof
from bench.procedure import CoolStep, PromptStep, RunStep, Step, ZeroStep
from bench.record import StepRecord
from bench.session.attendance import Attendance
from bench.session.chain import AT_FAULT, Chain
from bench.session.guard import Guard
from bench.session.ledger import Ledger
from bench.session.opening import OpenedBench, choose_sampling
from bench.session.progress import StepBegan
from bench.session.run import UnitRun
from bench.setup import most_inrush_a
from bench.verdict import spoiling
from bench.wire import TripCause

_log = logging.getLogger(__name__)


class Steps:
    """The steps of the ledger's procedure; `make_all` of them, once."""

    def __init__(self, bench: OpenedBench, ledger: Ledger, guard: Guard, attendance: Attendance) -> None:
        self._board = bench.board
        self._bench = bench
        self._operations = bench.operations
        self._ledger = ledger
        self._procedure, self._setup = ledger.procedure, ledger.setup
        self._guard = guard
        self._memory = attendance.memory
        self._chain = Chain(bench, ledger, attendance.progress)
        self._broken_off: UnitRun | None = None

    def make_all(self) -> None:
        """Make every step, or leave it out and say why."""
        steps = self._procedure.steps
        if self._setup.zero and not any(isinstance(step, ZeroStep) for step in steps):
            self._operations.note(f"zeros were asked for, and the procedure {self._procedure.name} has no step that reads them")
        for number, step in enumerate(steps, 1):
            if isinstance(step, RunStep) and step.live:
                continue  # carried on from the run before it
            self._make(step, number)
            if self._setup.stop_early and self._ledger.is_decided():
                self._ledger.leave_out_after(step, "all limits were decided before")

    def _make(self, step: Step, number: int) -> None:
        operations = self._operations
        if step.name in self._ledger.left_out:
            operations.note(f"step {step.name} left out: {self._ledger.left_out[step.name]}")
            return
        began = StepBegan(step.name, step.title, step.text, number, len(self._procedure.steps))
        match step:
            case ZeroStep():
                if not self._setup.zero:
                    operations.note("no zeros asked for: the board's and those at rest hold")
                    return
                operations.tell(began)
                if not operations.recall_zero():
                    operations.zero(self._bench.loads[step.name], step.seconds)
            case RunStep():
                load = self._bench.loads[step.name]
                self._run(step, replace(began, load=load.text, lamps=len(load.lamps)))
            case CoolStep():
                operations.tell(began)
                operations.cool(step.seconds, step.title)
            case PromptStep():
                operations.tell(began)
                operations.ask(Do(step.text))

    def _run(self, step: RunStep, began: StepBegan) -> None:
        """Make all starts of a step; then, where the unit lit no lamp or drew too much, see whose fault that is."""
        proof: BenchProof | None = None
        while True:
            try:
                self._make_starts(step, began)
            except BoardTripped as error:
                self._guard.secure()
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
                self._operations.cool(LAMPS_COLD_S, "lamps cooling")
            else:
                self._prove_lamps(step)
                return

    def _make_starts(self, step: RunStep, began: StepBegan) -> None:
        starts = self._ledger.starts_wanted(step, self._ledger.runs())
        for start in range(1, starts + 1):
            if start > 1 and self._ledger.is_spoilt():
                self._operations.note(f"step {step.name} ended before start {start} of {starts}: {AT_FAULT}")
                return
            self._operations.tell(replace(began, start=start, starts=starts))
            self._broken_off = None
            self._operations.prepare(self._setup.supply_for(step), self._cool_s(step), judged=bool(step.judge))
            try:
                self._chain.drive(step, start, starts)
            except (Exception, KeyboardInterrupt) as error:
                self._guard.secure()
                if self._ledger.is_announced:
                    self._chain.broken_off(None)
                    self._guard.end(error)
                    return
                # Whose a trip is, the bench's or the unit's, is seen afterwards.
                self._broken_off = self._chain.broken_off(str(error) if isinstance(error, BoardTripped) else self._guard.why(error))
                raise
            finally:
                self._operations.off_s = self._board.port.now_s()

    def _cool_s(self, step: RunStep) -> float:
        """Return for how long unit and lamps must have been dark, by what is known of the mechanism by now."""
        electronic = self._ledger.mechanism in (MechanismKind.ELECTRONIC, MechanismKind.TWO_COIL)
        return step.electronic_cool_s if electronic and step.electronic_cool_s is not None else step.cool_s

    # --- whose fault it is

    def _shows_short(self, step: RunStep, cause: TripCause) -> bool:
        """Return whether the trip at hand is the unit's, its lamps proved.

        It is if it came before any lamp was on, or if more flowed than the lamps take when cold.
        A latch may open sooner than a sample shows why; but a unit that has flashed has no short inside. Of the lamps that a live step has
        switched on nothing is known.
        """
        run = self._broken_off
        if run is None:
            return True
        most_a = most_inrush_a(self._setup, run.plan.load, run.plan.volts, self._operations.description)
        drew_more = most_a is not None and run.analysis.highest_a > most_a
        return run.plan.step is step and (drew_more or (cause is TripCause.LATC and run.analysis.cycles_complete == 0))

    def _prove_lamps(self, step: RunStep) -> None:
        """Have the lamps proved by the link where the unit lit none: only then may it be blamed."""
        record, load = self._ledger.last(step.name), self._bench.loads[step.name]
        if self._ledger.is_announced or not step.judge or record is None or not load.watts or not self._setup.filament:
            return
        measured = record.measured
        if spoiling((*self._ledger.faults, *measured.bench_faults)) or any(p.proved for p in measured.proofs if p.item == ProofItem.LAMPS):
            return
        proof = self._operations.prove_lamps(load)
        self._board.note(note="lamps proved", step=step.name, proved=proof.proved, text=proof.text)
        self._ledger.replace_last(step, replace(record, measured=with_proof(measured, proof)))

    def _proof_after_trip(self, step: RunStep) -> BenchProof | None:
        """Return whether, after too much current, the same lamps are right without the unit; None if that cannot be seen."""
        try:
            self._go_on()
            self._memory.forget_lamps()
            proof = self._operations.prove_lamps(self._bench.loads[step.name])
            if proof.proved:
                self._go_on()
        except (BoardFault, PortError, SetupError, Cancelled) as other:
            _log.info("proving the lamps after a trip: %s", other)
            self._guard.secure()
            return None
        return proof

    def _go_on(self) -> None:
        """Work with the board again after everything was opened."""
        self._guard.resume()
        choose_sampling(self._board, self._ledger, self._bench.rated, self._operations.description)

    def _keep_short(self, step: RunStep, proof: BenchProof) -> None:
        """Keep that the run showed a shorted unit, and nothing else."""
        self._go_on()
        measured = Measured({}, {FactName.BEHAVIOUR: UnitBehaviour.SHORTED}, (), (proof,))
        load, volts = self._bench.loads[step.name], self._setup.supply_for(step)
        self._board.note(
            note="shorted", step=step.name, title=step.title, loads=load.numbers, text=load.text, volts=volts, proof=proof.text
        )
        now_s = self._board.port.now_s() - self._bench.began_s
        self._ledger.forget_broken_off(step)
        self._ledger.keep(step, StepRecord(step.name, step.title, load.numbers, load.text, now_s, 0.0, measured, 0, 0, volts), {})
        for later in self._procedure.runs:
            if later.live:
                self._ledger.left_out[later.name] = "the unit is shorted"
