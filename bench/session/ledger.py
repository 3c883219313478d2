"""What a test has come to: its runs, what was left out and why, what was wrong with the bench, how it ended; and the record of all that."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

from bench.assemble import RunningJudgement, TestContext, assemble, is_settled, judge_so_far
from bench.board_identity import addressed_board
from bench.combine import StepRuns, combine_runs
from bench.limits import AllOf, AnyOf, Limit, Requirement
from bench.measure import UNKNOWN, BenchFault, FactName, Measured, UnitBehaviour
from bench.procedure import Procedure, RunStep, Step
from bench.record import BoardRecord, StepRecord, TestRecord
from bench.setup import Setup
from bench.verdict import is_decided, spoiling

STOPPING_LEVEL = 0.995
"""A test that is looked at every second has that many chances to be wrong, so stopping early asks for more than the report does: over the
looks of `decide` a unit exactly on a limit is then stopped against it in 4.5 % (simulated: `reports.outcomes rule`)."""
_FLASHED = (UnitBehaviour.FLASHING, UnitBehaviour.IRREGULAR, UnitBehaviour.TOO_FEW)


class Ledger:
    """One for each test. `when` and `software` go into the record as they are; `damage` counts what the link has lost so far.

    `rest` and `mechanism`: what the runs have shown of the unit, `unknown` before. `board`: what is known of the board. `notes`:
    things worth knowing. `faults`: of the bench. `zeroed`: its zeros were read with the link. `is_announced`: the result was told
    (`Decided`), and nothing that happens while everything is being opened changes it.
    """

    def __init__(
        self, procedure: Procedure, setup: Setup, when: str, software: str, address: str, damage: Callable[[], Mapping[str, int]]
    ) -> None:
        self.procedure = procedure
        self.setup = setup
        self.board: BoardRecord = addressed_board(address)
        self.notes: list[str] = []
        self.faults: list[BenchFault] = []
        self.left_out: dict[str, str] = {}
        self.losses: dict[str, int] = {}
        self.interrupted: str | None = None
        self.zeroed = False
        self.is_announced = False
        self.rest: str = UNKNOWN
        self.mechanism: str = UNKNOWN
        self._records: dict[str, list[StepRecord]] = {}
        self.when = when
        self.software = software
        self._damage = damage

    # --- what is written

    def keep(self, step: RunStep, record: StepRecord, losses: Mapping[str, int]) -> None:
        """Keep a run that is over, or was broken off."""
        self._records.setdefault(step.name, []).append(record)
        for kind, count in losses.items():
            self.losses[kind] = self.losses.get(kind, 0) + count
        facts = record.measured.facts
        self.rest = facts[FactName.REST] if facts.get(FactName.REST, UNKNOWN) != UNKNOWN else self.rest
        self.mechanism = facts[FactName.MECHANISM] if facts.get(FactName.MECHANISM, UNKNOWN) != UNKNOWN else self.mechanism

    def replace_last(self, step: RunStep, record: StepRecord) -> None:
        """Replace the last run of this step by what was seen of it afterwards."""
        self._records[step.name] = [*self._records.get(step.name, ())[:-1], record]

    def leave_out_after(self, step: Step, why: str) -> None:
        """No step after this one will be made, but for those that carried it on live and are made already."""
        steps = self.procedure.steps
        for later in steps[steps.index(step) + 1 :]:
            if later.name not in self._records:
                self.left_out.setdefault(later.name, why)

    def forget_broken_off(self, step: RunStep) -> None:
        """Runs of this step that were broken off are made again, and count for nothing."""
        self._records[step.name] = [r for r in self._records.get(step.name, ()) if r.interrupted is None]

    def blame_bench(self, fault: BenchFault) -> BenchFault | None:
        """Note a fault of the bench, and return it as it was noted; None if it was noted before. It spoils no result that was told."""
        if self.is_announced:
            fault = replace(fault, spoils=False)
        if fault in self.faults:
            return None
        self.faults.append(fault)
        return fault

    # --- what is read

    def last(self, name: str) -> StepRecord | None:
        """Return the last run of the step of this name."""
        records = self._records.get(name, [])
        return records[-1] if records else None

    def codes_of_runs(self) -> frozenset[str]:
        """Codes of the faults of the bench that the runs so far have shown."""
        return frozenset(f.code for some in self._records.values() for record in some for f in record.measured.bench_faults)

    def runs(self, step: RunStep | None = None, record: StepRecord | None = None) -> tuple[StepRuns, ...]:
        """Return the runs so far; with `record`, as if that run of `step` were over too."""
        otherwise = "the test was interrupted before" if self.interrupted is not None else ""
        found = []
        for one in self.procedure.runs:
            records = tuple(self._records.get(one.name, ()))
            if step is not None and record is not None and step.name == one.name:
                records = (*records, record)
            found.append(StepRuns(one, records, self.left_out.get(one.name, "" if records else otherwise)))
        return tuple(found)

    def record(self, runs: Sequence[StepRuns] | None = None) -> TestRecord:
        """Return the record as it is by now, or as it would be with these runs."""
        context = TestContext(
            when=self.when,
            software=self.software,
            board=self.board,
            link={**self._damage(), **self.losses},
            notes=tuple(self.notes),
            bench_faults=tuple(self.faults),
            interrupted=self.interrupted,
            zeroed=self.zeroed,
        )
        return assemble(self.procedure, self.setup, self.runs() if runs is None else runs, context)

    def judge_so_far(self, step: RunStep, measured: Measured) -> RunningJudgement:
        """Judge the test as if the run of this step that goes on ended now, having shown what was `measured`.

        At STOPPING_LEVEL, because it is evaluated every second; with conditions where the step goes on until all is decided.
        """
        runs = self.runs(step, so_far(step, measured))
        return judge_so_far(self.procedure, self.setup, runs, self.faults, STOPPING_LEVEL, step.until_decided)

    def is_enough(self, step: RunStep, judgement: RunningJudgement) -> bool:
        """Return whether the run of this step may end: more flashes change nothing, or all is decided of which no later step speaks."""
        if step.until_decided:
            return is_settled(self.setup, judgement)
        steps = self.procedure.runs
        later = {quantity for s in steps[steps.index(step) + 1 :] for quantity in s.judge}
        return is_decided([v for v in judgement.verdicts if not later & set(quantities_of(v.limit))])

    def is_decided(self) -> bool:
        """Return whether every limit is decided by the runs that are over."""
        return is_decided(judge_so_far(self.procedure, self.setup, self.runs(), self.faults, STOPPING_LEVEL).verdicts)

    def is_spoilt(self, runs: Sequence[StepRuns] | None = None) -> bool:
        """Return whether the bench is at fault in what is judged, so that nothing that follows could speak of the unit."""
        measured = combine_runs(self.procedure, self.runs() if runs is None else runs, self.setup.system_v)
        return bool(spoiling((*self.faults, *measured.bench_faults)))

    def starts_wanted(self, step: RunStep, runs: Sequence[StepRuns]) -> int:
        """Return how many starts a step makes: its own, or as many more of an earlier step as the limits ask; why none is kept in
        `left_out`."""
        if not step.starts_of:
            return step.starts
        made = [record for r in runs if r.step.name == step.starts_of for record in r.records]
        wanted = self.setup.starts_asked - len(made)
        # A further start of a unit that stands still shows nothing.
        flashed = bool(made) and made[-1].measured.facts.get(FactName.BEHAVIOUR, UNKNOWN) in _FLASHED
        if wanted <= 0:
            self.left_out[step.name] = "no further start is asked for"
        elif not flashed or self.record(runs).outcome.is_of_unit:
            self.left_out[step.name] = "the outcome is certain without a further start"
        else:
            return wanted
        return 0


def so_far(step: RunStep, measured: Measured) -> StepRecord:
    """Return a run that goes on, as if it were over."""
    return StepRecord(step.name, step.title, (), "", 0.0, 0.0, measured, 0, 0)


def quantities_of(requirement: Requirement) -> tuple[str, ...]:
    """Return the quantities that a requirement speaks of, alternatives included."""
    match requirement:
        case Limit(quantity=quantity):
            return (quantity,)
        case AllOf(limits=parts) | AnyOf(alternatives=parts):
            return tuple(q for part in parts for q in quantities_of(part))
        case _:
            return ()
