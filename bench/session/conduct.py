"""Drives a board and a unit through a procedure, and always leaves every load open and an honest record.

An edge. What came before an interruption is kept in the record, marked; only whole runs are judged. A fault of the board, the
port or the program is the bench's: it never counts against the unit.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

from bench.description import BoardDescription, description_lines
from bench.limits import AllOf, AnyOf, Limit, Requirement
from bench.measure import BenchFault, BenchProof, Measured, with_proof
from bench.measure.mechanism import ELECTRONIC, TWO_COIL, UNKNOWN
from bench.outcome import Outcome
from bench.ports import Port, PortError
from bench.ports.replay import ByteSink, CaptureWriter
from bench.procedure import CoolStep, Procedure, PromptStep, RunStep, Step, ZeroStep
from bench.record import StepRecord, TestRecord
from bench.session.assemble import Story, assemble, effective_measured, is_settled, judge_all
from bench.session.bench import Bench, Cancelled
from bench.session.board import BoardClient, BoardFault, BoardRefused, BoardRestarted, BoardSilent, BoardTripped, BoardUnfit
from bench.session.combine import Runs, combine
from bench.session.memory import BenchMemory
from bench.session.operator import Do, Operator, SimulatedHands
from bench.session.progress import Damage, Decided, Event, Live, Progress, SoFar, StepBegan
from bench.session.run import LIVE_COUNTS, Plan, Run, snapshot
from bench.session.setup import (
    Load,
    Setup,
    SetupError,
    conditions_for,
    load_for,
    open_v,
    range_reach_v,
)
from bench.verdict import Conformity, Verdict, decided, spoiling
from bench.wire import TripCause, format_number
from bench.zero import ZeroError

STOPPING_LEVEL = 0.995
"""A test that is looked at every second has that many chances to be wrong, so stopping early asks for more than the report does: over the
looks of `decide` a unit exactly on a limit is then stopped against it in 4.4 % (simulated, reports/outcomes.py)."""
_log = logging.getLogger(__name__)
# Cycles of a start that is only timed: its first extinction. A two-coil unit's blip at switch-on is a cycle of its own before that.
_EARLIER_START = 2


def run_test(
    port: Port,
    procedure: Procedure,
    setup: Setup,
    *,
    operator: Operator | None = None,
    at_simulated: Callable[[SimulatedHands], Operator] | None = None,
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
    some twenty times a second, and may raise Cancelled with a reason. `when` and `software` go into the record as they are.
    `capture` gets everything that was received (format: bench.ports.replay). `memory`: what earlier tests of this session learnt of the
    bench. Raises SetupError if this board can't do the test;
    everything else ends in a record.
    """
    test = _Test(port, procedure, setup, operator, progress, cancelled or (lambda: False), capture, when, software, at_simulated)
    test.memory = memory if memory is not None else BenchMemory()
    test.perform()
    return test.record()


def begun_record(procedure: Procedure, setup: Setup, address: str, why: str, *, when: str, software: str) -> TestRecord:
    """The record of a test of which nothing is known but that it began: to be kept until there is a better one."""
    runs = [Runs(step, (), "the test was interrupted before") for step in procedure.runs]
    return assemble(procedure, setup, runs, Story(when, software, board={"address": address}, interrupted=why))


