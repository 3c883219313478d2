"""A run of the unit from one switching-on to the next switching-off: the step itself, and the steps that carry it on live."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

from bench.board import BoardClient
from bench.combine import StepRuns
from bench.measure import Measured
from bench.measure.mechanism import UNKNOWN
from bench.outcome import Outcome
from bench.procedure import RunStep, Step
from bench.record import StepRecord
from bench.run_plan import LIVE_COUNTS, RunPlan, snapshot
from bench.session.bench_operations import BenchOperations
from bench.session.ledger import Ledger, quantities_of, so_far
from bench.session.progress import Damage, Decided, Event, Live, Progress, SoFar, StepBegan
from bench.session.run import UnitRun
from bench.setup import RunLoad, conditions_for
from bench.verdict import Conformity

# Cycles of a start that is only timed: its first extinction. A two-coil unit's blip at switch-on is a cycle of its own before that.
_EARLIER_START = 2
_TELLING_START = 4  # cycles by which the mechanism is told, where cooling depends on it
AT_FAULT = "the bench is at fault"
_ON_OTHER_LOADS = frozenset({"rate_per_min", "rate_total_per_min", "on_ratio"})


class Chain:
    """`drive` it once for each start. `progress` is told as it goes; with none, nothing is computed for it.

    `loads`: that of each step by name, `rated` the one that the unit is for. `began_s`: when the test began, on the port's clock.
    """

    def __init__(
        self,
        board: BoardClient,
        bench: BenchOperations,
        ledger: Ledger,
        loads: Mapping[str, RunLoad],
        rated: RunLoad,
        began_s: float,
        progress: Progress | None,
    ) -> None:
        self._board = board
        self._bench = bench
        self._ledger = ledger
        self._loads = loads
        self._rated = rated
        self._began_s = began_s
        self._watched = progress is not None
        self._progress: Callable[[Event], None] = progress or (lambda event: None)
        self._current: UnitRun | None = None
        self._run_began_s = began_s
        self._reported: Mapping[str, int] = {}

    def drive(self, step: RunStep, start: int, starts: int) -> None:
        """One start of `step`; after the last, the live steps that follow it, as long as they can still show something.

        A fault of the bench ends the test: the steps that follow are then left out.
        """
        last = start == starts
        steps = [step, *(self._live_after(step) if last else ())]
        heaviest = max((self._loads[one.name] for one in steps), key=lambda load: len(load.numbers))
        self._bench.protect(heaviest, self._volts(step), sum(one.at_most_s for one in steps))
        run: UnitRun | None = None
        while steps:
            one = steps.pop(0)
            run = self._begin(one, self._plan(one, start, starts) if one is step else self._plan(one, 1, 1), run)
            run.watch()
            steps = self._worth_going_on(one, run, steps)
            if steps:
                run.close()
            else:
                run.switch_off()
                self._come_to_end(one, run, last)
                run.finish()
            self._end(run, None)

    def broken_off(self, why: str | None) -> UnitRun | None:
        """Everything was opened in the middle of a run: keep what it has come to, and return it; None if there is none.

        `why` is None if the run was over for the unit.
        """
        run = self._current
        if run is not None:
            self._end(run, why)
        return run

    def _begin(self, step: RunStep, plan: RunPlan, before: UnitRun | None) -> UnitRun:
        """A run that has just been switched on, or that carries on the one before it live."""
        ledger = self._ledger
        may_stop = ledger.setup.stop_early and not step.live

        def enough(measured: Measured) -> bool:
            return ledger.is_settled(step, measured) if step.until_decided else may_stop and ledger.is_decided(step, measured)

        run = UnitRun(self._board, self._bench.description, plan, self._tell, enough)
        self._current, self._run_began_s = run, self._board.port.now_s()
        if before is not None:
            steps = ledger.procedure.steps
            load = plan.load
            place = steps.index(step) + 1, len(steps)
            self._progress(StepBegan(step.name, step.title, step.text, *place, load=load.text, lamps=len(load.lamps), live=True))
        self._board.note(
            note="run", step=step.name, name=plan.name, title=plan.title, loads=plan.load.numbers, text=plan.load.text, volts=plan.volts,
            live=before is not None,
        )  # fmt: skip
        if before is None:
            run.start()
        else:
            run.carry_on(before)
        return run

    def _end(self, run: UnitRun, interrupted: str | None) -> None:
        """The run is over, or was broken off: into the ledger with it."""
        self._current = None
        self._ledger.keep(run.plan.step, self._recorded(run, interrupted), run.analysis.losses)
        self._board.note(note="end", stopped_early=run.stopped_early, interrupted=interrupted)

    def _plan(self, step: RunStep, start: int, starts: int) -> RunPlan:
        setup, load, volts = self._ledger.setup, self._loads[step.name], self._volts(step)
        last = start == starts and not step.starts_of
        counts = LIVE_COUNTS if step.live else setup.counts
        return RunPlan(
            step=step,
            name=step.name if starts == 1 else f"{step.name}-{start}",
            title=step.title if starts == 1 else f"{step.title} (start {start} of {starts})",
            load=load,
            volts=volts,
            wanted=max(step.cycles, counts.skip + counts.average) if last else self._earlier_start(step),
            counts=counts,
            conditions=conditions_for(setup, self._rated, load, volts, self._bench.description),
            closed=self._ledger.rest == "closed",
        )

    def _earlier_start(self, step: RunStep) -> int:
        unknown = step.electronic_cool_s is not None and self._ledger.mechanism == UNKNOWN
        return _TELLING_START if unknown else _EARLIER_START

    def _volts(self, step: RunStep) -> float:
        return step.supply_for(self._ledger.setup.system_v, self._ledger.setup.nominal_v)

    def _recorded(self, run: UnitRun, interrupted: str | None) -> StepRecord:
        """What a run has come to by now."""
        plan = run.plan
        return StepRecord(
            name=plan.name,
            title=plan.title,
            loads=plan.load.numbers,
            load_text=plan.load.text,
            began_s=self._run_began_s - self._began_s,
            lasted_s=self._board.port.now_s() - self._run_began_s,
            measured=run.measured,
            cycles=run.analysis.cycles_complete,
            cycles_excluded=run.analysis.cycles_excluded,
            supply_v=plan.volts,
            stopped_early=run.stopped_early,
            interrupted=interrupted,
            lamps_w=plan.load.watts,
            flashes=run.flashes,
        )

    # --- the live steps

    def _live_after(self, step: RunStep) -> list[RunStep]:
        """The steps that carry this one on, those left out not among them."""
        steps = self._ledger.procedure.steps
        found: list[RunStep] = []
        for later in steps[steps.index(step) + 1 :]:
            if not (isinstance(later, RunStep) and later.live):
                break
            if later.name not in self._ledger.left_out:
                found.append(later)
        return found

    def _worth_going_on(self, step: RunStep, run: UnitRun, steps: list[RunStep]) -> list[RunStep]:
        """Those of the live steps to come that can still show something of this unit; why the others cannot is kept."""
        if not steps:
            return []
        doing = snapshot(run.analysis, run.plan.counts).facts.get("behaviour")
        spoilt = self._ledger.is_spoilt(self._ledger.runs(step, self._recorded(run, None)))
        hopeless = spoilt or (not step.live and self._is_hopeless(step, run))
        kept: list[RunStep] = []
        for one in steps:
            if doing in ("dark", "no supply", "one flash") and one.loads != "own":
                self._ledger.left_out[one.name] = f"the unit did not flash: {doing}"
            elif doing == "steady on" and one.loads == "one-out" and not step.live:
                self._ledger.left_out[one.name] = "the lamps stay lit: one lamp less shows nothing"
            elif hopeless:
                self._ledger.left_out[one.name] = "the outcome is certain on any load"
            else:
                kept.append(one)
        return kept

    def _is_hopeless(self, step: RunStep, run: UnitRun) -> bool:
        """Whether the bench is at fault, or the unit for something that no other load explains."""
        record = self._ledger.record(self._ledger.runs(step, self._recorded(run, None)))
        failed = (v for v in record.verdicts if v.conformity is Conformity.FAIL)
        by_load = any(set(quantities_of(v.limit)) & _ON_OTHER_LOADS for v in failed)
        return record.outcome is Outcome.BENCH_FAULT or (record.outcome is Outcome.NOT_GOOD and not by_load)

    # --- telling

    def _come_to_end(self, step: RunStep, run: UnitRun, last: bool) -> None:
        """The unit was sent off: the record as it will be, unless something comes that could change it."""
        ledger = self._ledger
        recorded = self._recorded(run, None)
        spoilt = ledger.is_spoilt(ledger.runs(step, recorded))
        if spoilt:
            ledger.leave_out_after(step, AT_FAULT)
        runs = ledger.runs(step, recorded)
        if self._watched and (spoilt or (last and not self._may_change(step, runs))):
            ledger.is_announced = True
            self._progress(Decided(ledger.record(runs)))

    def _may_change(self, step: RunStep, runs: Sequence[StepRuns]) -> bool:
        """Whether something comes after `step` that could change what is said: a further step, or lamps that are to be proved."""
        later = self._ledger.procedure.steps[self._ledger.procedure.steps.index(step) + 1 :]
        if any(self._is_to_come(one, runs) for one in later):
            return True
        lit = (r.records[-1] for r in runs if r.step.judge and r.step.loads == "rated" and r.records)
        return not all(any(proof.proved for proof in record.measured.proofs if proof.item == "lamps") for record in lit)

    def _is_to_come(self, step: Step, runs: Sequence[StepRuns]) -> bool:
        if step.name in self._ledger.left_out:
            return False
        return not isinstance(step, RunStep) or self._ledger.starts_wanted(step, runs) > 0

    def _tell(self, event: Event) -> None:
        self._progress(event)
        if not self._watched or not isinstance(event, Live):
            return
        ledger, current = self._ledger, self._current
        if event.measured is not None and current is not None:
            step = current.plan.step
            self._progress(SoFar(ledger.verdicts(ledger.runs(step, so_far(step, event.measured)))))
        counts = {**self._board.link(), **ledger.losses}
        for kind, count in (current.analysis.losses if current is not None else {}).items():
            counts[kind] = counts.get(kind, 0) + count
        if counts != self._reported and any(counts.values()):
            self._reported = counts
            self._progress(Damage(counts))
