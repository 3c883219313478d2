"""From runs to a record: combined, judged, graded, concluded. Live tests, captures and recordings all end here."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace

from bench.bank import nominal_test_v
from bench.claims import claims_set
from bench.combine import OF_OTHER_LOADS, StepRuns, combine_runs
from bench.conditions import Circumstances, judge_conditions
from bench.errors import NoLimitSet
from bench.grade import Grade, grade
from bench.limits import AllOf, AnyOf, FactLimit, Limit, LimitSet, Requirement, choose
from bench.measure import (
    UNKNOWN,
    BenchFault,
    BenchProof,
    FactName,
    FilmState,
    Measured,
    PilotState,
    ProofItem,
    RatingState,
    system_word,
)
from bench.outcome import Case, OtherLoad, conclude, uphold
from bench.procedure import OF_LOAD, Procedure, RunStep
from bench.record import BoardRecord, JudgedAgain, RecordingSource, SetupRecord, SetUsed, TestRecord
from bench.setup import Setup, setup_record
from bench.uncertainty import Estimate, NotMeasured
from bench.verdict import LEVEL, Conformity, Verdict, judge, spoiling

_USUAL_SUPPLY = 0.2  # of the test voltage: vehicles run at 11 to 15 V (SAE J945, after a public summary)
_CLIPS_OHM = 0.03  # of a test clip and the lead behind it, where the sense lead sits on that (common practice, no source)


@dataclass(frozen=True)
class TestContext:
    """What there is to tell of a test beside its runs: made on a `board`, or a `recording`."""

    when: str
    software: str
    board: BoardRecord | None = None
    recording: RecordingSource | None = None
    judged_again: JudgedAgain | None = None
    link: Mapping[str, int] = field(default_factory=dict)
    notes: tuple[str, ...] = ()
    bench_faults: tuple[BenchFault, ...] = ()
    interrupted: str | None = None
    zeroed: bool = False
    to_be_surer: str = ""
    heard: bool = False  # only the unit's sound was recorded
    doubt: str = ""  # what keeps a recording without a charge from being good


def effective_measured(setup: Setup, measured: Measured, bench_faults: Sequence[BenchFault] = ()) -> Measured:
    """Return what is judged: `measured` with what a person entered, and with whatever else spoils it; what was seen stands."""
    entered: dict[str, str] = {FactName.RATING: RatingState.KNOWN} if setup.rating_known else {}
    entered |= {**setup.claims.facts, **setup.entered}
    if measured.facts.get(FactName.PILOT, UNKNOWN) not in (PilotState.DEAD, UNKNOWN):
        entered.pop(FactName.PILOT, None)
    if measured.facts.get(FactName.FILM, UNKNOWN) in (FilmState.RECOVERED, FilmState.GOING):
        entered.pop(FactName.FILM, None)
    faults = tuple(dict.fromkeys((*spoiling(bench_faults), *measured.bench_faults)))
    facts = {**measured.facts, FactName.SYSTEM: system_word(setup.system_v), **entered}
    return replace(measured, facts=facts, bench_faults=faults)


def circumstances_of(setup: Setup, measured: Measured, runs: Sequence[StepRuns]) -> Circumstances:
    """Return how the test was really made, as far as the conditions of limit sets ask for it. A start whose time the bench lost is none."""
    first = next((r for r in runs if r.step.judge and r.step.loads not in OF_LOAD), None)
    further = sum(len(r.whole) for r in runs if first is not None and r.step.starts_of == first.step.name)
    volts = next((record.supply_v for record in first.whole), None) if first is not None else None
    starts = len(first.whole) + further if first is not None and first.whole else None
    timed = measured.values.get("start_s")
    if isinstance(timed, Estimate):
        starts = timed.n
    return Circumstances(
        system_v=setup.system_v,
        supply_v=volts,
        ambient=measured.values.get("temperature_c"),
        starts=starts,
        load_is_rated=setup.load_is_rated,
    )


def judge_all(
    setup: Setup, measured: Measured, circumstances: Circumstances | None, level: float = LEVEL
) -> tuple[tuple[LimitSet, ...], tuple[Verdict, ...]]:
    """Return the sets chosen, and a verdict for each of their requirements; one not measured for a set that could not be chosen.

    What the unit is said to be is the last of the sets, if it asks for anything. `level`: probability with which a definite verdict is
    right.
    """
    sets: list[LimitSet] = []
    verdicts: list[Verdict] = []
    for name, some in setup.limits:
        try:
            chosen = choose(some, name, measured.facts, setup.signal_lamps)
        except NoLimitSet as error:
            verdicts.append(Verdict(name, AnyOf("a set of this family", ()), Conformity.NOT_MEASURED, NotMeasured(str(error))))
            continue
        if chosen not in sets:  # a family may choose what was asked for by its own name too
            sets.append(chosen)
    if sets and (claimed := claims_set(setup.claims, sets[0].averaging)) is not None:
        sets.append(claimed)
    for limit_set in sets:
        verdicts += judge(measured, limit_set, level, circumstances)
    return tuple(sets), tuple(verdicts)


def assemble(procedure: Procedure, setup: Setup, runs: Sequence[StepRuns], context: TestContext) -> TestRecord:
    """Return the record of a test. What was interrupted is in it, but only whole runs are judged, and no grade is given."""
    measured = effective_measured(setup, combine_runs(procedure, runs, setup.system_v), context.bench_faults)
    measured = replace(measured, proofs=(*measured.proofs, *_proofs_of(context)))
    circumstances = circumstances_of(setup, measured, runs)
    sets, verdicts = judge_all(setup, measured, circumstances)
    case = _case(setup, runs, context, measured, verdicts, circumstances)
    conclusion = conclude(case)
    return TestRecord(
        setup=_setup_record(setup, context),
        procedure=procedure,
        rated_load=setup.rated_load,
        steps=tuple(record for of_step in runs for record in of_step.records),
        measured=measured,
        limit_sets=tuple(map(SetUsed.of, sets)),
        verdicts=uphold(verdicts, conclusion.outcome),
        conclusion=conclusion,
        when=context.when,
        software=context.software,
        board=context.board,
        recording=context.recording,
        judged_again=context.judged_again,
        notes=context.notes,
        link=context.link,
        bench_faults=tuple(case.bench_faults),
        interrupted=context.interrupted,
        conditions=tuple(c for limit_set in sets for c in judge_conditions(limit_set, circumstances)),
        load=case.load,
        supply_v=circumstances.supply_v,
    )


def _case(
    setup: Setup,
    runs: Sequence[StepRuns],
    context: TestContext,
    measured: Measured,
    verdicts: tuple[Verdict, ...],
    circumstances: Circumstances,
) -> Case:
    """Return all that the outcome follows from."""
    told = _told(context.bench_faults, measured, runs)
    graded = grade(setup.grade_rule, measured, verdicts) if setup.grade_rule is not None else None
    return Case(
        measured=measured,
        verdicts=verdicts,
        grade=graded,
        bench_faults=told,
        interrupted=context.interrupted,
        broken_off_by_bench=context.interrupted is not None and any(fault.text == context.interrupted for fault in told),
        load=next((record.load_text for r in runs if r.step.judge for record in r.records if record.load_text), setup.load_text),
        is_rated=setup.load_is_rated,
        others=_other_loads(setup, runs),
        odd_supply=_odd_supply(setup, circumstances.supply_v),
        leads_may_explain=not context.zeroed and _leads_may_explain(setup, measured, circumstances, verdicts, graded),
        to_be_surer=context.to_be_surer,
        heard=context.heard,
        doubt=context.doubt,
        recorded=context.recording is not None,
    )


def _setup_record(setup: Setup, context: TestContext) -> SetupRecord:
    """Return the setup as it is kept: no board sampled a recording, which is held to no supply unless one was named."""
    if context.recording is None:
        return setup_record(setup, setup.nominal_v)
    return replace(setup_record(setup, setup.supply_v), sample_mode=None)


def _proofs_of(context: TestContext) -> tuple[BenchProof, ...]:
    """Zero and link, which no single run proves. An unproved zero is in the uncertainty of every value that it moves."""
    zero = "read with the shorting link" if context.zeroed else "the board's own, and the currents at rest"
    lost = ", ".join(f"{count} {name.replace('_', ' ')}" for name, count in context.link.items() if count)
    return BenchProof(ProofItem.ZERO, context.zeroed, zero), BenchProof(ProofItem.DATA_LINE, not lost, lost or "nothing lost or damaged")


@dataclass(frozen=True, slots=True)
class RunningJudgement:
    """What the runs so far show in all, the verdicts on that, and the steps of which no run was made yet."""

    measured: Measured
    verdicts: tuple[Verdict, ...]
    to_come: tuple[RunStep, ...]


def judge_so_far(
    procedure: Procedure, setup: Setup, runs: Sequence[StepRuns], bench_faults: Sequence[BenchFault], level: float, conditions: bool = False
) -> RunningJudgement:
    """Judge a test that goes on, at the level of one look among many. `conditions`: also those that limit sets are for.

    `level`: probability with which a definite verdict is right.
    """
    measured = effective_measured(setup, combine_runs(procedure, runs, setup.system_v), bench_faults)
    made = {r.step.name for r in runs if r.records}
    to_come = tuple(step for step in procedure.runs if step.name not in made)
    circumstances = circumstances_of(setup, measured, runs) if conditions else None
    if circumstances is not None and any(step.starts_of for step in to_come):
        circumstances = replace(circumstances, starts=None)
    return RunningJudgement(measured, judge_all(setup, measured, circumstances, level)[1], to_come)


def is_settled(setup: Setup, judgement: RunningJudgement) -> bool:
    """Return whether more flashes would change nothing: bench or unit are found wanting beyond doubt, or limits and grade are sure.

    What only a later step can show is left out of it. The `judgement` is one with conditions.
    """
    measured = judgement.measured
    if spoiling(measured.bench_faults):
        return True
    later = {quantity for step in judgement.to_come for quantity in step.judge}
    verdicts = [v for v in judgement.verdicts if not _waits(v.limit, later)]
    if any(v.conformity is Conformity.FAIL for v in verdicts):
        return True
    # What cannot be measured or judged in this run will not be by going on.
    open_ones = [v for v in verdicts if not v.conformity.is_definite and not v.why_open and not isinstance(v.found, NotMeasured)]
    given = grade(setup.grade_rule, measured, [v for v in verdicts if v.conformity.is_definite]) if setup.grade_rule is not None else None
    if given is None:
        return bool(verdicts) and not open_ones
    return given.sure and (given.outcome == "not good" or not open_ones)


def _waits(requirement: Requirement, later: Collection[str]) -> bool:
    """Return whether a requirement speaks of something that only a later step shows."""
    match requirement:
        case Limit(quantity=quantity):
            return quantity in later
        case FactLimit(fact=fact):
            return bool(later) and fact in OF_OTHER_LOADS
        case AllOf(limits=parts) | AnyOf(alternatives=parts):
            return any(_waits(part, later) for part in parts)


def _odd_supply(setup: Setup, supply_v: float | None) -> str:
    """Return the volts of the test in words, where no vehicle runs at such; else empty."""
    usual_v = nominal_test_v(setup.system_v)
    if supply_v is None or abs(supply_v / usual_v - 1.0) <= _USUAL_SUPPLY:
        return ""
    return f"{supply_v:g} V (a {setup.system_v:g} V unit is used at about {usual_v:g} V)"


def _leads_may_explain(
    setup: Setup, measured: Measured, circumstances: Circumstances, verdicts: Sequence[Verdict], graded: Grade | None
) -> bool:
    """Return whether the drop is charged, and would not be if the sense leads sat on the clips: without the link nothing shows where they
    sit."""
    current = measured.values.get("steady_a")
    if not _charges_drop(verdicts, graded) or not isinstance(current, Estimate):
        return False
    leads = {name: v for name in ("drop_v", "drop_largest_v") if isinstance(v := measured.values.get(name), Estimate)}
    lower = {name: replace(v, value=v.value - _CLIPS_OHM * current.value) for name, v in leads.items()}
    without = replace(measured, values={**measured.values, **lower})
    verdicts = judge_all(setup, without, circumstances)[1]
    return not _charges_drop(verdicts, grade(setup.grade_rule, without, verdicts) if setup.grade_rule is not None else None)


def _charges_drop(verdicts: Sequence[Verdict], graded: Grade | None) -> bool:
    failed = (v.limit for v in verdicts if v.conformity is Conformity.FAIL)
    by_limit = any(isinstance(limit, Limit) and limit.quantity.startswith("drop_") for limit in failed)
    by_rule = graded is not None and graded.outcome == "not good" and any(name.startswith("drop_") for name in graded.charged)
    return by_limit or by_rule


def _other_loads(setup: Setup, runs: Sequence[StepRuns]) -> tuple[OtherLoad, ...]:
    """Return what the unit did on other loads than the one it was judged on, from whole runs that the bench did not spoil."""
    found = []
    for r in runs:
        for record in r.whole:
            if r.step.loads in ("rated", "one-out") or r.step.starts_of or spoiling(record.measured.bench_faults):
                continue
            values = tuple((name, value) for name, value in record.measured.values.items() if isinstance(value, Estimate))
            alone = effective_measured(setup, record.measured)
            rejected = setup.grade_rule is not None and grade(setup.grade_rule, alone, ()).outcome == "not good"
            found.append(OtherLoad(record.load_text, record.measured.facts.get(FactName.BEHAVIOUR, UNKNOWN), values, rejected))
    return tuple(found)


def _told(of_context: Sequence[BenchFault], measured: Measured, runs: Sequence[StepRuns]) -> tuple[BenchFault, ...]:
    """Return every fault of the bench once. One that showed only in a run that nothing was judged by spoils nothing."""
    of_runs = (fault for r in runs for record in r.records for fault in record.measured.bench_faults)
    others = (fault if fault in measured.bench_faults else replace(fault, spoils=False) for fault in of_runs)
    return tuple(dict.fromkeys((*of_context, *measured.bench_faults, *others)))