class _Test:
    def __init__(
        self,
        port: Port,
        procedure: Procedure,
        setup: Setup,
        operator: Operator | None,
        progress: Progress | None,
        cancelled: Callable[[], bool],
        capture: ByteSink | None,
        when: str,
        software: str,
        at_simulated: Callable[[SimulatedHands], Operator] | None,
    ) -> None:
        self.memory = BenchMemory()
        self._at_simulated = at_simulated
        self._when = when
        self._software = software
        self._port = port
        self._procedure = procedure
        self._setup = setup
        self._operator = operator
        self._watched = progress is not None
        self._progress: Callable[[Event], None] = progress or (lambda event: None)
        self._cancelled = cancelled
        self._board = BoardClient(port, CaptureWriter(capture) if capture is not None else None)
        self._board.idle = self._check_cancelled
        self._began_s = port.now_s()
        self._board.note(note="session", unit=setup.unit, procedure=procedure.name)
        self._records: dict[str, list[StepRecord]] = {}
        self._left_out: dict[str, str] = {}
        self._loads: dict[str, Load] = {}
        self._losses: dict[str, int] = {}
        self._reported: Mapping[str, int] = {}
        self._bench: Bench | None = None
        self._faults: list[BenchFault] = []
        self._board_text: dict[str, str] = {"address": port.address}
        self._interrupted: str | None = None
        self._rest = "unknown"
        self._mechanism = UNKNOWN
        self._short_proof = BenchProof("lamps", False, "not asked")
        self._current: Run | None = None
        self._run_began_s = self._began_s

    # --- the whole test

    def perform(self) -> None:
        try:
            self._open()
            self._go_through()
        except SetupError:
            raise
        except (Exception, KeyboardInterrupt) as error:
            self._interrupted = self._why(error)
            self._board.note(note="interrupted", text=self._interrupted)
        finally:
            self._secure()

    def _go_through(self) -> None:
        steps = self._procedure.steps
        for number, step in enumerate(steps, 1):
            if isinstance(step, RunStep) and step.live:
                continue  # carried on from the run before it
            if self._setup.stop_early and self._all_decided():
                self._tended.note(f"all limits were decided before step {step.name}: it and what follows was left out")
                for later in steps[number - 1 :]:
                    self._left_out[later.name] = "all limits were decided before"
                return
            self._step(step)

    def _secure(self) -> None:
        """Everything open, however often the keyboard is hit while that is being done."""
        problem: str | None = None
        while problem is None:
            try:
                problem = self._board.make_safe()
            except KeyboardInterrupt:
                continue
        if problem and not any(fault.code == "not-confirmed-open" for fault in self._faults):
            self._charge_bench(BenchFault("not-confirmed-open", problem, spoils=False))

    def _charge_bench(self, fault: BenchFault) -> None:
        if fault not in self._faults:
            self._faults.append(fault)
            self._board.note_fault(fault)

    def _why(self, error: BaseException) -> str:
        """The one line that says why the test was interrupted; a fault of the bench is noted as one."""
        if isinstance(error, Cancelled):
            return str(error) or "cancelled by the operator"
        if isinstance(error, KeyboardInterrupt):
            return "stopped from the keyboard"
        codes: Sequence[tuple[type[Exception], str]] = (
            (BoardTripped, "board-tripped"),
            (BoardRestarted, "board-restarted"),
            (BoardSilent, "board-silent"),
            (BoardRefused, "board-refused"),
            (BoardUnfit, "self-test"),
            (BoardFault, "board"),
            (ZeroError, "zero"),
            (PortError, "port-lost"),
        )
        code = next((code for kind, code in codes if isinstance(error, kind)), None)
        if code is None:
            _log.error("the test was broken off by an error in the program", exc_info=error)
            code, text = "program", f"an error in the program: {type(error).__name__}: {error}"
        else:
            text = str(error)
        self._charge_bench(BenchFault(code, text, spoils=False))
        return text

    def runs(self) -> tuple[Runs, ...]:
        otherwise = "the test was interrupted before" if self._interrupted is not None else ""
        runs = []
        for step in self._procedure.runs:
            records = tuple(self._records.get(step.name, ()))
            runs.append(Runs(step, records, self._left_out.get(step.name, "" if records else otherwise)))
        return tuple(runs)

    def record(self) -> TestRecord:
        """As it is by now."""
        return assemble(self._procedure, self._setup, self.runs(), self._story())

    def _story(self) -> Story:
        return Story(
            when=self._when,
            software=self._software,
            board=self._board_text,
            link={**self._board.link(), **self._losses},
            notes=tuple(self._bench.notes) if self._bench is not None else (),
            bench_faults=(*self._faults, *(self._bench.faults if self._bench is not None else ())),
            interrupted=self._interrupted,
        )

    def _check_cancelled(self) -> None:
        if self._cancelled():
            raise Cancelled

    @property
    def _tended(self) -> Bench:
        assert self._bench is not None, "the board was not opened"
        return self._bench

    def _all_decided(self) -> bool:
        return decided(self._verdicts(self.runs()))

    def _verdicts(self, runs: Sequence[Runs]) -> tuple[Verdict, ...]:
        """What these runs decide, at STOPPING_LEVEL, because it is evaluated every second."""
        measured = effective_measured(self._setup, combine(self._procedure, runs, self._setup.system_v), self._tended.faults)
        return judge_all(self._setup, measured, None, STOPPING_LEVEL)[1]

    # --- contact

    def _open(self) -> None:
        board = self._board
        description = board.open()
        names = ("maker's word", "model", "serial number", "firmware")
        self._board_text |= dict(zip(names, board.identity().split(","), strict=True))
        self._board_text["calibrated"] = _calibration_day(description.calibrated)
        board.note(note="board", board=self._board_text, lines=list(description_lines(description)))
        unit = board.simulated_unit()
        board.command("*CLS")
        if unit in ("NONE", "LINK"):
            raise SetupError(f"testing {self._setup.unit}: there is no unit in the simulated socket but {unit}; put one in")
        wrong = board.self_test()
        if wrong:
            raise BoardUnfit(f"the board at {self._port.address} fails its own self-test: {wrong}; have it put right")
        if unit is not None:
            hands = SimulatedHands(board, unit)
            self._operator = hands if self._at_simulated is None else self._at_simulated(hands)
            self._board_text["simulated unit"] = unit
        rated = load_for("rated", self._setup, description)
        off_s = self._began_s - self._setup.rested_s
        self.memory.meet(board.identity(), self._began_s)
        self._bench = Bench(board, description, self._setup, rated, self._operator, self._progress, off_s, self.memory)
        self._rated = rated
        self._choose_loads(description)
        self._choose_sampling(description)

    def _choose_sampling(self, description: BoardDescription) -> None:
        """Mode and range of the samples, as the test needs them."""
        mode = "PREC" if self._setup.precise else "FAST"
        if mode not in description.modes:
            raise SetupError(f"setting the sample mode: this board has no mode {mode}")
        self._board.command(f"SENS:MODE {mode}", "SENS:MODE?", mode)
        volts = [open_v(self._setup, self._rated, self._volts(step)) for step in self._procedure.runs]
        self._board.command(f"SENS:VOLT:RANG {format_number(round(range_reach_v(self._setup, volts), 2))}")

    def _choose_loads(self, description: BoardDescription) -> None:
        """The load of every step, before anything is switched. What goes beyond the rated load may be left out, and said."""
        for step in self._procedure.steps:
            if not isinstance(step, RunStep | ZeroStep):
                continue
            try:
                self._loads[step.name] = load_for(step.loads, self._setup, description)
            except SetupError as error:
                self._left_out[step.name] = str(error)
        if all(step.name in self._left_out for step in self._procedure.runs):
            raise SetupError(next(iter(self._left_out.values())))

    def _volts(self, step: RunStep) -> float:
        return step.supply_for(self._setup.system_v, self._setup.nominal_v)

    # --- steps

    def _step(self, step: Step) -> None:
        bench = self._tended
        if step.name in self._left_out:
            bench.note(f"step {step.name} left out: {self._left_out[step.name]}")
            return
        began = self._began(step)
        match step:
            case ZeroStep():
                if not self._setup.zero:
                    bench.note(f"step {step.name} left out: not asked for; zeros are the board's and those at rest")
                    return
                self._progress(began)
                if not bench.recall_zero():
                    bench.zero(self._loads[step.name], step.seconds)
            case RunStep():
                try:
                    self._make_starts(step, began)
                except BoardTripped as error:
                    self._secure()
                    if not self._is_short_in_unit(error, step):
                        raise
                    self._keep_short(step)
                else:
                    self._prove_lamps(step)
            case CoolStep():
                self._progress(began)
                bench.cool(step.seconds, step.title)
            case PromptStep():
                self._progress(began)
                bench.ask(Do(step.text))

    def _make_starts(self, step: RunStep, began: StepBegan) -> None:
        starts = self._starts(step)
        for start in range(1, starts + 1):
            self._progress(replace(began, start=start, starts=starts))
            self._tended.prepare(self._volts(step), self._cool_s(step), judged=bool(step.judge))
            self._run(step, start, starts)

    def _starts(self, step: RunStep) -> int:
        """How many starts to make: those of the step, or as many more of an earlier one as the limits ask."""
        if not step.starts_of:
            return step.starts
        asked = self._setup.starts_asked - sum(len(r.records) for r in self.runs() if r.step.name == step.starts_of)
        if asked > 0 and not self.record().outcome.on_unit and self._flashes(step.starts_of):
            return asked
        self._left_out[step.name] = "no further start is asked for" if asked <= 0 else "the outcome is against the unit already"
        return 0

    def _flashes(self, name: str) -> bool:
        """Whether the unit flashed in the last run of this step: a further start of one that stands still shows nothing."""
        records = self._records.get(name, [])
        return bool(records) and records[-1].measured.facts.get("behaviour", "") in ("flashing", "irregular", "too few")

    def _cool_s(self, step: RunStep) -> float:
        """How long unit and lamps must have been dark, by what is known of the unit's mechanism."""
        if step.electronic_cool_s is not None and self._mechanism in (ELECTRONIC, TWO_COIL):
            return step.electronic_cool_s
        return step.cool_s

    # --- one run, and those that carry it on

    def _run(self, step: RunStep, start: int, starts: int) -> None:
        bench = self._tended
        last = start == starts
        chain = [step, *(self._live_after(step) if last else ())]
        heaviest = max((self._loads[one.name] for one in chain), key=lambda load: len(load.numbers))
        run: Run | None = None
        try:
            bench.protect(heaviest, self._volts(step), sum(one.at_most_s for one in chain))
            while chain:
                one = chain.pop(0)
                run = self._begin(one, self._plan(one, start, starts) if one is step else self._plan(one, 1, 1), run)
                run.watch()
                chain = self._worth_going_on(one, run, chain)
                if chain:
                    run.close()
                else:
                    run.switch_off()
                    if self._watched and last and self._is_last(one):
                        runs = self._runs_with(one, self._recorded(run, None))
                        self._progress(Decided(assemble(self._procedure, self._setup, runs, self._story())))
                    run.finish()
                self._end(run, None)
        except (Exception, KeyboardInterrupt) as error:
            self._secure()
            # Whose a trip is, the bench's or the unit's, is seen afterwards.
            interrupted = str(error) if isinstance(error, BoardTripped) else self._why(error)
            if self._current is not None:
                self._end(self._current, interrupted)
            raise
        finally:
            bench.off_s = self._port.now_s()

    def _is_short_in_unit(self, error: BoardTripped, step: RunStep) -> bool:
        """Whether too much current flowed, and the same lamps are right without the unit: then it was the unit's, and not the bench's."""
        if error.cause not in (TripCause.CURR, TripCause.LATC) or not step.judge:
            return False
        try:
            self._go_on()
            proof = self._tended.prove_lamps(self._loads[step.name])
            if proof.proved:
                self._go_on()
                self._short_proof = proof
        except (BoardFault, PortError, SetupError, Cancelled) as other:
            _log.info("proving the lamps after a trip: %s", other)
            return False
        return proof.proved

    def _go_on(self) -> None:
        """Work with the board again after everything was opened."""
        self._board.go_on(self._check_cancelled)
        self._choose_sampling(self._tended.description)

    def _keep_short(self, step: RunStep) -> None:
        """The run showed that the unit is shorted, and nothing else."""
        proof = self._short_proof
        measured = Measured({}, {"behaviour": "shorted"}, (), (proof,))
        load, volts = self._loads[step.name], self._volts(step)
        self._board.note(
            note="shorted", step=step.name, title=step.title, loads=load.numbers, text=load.text, volts=volts, proof=proof.text
        )
        now_s = self._port.now_s() - self._began_s
        record = StepRecord(step.name, step.title, load.numbers, load.text, now_s, 0.0, measured, 0, 0, volts)
        whole = [r for r in self._records.get(step.name, ()) if r.interrupted is None]
        self._records[step.name] = [*whole, record]
        for one in self._live_after(step):
            self._left_out[one.name] = "the unit is shorted"

    def _prove_lamps(self, step: RunStep) -> None:
        """Where the unit lit no lamp, have them proved by the link: only then may it be blamed."""
        records = self._records.get(step.name, [])
        load = self._loads[step.name]
        if not step.judge or not records or self._interrupted is not None or not load.watts or not self._setup.filament:
            return
        measured = records[-1].measured
        if spoiling((*self._tended.faults, *measured.bench_faults)) or any(p.proved for p in measured.proofs if p.item == "lamps"):
            return
        proof = self._tended.prove_lamps(load)
        self._board.note(note="lamps proved", step=step.name, proved=proof.proved, text=proof.text)
        records[-1] = replace(records[-1], measured=with_proof(measured, proof))

    def _begin(self, step: RunStep, plan: Plan, before: Run | None) -> Run:
        """A run that has just been switched on, or that carries on the one before it live."""
        bench = self._tended
        may_stop = self._setup.stop_early and not step.live

        def enough(measured: Measured) -> bool:
            if step.until_decided:
                runs = self._runs_with(step, _so_far(step, measured))
                return is_settled(self._procedure, self._setup, runs, bench.faults, STOPPING_LEVEL)
            return may_stop and self._decided_with(step, measured)

        run = Run(self._board, bench.description, plan, self._tell, enough)
        self._current, self._run_began_s = run, self._port.now_s()
        if before is not None:
            self._progress(self._began(step))
        self._board.note(
            note="run", step=step.name, name=plan.name, title=plan.title, loads=plan.load.numbers, text=plan.load.text, volts=plan.volts,
            live=before is not None,
        )  # fmt: skip
        if before is None:
            run.start()
        else:
            run.carry_on(before)
        return run

    def _end(self, run: Run, interrupted: str | None) -> None:
        """The run is over, or was broken off: keep what it has come to."""
        self._current = None
        record = self._recorded(run, interrupted)
        self._records.setdefault(run.plan.step.name, []).append(record)
        self._add_losses(self._losses, run)
        self._board.note(note="end", stopped_early=run.stopped_early, interrupted=interrupted)
        facts = record.measured.facts
        self._rest = facts["rest"] if facts.get("rest", "unknown") != "unknown" else self._rest
        self._mechanism = facts["mechanism"] if facts.get("mechanism", UNKNOWN) != UNKNOWN else self._mechanism

    def _worth_going_on(self, step: RunStep, run: Run, chain: list[RunStep]) -> list[RunStep]:
        """Those of the live steps to come that can still show something of this unit; the others are left out, and why is kept."""
        if not chain:
            return []
        measured = snapshot(run.analysis, run.plan.counts)
        doing = measured.facts.get("behaviour")
        kept: list[RunStep] = []
        for one in chain:
            if doing in ("dark", "no supply", "one flash"):
                self._left_out[one.name] = f"the unit did not flash: {doing}"
            elif doing == "steady on" and one.loads == "one-out" and not step.live:
                self._left_out[one.name] = "the lamps stay on: one lamp less shows nothing"
            elif not step.live and self._is_hopeless(step, run):
                self._left_out[one.name] = "the outcome is against the unit already, on any load"
            else:
                kept.append(one)
        return kept

    def _is_hopeless(self, step: RunStep, run: Run) -> bool:
        """Whether the bench is at fault, or the unit for something that no other load explains."""
        record = assemble(self._procedure, self._setup, self._runs_with(step, self._recorded(run, None)), self._story())
        by_load = any(v.conformity is Conformity.FAIL and set(_quantities(v.limit)) & {"rate_per_min", "on_ratio"} for v in record.verdicts)
        return record.outcome is Outcome.BENCH_FAULT or (record.outcome is Outcome.NOT_GOOD and not by_load)

    def _began(self, step: Step) -> StepBegan:
        steps, load = self._procedure.steps, self._loads.get(step.name)
        began = StepBegan(step.name, step.title, step.text, steps.index(step) + 1, len(steps))
        if load is None:
            return began
        return replace(began, load=load.text, lamps=len(load.sockets), live=isinstance(step, RunStep) and step.live)

    def _live_after(self, step: RunStep) -> tuple[RunStep, ...]:
        """The steps that carry this one on, those left out not among them."""
        steps = self._procedure.steps
        found: list[RunStep] = []
        for later in steps[steps.index(step) + 1 :]:
            if not (isinstance(later, RunStep) and later.live):
                break
            if later.name not in self._left_out:
                found.append(later)
        return tuple(found)

    def _plan(self, step: RunStep, start: int, starts: int) -> Plan:
        load, volts = self._loads[step.name], self._volts(step)
        last = start == starts and not step.starts_of
        counts = LIVE_COUNTS if step.live else self._setup.counts
        return Plan(
            step=step,
            name=step.name if starts == 1 else f"{step.name}-{start}",
            title=step.title if starts == 1 else f"{step.title} (start {start} of {starts})",
            load=load,
            volts=volts,
            wanted=max(step.cycles, counts.skip + counts.average) if last else _EARLIER_START,
            counts=counts,
            conditions=conditions_for(self._setup, self._rated, load, volts),
            closed=self._rest == "closed",
        )
    def _recorded(self, run: Run, interrupted: str | None) -> StepRecord:
        """What a run has come to by now."""
        plan = run.plan
        return StepRecord(
            name=plan.name,
            title=plan.title,
            loads=plan.load.numbers,
            load_text=plan.load.text,
            began_s=self._run_began_s - self._began_s,
            lasted_s=self._port.now_s() - self._run_began_s,
            measured=run.measured,
            cycles=run.analysis.cycles_complete,
            cycles_excluded=run.analysis.cycles_excluded,
            supply_v=plan.volts,
            stopped_early=run.stopped_early,
            interrupted=interrupted,
            lamps_w=plan.load.watts,
        )

    def _is_last(self, step: RunStep) -> bool:
        """Whether nothing comes after this step that could change the verdict."""
        steps = self._procedure.steps
        return all(later.name in self._left_out for later in steps[steps.index(step) + 1 :])

    @staticmethod
    def _add_losses(losses: dict[str, int], run: Run) -> None:
        for kind, count in run.analysis.losses.items():
            losses[kind] = losses.get(kind, 0) + count

    def _tell(self, event: Event) -> None:
        self._progress(event)
        if not self._watched or not isinstance(event, Live):
            return
        if event.measured is not None and self._current is not None:
            runs = self._runs_with(self._current.plan.step, _so_far(self._current.plan.step, event.measured))
            self._progress(SoFar(self._verdicts(runs)))
        counts = {**self._board.link(), **self._losses}
        if self._current is not None:
            self._add_losses(counts, self._current)
        if counts != self._reported and any(counts.values()):
            self._reported = counts
            self._progress(Damage(counts))

    def _runs_with(self, step: RunStep, record: StepRecord) -> tuple[Runs, ...]:
        """The runs so far, and this one as if it were over."""
        return tuple(replace(r, records=(*r.records, record)) if r.step.name == step.name else r for r in self.runs())

    def _decided_with(self, step: RunStep, measured: Measured) -> bool:
        """Whether, were the run at hand to end now, every limit that no later step speaks to would be decided."""
        runs = self._runs_with(step, _so_far(step, measured))
        steps = self._procedure.runs
        later = {quantity for s in steps[steps.index(step) + 1 :] for quantity in s.judge}
        return decided([v for v in self._verdicts(runs) if not later & set(_quantities(v.limit))])


def _so_far(step: RunStep, measured: Measured) -> StepRecord:
    """A run that goes on, as if it were over."""
    return StepRecord(step.name, step.title, (), "", 0.0, 0.0, measured, 0, 0)


def _calibration_day(number: int) -> str:
    """20261125 as 2026-11-25; a board that was never calibrated says so."""
    text = f"{number:08d}"
    return f"{text[:4]}-{text[4:6]}-{text[6:]}" if number else "never; its scales are the built-in ones"


def _quantities(requirement: Requirement) -> tuple[str, ...]:
    """The quantities that a requirement speaks of, alternatives included."""
    match requirement:
        case Limit(quantity=quantity):
            return (quantity,)
        case AllOf(limits=parts) | AnyOf(alternatives=parts):
            return tuple(q for part in parts for q in _quantities(part))
        case _:
            return ()
