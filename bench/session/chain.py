"""A run of the unit from one switching-on to the next switching-off: the step itself, and the steps that carry it on live.

Strategy. One `sampling` context spans the whole chain, so that a load that is switched live is seen without a gap; each of its steps is a
`UnitRun` with an analysis of its own, and the one before it is over, and in the ledger, before the next begins. After each it is asked
what the live steps to come could still show. Once a second what the run shows is judged, once: the same judgement is told (`SoFar`) and
says whether to go on.

When the unit is switched off, and nothing that follows could change what is said, the result is told (`Decided`) at once. From then on it
stands (`Ledger.is_announced`): half a second passes before the board has confirmed that everything is open, and what happens in it is
noted.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

from bench.combine import StepRuns
from bench.measure import UNKNOWN, FactName, Measured, ProofItem, RestState, UnitBehaviour
from bench.outcome import Outcome
from bench.procedure import RunStep, Step
from bench.record import StepRecord
from bench.run_plan import LIVE_COUNTS, RunPlan, provisional, snapshot
from bench.session.ledger import Ledger, quantities_of
from bench.session.opening import OpenedBench
from bench.session.progress import Damage, Decided, Event, Live, Progress, SoFar, StepBegan
from bench.session.run import LOOK_S, UnitRun
from bench.setup import conditions_for
from bench.verdict import Conformity

# Cycles of a start that is only timed: its first extinction. A two-coil unit's blip at switch-on is a cycle of its own before that.
_EARLIER_START = 2
_TELLING_START = 4  # cycles by which the mechanism is told, where cooling depends on it
AT_FAULT = "the bench is at fault"
_ON_OTHER_LOADS = frozenset({"rate_per_min", "rate_total_per_min", "on_ratio"})


class Chain:
    """`drive` it once for each start. `progress` is told as it goes; with none, nothing is computed for it."""

    def __init__(self, bench: OpenedBench, ledger: Ledger, progress: Progress | None) -> None:
        self._board = bench.board
        self._bench = bench
        self._ledger = ledger
        self._watched = progress is not None
        self._progress: Callable[[Event], None] = progress or (lambda event: None)
        self._current: UnitRun | None = None
        self._run_began_s = bench.began_s
        self._reported: Mapping[str, int] = {}

    def drive(self, step: RunStep, start: int, starts: int) -> None:
        """Make one start of `step`; after the last, the live steps that follow it, as long as they can still show something.

        A fault of the bench ends the test: the steps that follow are then left out.
        """
        last = start == starts
        to_come = self._live_after(step) if last else []
        self._protect([step, *to_come])
        run = self._begin(step, self._plan(step, start, starts), is_live=False)
        with self._board.sampling(run.analysis.feed, linger_s=LOOK_S):
            run.switch_on()
            run.watch()
            while to_come := self._worth_going_on(step, run, to_come):
                run.close()
                self._end(run, None)
                step, *to_come = to_come
                before, run = run, self._begin(step, self._plan(step, 1, 1), is_live=True)
                run.carry_on(before)
                run.watch()
            run.switch_off()
            self._come_to_end(step, run, last)
        run.tell_trace()
        self._end(run, None)

    def _protect(self, steps: Sequence[RunStep]) -> None:
        """Set the board's limits for these steps in one go."""
        heaviest = max((self._bench.loads[one.name] for one in steps), key=lambda load: len(load.numbers))
        self._bench.operations.protect(heaviest, self._ledger.setup.supply_for(steps[0]), sum(one.at_most_s for one in steps))

    def broken_off(self, why: str | None) -> UnitRun | None:
        """Keep what the run has come to in whose middle everything was opened, and return it; None if there is none.

        `why` is None if the run was over for the unit.
        """
        run = self._current
        if run is not None:
            self._end(run, why)
        return run

    def _begin(self, step: RunStep, plan: RunPlan, is_live: bool) -> UnitRun:
        """Return a run that is to be switched on, or that carries on the one before it live."""
        run = UnitRun(self._board, self._bench.operations.description, plan, self._tell, lambda measured: self._judge(step, measured))
        self._current, self._run_began_s = run, self._board.port.now_s()
        if is_live:
            steps = self._ledger.procedure.steps
            load = plan.load
            place = steps.index(step) + 1, len(steps)
            self._progress(StepBegan(step.name, step.title, step.text, *place, load=load.text, lamps=len(load.lamps), live=True))
        self._board.note(
            note="run", step=step.name, name=plan.name, title=plan.title, loads=plan.load.numbers, text=plan.load.text, volts=plan.volts,
            live=is_live,
        )  # fmt: skip
        return run

    def _end(self, run: UnitRun, interrupted: str | None) -> None:
        """Keep a run that is over, or was broken off, in the ledger."""
        self._current = None
        self._ledger.keep(run.plan.step, self._recorded(run, interrupted), run.analysis.losses)
        self._board.note(note="end", stopped_early=run.stopped_early, interrupted=interrupted)

    def _plan(self, step: RunStep, start: int, starts: int) -> RunPlan:
        setup, load = self._ledger.setup, self._bench.loads[step.name]
        volts = setup.supply_for(step)
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
            conditions=conditions_for(setup, self._bench.rated, load, volts, self._bench.operations.description),
            closed=self._ledger.rest == RestState.CLOSED,
        )

    def _earlier_start(self, step: RunStep) -> int:
        unknown = step.electronic_cool_s is not None and self._ledger.mechanism == UNKNOWN
        return _TELLING_START if unknown else _EARLIER_START

    def _recorded(self, run: UnitRun, interrupted: str | None) -> StepRecord:
        """Return what a run has come to by now."""
        plan = run.plan
        return StepRecord(
            name=plan.name,
            title=plan.title,
            loads=plan.load.numbers,
            load_text=plan.load.text,
            began_s=self._run_began_s - self._bench.began_s,
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
        """Return the steps that carry this one on, those left out not among them."""
        steps = self._ledger.procedure.steps
        found: list[RunStep] = []
        for later in steps[steps.index(step) + 1 :]:
            if not (isinstance(later, RunStep) and later.live):
                break
            if later.name not in self._ledger.left_out:
                found.append(later)
        return found

    def _worth_going_on(self, step: RunStep, run: UnitRun, steps: list[RunStep]) -> list[RunStep]:
        """Return those of the live steps to come that can still show something of this unit; why the others cannot is kept."""
        if not steps:
            return []
        doing = snapshot(run.analysis, run.plan.counts).facts.get(FactName.BEHAVIOUR)
        spoilt = self._ledger.is_spoilt(self._ledger.runs(step, self._recorded(run, None)))
        hopeless = spoilt or (not step.live and self._is_hopeless(step, run))
        kept: list[RunStep] = []
        for one in steps:
            if doing in (UnitBehaviour.DARK, UnitBehaviour.NO_SUPPLY, UnitBehaviour.ONE_FLASH) and one.loads != "own":
                self._ledger.left_out[one.name] = f"the unit did not flash: {doing}"
            elif doing == UnitBehaviour.STEADY_ON and one.loads == "one-out" and not step.live:
                self._ledger.left_out[one.name] = "the lamps stay lit: one lamp less shows nothing"
            elif hopeless:
                self._ledger.left_out[one.name] = "the outcome is certain on any load"
            else:
                kept.append(one)
        return kept

    def _is_hopeless(self, step: RunStep, run: UnitRun) -> bool:
        """Return whether the bench is at fault, or the unit for something that no other load explains."""
        record = self._ledger.record(self._ledger.runs(step, self._recorded(run, None)))
        failed = (v for v in record.verdicts if v.conformity is Conformity.FAIL)
        by_load = any(set(quantities_of(v.limit)) & _ON_OTHER_LOADS for v in failed)
        return record.outcome is Outcome.BENCH_FAULT or (record.outcome is Outcome.NOT_GOOD and not by_load)

    # --- judging and telling

    def _judge(self, step: RunStep, measured: Measured) -> bool:
        """Judge what the run of this step has shown by now, once, and tell it; return whether that will do."""
        may_end = step.until_decided or (self._ledger.setup.stop_early and not step.live)
        if not (may_end or self._watched):
            return False
        judgement = self._ledger.judge_so_far(step, measured)
        current = self._current
        few = provisional(current.analysis, current.plan.counts) if current is not None and self._watched else None
        self._progress(SoFar(measured, judgement.verdicts, few))
        return may_end and self._ledger.is_enough(step, judgement)

    def _come_to_end(self, step: RunStep, run: UnitRun, last: bool) -> None:
        """Decide the test, now that the unit is switched off, unless something comes that could change what is said."""
        ledger = self._ledger
        recorded = self._recorded(run, None)
        spoilt = ledger.is_spoilt(ledger.runs(step, recorded))
        if spoilt:
            ledger.leave_out_after(step, AT_FAULT)
        runs = ledger.runs(step, recorded)
        if spoilt or (last and not self._may_change(step, runs)):
            ledger.is_announced = True
            self._progress(Decided(ledger.record(runs)))

    def _may_change(self, step: RunStep, runs: Sequence[StepRuns]) -> bool:
        """Return whether something comes after `step` that could change what is said: a further step, or lamps that are to be proved."""
        later = self._ledger.procedure.steps[self._ledger.procedure.steps.index(step) + 1 :]
        if any(self._is_to_come(one, runs) for one in later):
            return True
        lit = (r.records[-1] for r in runs if r.step.judge and r.step.loads == "rated" and r.records)
        return not all(any(proof.proved for proof in record.measured.proofs if proof.item == ProofItem.LAMPS) for record in lit)

    def _is_to_come(self, step: Step, runs: Sequence[StepRuns]) -> bool:
        if step.name in self._ledger.left_out:
            return False
        return not isinstance(step, RunStep) or self._ledger.starts_wanted(step, runs) > 0

    def _tell(self, event: Event) -> None:
        self._progress(event)
        if not self._watched or not isinstance(event, Live):
            return
        ledger, current = self._ledger, self._current
        counts = {**self._board.link(), **ledger.losses}
        for kind, count in (current.analysis.losses if current is not None else {}).items():
            counts[kind] = counts.get(kind, 0) + count
        if counts != self._reported and any(counts.values()):
            self._reported = counts
            self._progress(Damage(counts))
