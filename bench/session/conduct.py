"""Drives a board and a unit through a procedure, and always leaves every load open and an honest record.

An edge. What came before an interruption is kept in the record, marked; only whole runs are judged. A fault of the board, the
port or the program is the bench's: it never counts against the unit.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import BinaryIO

from bench.description import description_lines
from bench.limits import AllOf, AnyOf, Limit, Requirement
from bench.measure import BenchFault, Measured
from bench.ports import Port, PortError
from bench.ports.replay import CaptureWriter
from bench.procedure import CoolStep, Procedure, PromptStep, RunStep, Step, ZeroStep
from bench.record import StepRecord, TestRecord
from bench.session.assemble import Story, assemble, judged
from bench.session.board import BoardClient, BoardFault, BoardRefused, BoardRestarted, BoardSilent, BoardTripped
from bench.session.combine import Runs, combine
from bench.session.operator import Action, Cool, Do, FitLink, FitUnit, Operator, SetSupply, SimulatedHands
from bench.session.progress import Asked, Damage, Event, Live, Noted, Progress, StepBegan, Waiting
from bench.session.run import LOOK_S, REST_S, Plan, Run
from bench.session.setup import (
    Load,
    Setup,
    SetupError,
    conditions_for,
    load_for,
    on_time_s,
    open_v,
    protection_a,
    range_reach_v,
)
from bench.session.watch import Watch
from bench.uncertainty import TypeA
from bench.verdict import decided
from bench.wire import format_number
from bench.zero import LinkReadings, ZeroError, zeroed

_SUPPLY_TRIES = 3
_SETTLE_S = 1.0

_log = logging.getLogger(__name__)


class Cancelled(Exception):
    """The operator has had enough."""


def run_test(
    port: Port,
    procedure: Procedure,
    setup: Setup,
    *,
    operator: Operator | None = None,
    progress: Progress | None = None,
    cancelled: Callable[[], bool] | None = None,
    when: str,
    software: str,
    capture: BinaryIO | None = None,
) -> TestRecord:
    """Run `procedure` on the board behind `port`; the record says how far it came.

    `operator` does what hands must do; a simulated board does that by itself, and only for a real one it is needed (by procedures
    with such steps). `cancelled` is asked some twenty times a second. `when` and `software` go into the record as they are.
    `capture` gets everything that was received (format: bench.ports.replay). Raises SetupError if this board can't do the test;
    everything else ends in a record.
    """
    test = _Test(port, procedure, setup, operator, progress or (lambda event: None), cancelled or (lambda: False), capture)
    test.perform()
    return assemble(procedure, setup, test.runs(), test.story(when, software))


class _Test:
    def __init__(
        self,
        port: Port,
        procedure: Procedure,
        setup: Setup,
        operator: Operator | None,
        progress: Callable[[Event], None],
        cancelled: Callable[[], bool],
        capture: BinaryIO | None,
    ) -> None:
        self._port = port
        self._procedure = procedure
        self._setup = setup
        self._hands = operator
        self._progress = progress
        self._cancelled = cancelled
        self._board = BoardClient(port, CaptureWriter(capture) if capture is not None else None)
        self._board.idle = self._check_cancelled
        self._began_s = port.now_s()
        self._board.note(note="session", unit=setup.unit, procedure=procedure.name)
        self._off_s = self._began_s - setup.rested_s
        self._supply_v: float | None = None
        self._records: dict[str, list[StepRecord]] = {}
        self._left_out: dict[str, str] = {}
        self._loads: dict[str, Load] = {}
        self._losses: dict[str, int] = {}
        self._reported: Mapping[str, int] = {}
        self._notes: list[str] = []
        self._faults: list[BenchFault] = []
        self._board_text: dict[str, str] = {"address": port.address}
        self._interrupted: str | None = None
        self._rest = "unknown"
        self._current: Run | None = None

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
            if self._setup.stop_early and self._all_decided():
                self._note(f"all limits were decided before step {step.name}: it and what follows was left out")
                for later in steps[number - 1 :]:
                    self._left_out[later.name] = "all limits were decided before"
                return
            self._step(step, number)

    def _secure(self) -> None:
        """Everything open, also when the keyboard is hit again while that is being done."""
        try:
            problem = self._board.make_safe()
        except KeyboardInterrupt:
            problem = self._board.make_safe()
        if problem and not any(fault.code == "not-confirmed-open" for fault in self._faults):
            self._faults.append(BenchFault("not-confirmed-open", problem, spoils=False))

    def _why(self, error: BaseException) -> str:
        """The one line that says why the test was interrupted; a fault of the bench is noted as one."""
        if isinstance(error, Cancelled):
            return "cancelled by the operator"
        if isinstance(error, KeyboardInterrupt):
            return "stopped from the keyboard"
        codes: Sequence[tuple[type[Exception], str]] = (
            (BoardTripped, "board-tripped"),
            (BoardRestarted, "board-restarted"),
            (BoardSilent, "board-silent"),
            (BoardRefused, "board-refused"),
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
        fault = BenchFault(code, text, spoils=False)
        if fault not in self._faults:
            self._faults.append(fault)
        return text

    def runs(self) -> tuple[Runs, ...]:
        otherwise = "the test was interrupted before" if self._interrupted is not None else ""
        runs = []
        for step in self._procedure.runs:
            records = tuple(self._records.get(step.name, ()))
            runs.append(Runs(step, records, self._left_out.get(step.name, "" if records else otherwise)))
        return tuple(runs)

    def story(self, when: str, software: str) -> Story:
        return Story(
            when=when,
            software=software,
            board=self._board_text,
            link={**self._board.link(), **self._losses},
            notes=tuple(self._notes),
            bench_faults=tuple(self._faults),
            interrupted=self._interrupted,
        )

    def _check_cancelled(self) -> None:
        if self._cancelled():
            raise Cancelled

    def _note(self, text: str) -> None:
        self._notes.append(text)
        self._progress(Noted(text))

    def _all_decided(self) -> bool:
        return decided(judged(self._setup, combine(self._procedure, self.runs()))[1])

    # --- contact

    def _open(self) -> None:
        board = self._board
        self._description = board.open()
        names = ("maker's word", "model", "serial number", "firmware")
        self._board_text |= dict(zip(names, board.identity().split(","), strict=True))
        self._note_board()
        unit = board.simulated_unit()
        board.command("*CLS")
        if unit is not None:
            self._hands = SimulatedHands(board, unit)
            self._board_text["simulated unit"] = unit
        self._choose_loads()
        mode = "PREC" if self._setup.precise else "FAST"
        if mode not in self._description.modes:
            raise SetupError(f"setting the sample mode: this board has no mode {mode}")
        board.command(f"SENS:MODE {mode}", "SENS:MODE?", mode)
        volts = [self._open_v(self._volts(step)) for step in self._procedure.runs]
        board.command(f"SENS:VOLT:RANG {format_number(round(range_reach_v(self._setup, volts), 2))}")

    def _note_board(self) -> None:
        self._board.note(note="board", board=self._board_text, lines=list(description_lines(self._description)))

    def _choose_loads(self) -> None:
        """The load of every step, before anything is switched. What goes beyond the rated load may be left out, and said."""
        self._rated = load_for("rated", self._setup, self._description)
        for step in self._procedure.steps:
            if not isinstance(step, RunStep | ZeroStep):
                continue
            try:
                self._loads[step.name] = load_for(step.loads, self._setup, self._description)
            except SetupError as error:
                self._left_out[step.name] = str(error)
        if all(step.name in self._left_out for step in self._procedure.runs):
            raise SetupError(next(iter(self._left_out.values())))

    def _volts(self, step: RunStep) -> float:
        return step.supply_for(self._setup.system_v, self._setup.nominal_v)

    def _open_v(self, volts: float) -> float:
        return open_v(self._setup, self._rated, volts)

    # --- steps

    def _step(self, step: Step, number: int) -> None:
        if step.name in self._left_out:
            self._note(f"step {step.name} left out: {self._left_out[step.name]}")
            return
        began = StepBegan(step.name, step.title, step.text, number, len(self._procedure.steps))
        match step:
            case ZeroStep():
                if not self._setup.zero:
                    self._note(f"step {step.name} left out: not asked for; zeros are those of the board and of the rest before a run")
                    return
                self._progress(began)
                self._zero(step)
            case RunStep():
                for start in range(1, step.starts + 1):
                    self._progress(replace(began, start=start, starts=step.starts))
                    self._prepare(step)
                    self._run(step, start)
            case CoolStep():
                self._progress(began)
                self._cool(step.seconds, step.title)
            case PromptStep():
                self._progress(began)
                self._ask(Do(step.text))

    def _ask(self, action: Action) -> bool:
        """Have it done; True if it is certainly done as asked."""
        if self._hands is None:
            raise SetupError(f"this procedure needs hands at the bench ({type(action).__name__}), and nobody was named to do it")
        self._progress(Asked(action))
        self._check_cancelled()
        return bool(self._hands.do(action))

    def _prepare(self, step: RunStep) -> None:
        """Supply first, since setting it may put volts on the unit; then rest until lamps and unit are cold."""
        self._set_supply(self._volts(step))
        rested_s = self._port.now_s() - self._off_s
        if rested_s < step.cool_s:
            self._cool(step.cool_s - rested_s, "cooling")

    def _cool(self, seconds: float, what: str) -> None:
        if self._hands is not None and self._hands.do(Cool(seconds)):
            self._off_s -= seconds
            return
        until_s = self._port.now_s() + seconds
        while (left_s := until_s - self._port.now_s()) > 0.0:
            self._progress(Waiting(what, left_s))
            self._board.attend(min(1.0, left_s))

    def _set_supply(self, volts: float) -> None:
        """See that the supply is right: ask only if it is not, and look again after the person says it is."""
        if self._supply_v == volts:
            return
        wanted = SetSupply(volts, self._open_v(volts))
        simulated = isinstance(self._hands, SimulatedHands)
        for _ in range(_SUPPLY_TRIES):
            if not simulated and self._supply_is(wanted):
                break
            if self._ask(wanted):
                break
        else:
            if not self._supply_is(wanted):
                self._note(f"the supply is not at {wanted.open_v:.2f} V without load; the test goes on, and says what it finds")
        self._supply_v = volts

    def _supply_is(self, wanted: SetSupply) -> bool:
        """Whether the unit's input shows the supply's voltage without load, within 2.5 %."""
        readings = self._look({"master": (True, ())}, REST_S)["master"]
        v_in = readings.get("v_in")
        return v_in is None or abs(v_in.mean - wanted.open_v) <= 0.025 * wanted.open_v

    def _look(self, phases: Mapping[str, tuple[bool, Sequence[int]]], seconds: float) -> dict[str, Mapping[str, TypeA]]:
        """Readings of all channels with the master switch and loads as each phase says, after a while to settle."""
        board = self._board
        watch = Watch(self._description)
        found: dict[str, Mapping[str, TypeA]] = {}
        board.listener = watch
        board.start_sampling()
        for name, (master, loads) in phases.items():
            if loads:
                board.close_loads(loads)
            board.switch_master(master)
            board.attend(_SETTLE_S if loads else LOOK_S)
            watch.restart()
            board.attend(seconds)
            found[name] = watch.readings()
        board.all_open()
        if any(loads for _, loads in phases.values()):
            self._off_s = self._port.now_s()
        board.stop_sampling()
        board.listener = None
        return found

    def _zero(self, step: ZeroStep) -> None:
        load = self._loads[step.name]
        self._ask(FitLink())
        self._protect(load, self._setup.nominal_v, 2.0 * step.seconds + 5.0)
        self._set_supply(self._setup.nominal_v)
        readings = self._look({"rest": (False, ()), "off": (True, ()), "on": (True, load.numbers)}, step.seconds)
        self._description = zeroed(self._description, LinkReadings(**readings))
        self._board.note(note="zero", **{phase: _plain(found) for phase, found in readings.items()})
        self._note(f"zeros read with the shorting link on {load.text}")
        self._ask(FitUnit(self._setup.unit))

    # --- switching

    def _protect(self, load: Load, volts: float, at_most_s: float) -> None:
        level = protection_a(self._setup, load, volts, self._description)
        if level is not None:
            self._board.set_number("CURR:PROT", level)
        longest = on_time_s(at_most_s, self._description)
        if longest is not None:
            self._board.set_number("OUTP:PROT:TIME", longest)

    # --- one run

    def _run(self, step: RunStep, start: int) -> None:
        load, volts = self._loads[step.name], self._volts(step)
        last = start == step.starts
        counts = self._setup.counts
        plan = Plan(
            step=step,
            load=load,
            volts=volts,
            wanted=max(step.cycles, counts.skip + counts.average) if last else 1,
            counts=counts,
            conditions=conditions_for(self._setup, self._rated, load, volts),
            closed=self._rest == "closed",
        )
        may_stop = last and self._setup.stop_early
        run = Run(self._board, self._description, plan, self._tell, lambda measured: may_stop and self._decided_with(step, measured))
        self._current = run
        name = step.name if step.starts == 1 else f"{step.name}-{start}"
        title = step.title if step.starts == 1 else f"{step.title} (start {start} of {step.starts})"
        began_s = self._port.now_s()
        self._board.note(note="run", step=step.name, name=name, title=title, loads=load.numbers, text=load.text, volts=volts)
        interrupted = None
        try:
            self._protect(load, volts, step.at_most_s)
            run.drive()
        except (Exception, KeyboardInterrupt) as error:
            self._secure()
            interrupted = self._why(error)
            raise
        finally:
            self._current = None
            self._off_s = self._port.now_s()
            measured = run.measured
            record = StepRecord(
                name=name,
                title=title,
                loads=load.numbers,
                load_text=load.text,
                began_s=began_s - self._began_s,
                lasted_s=self._off_s - began_s,
                measured=measured,
                cycles=run.analysis.cycles_complete,
                cycles_excluded=run.analysis.cycles_excluded,
                supply_v=volts,
                stopped_early=run.stopped_early,
                interrupted=interrupted,
            )
            self._records.setdefault(step.name, []).append(record)
            self._add_losses(self._losses, run)
            self._board.note(note="end", stopped_early=run.stopped_early, interrupted=interrupted)
        rest = measured.facts.get("rest", "unknown")
        self._rest = rest if rest != "unknown" else self._rest

    @staticmethod
    def _add_losses(losses: dict[str, int], run: Run) -> None:
        for kind, count in run.analysis.losses.items():
            losses[kind] = losses.get(kind, 0) + count

    def _tell(self, live: Live) -> None:
        self._progress(live)
        counts = {**self._board.link(), **self._losses}
        if self._current is not None:
            self._add_losses(counts, self._current)
        if counts != self._reported and any(counts.values()):
            self._reported = counts
            self._progress(Damage(counts))

    def _decided_with(self, step: RunStep, measured: Measured) -> bool:
        """Whether, were the run at hand to end now, every limit that no later step speaks to would be decided."""
        now = StepRecord(step.name, step.title, (), "", 0.0, 0.0, measured, 0, 0)
        runs = tuple(replace(r, records=(*r.records, now)) if r.step.name == step.name else r for r in self.runs())
        steps = self._procedure.runs
        later = {quantity for s in steps[steps.index(step) + 1 :] for quantity in s.judge}
        verdicts = judged(self._setup, combine(self._procedure, runs))[1]
        return decided([v for v in verdicts if not later & set(_quantities(v.limit))])


def _quantities(requirement: Requirement) -> tuple[str, ...]:
    """The quantities that a requirement speaks of, alternatives included."""
    match requirement:
        case Limit(quantity=quantity):
            return (quantity,)
        case AllOf(limits=parts) | AnyOf(alternatives=parts):
            return tuple(q for part in parts for q in _quantities(part))
        case _:
            return ()


def _plain(readings: Mapping[str, TypeA]) -> dict[str, tuple[float, float, int]]:
    """Readings as a note keeps them: mean, standard deviation, number."""
    return {name: (r.mean, r.s, r.n) for name, r in readings.items()}
