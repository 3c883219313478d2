"""From runs to a record: combined, judged, graded, said in a sentence. Pure; live tests, captures and recordings all end here."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from bench.grade import grade, reason
from bench.limits import AnyOf, LimitSet, NoLimitSet, choose
from bench.measure import BenchFault, Measured
from bench.procedure import Procedure
from bench.record import SetUsed, TestRecord
from bench.session.combine import Runs, combine
from bench.session.setup import Setup, settings_text
from bench.uncertainty import NotMeasured
from bench.verdict import LEVEL, Conformity, Verdict, judge, overall, spoiling


@dataclass(frozen=True)
class Story:
    """What there is to tell of a test beside its runs."""

    when: str
    software: str
    board: Mapping[str, str] = field(default_factory=dict)
    settings: Mapping[str, str] = field(default_factory=dict)
    link: Mapping[str, int] = field(default_factory=dict)
    notes: tuple[str, ...] = ()
    bench_faults: tuple[BenchFault, ...] = ()
    interrupted: str | None = None


def seen(setup: Setup, measured: Measured, bench_faults: Sequence[BenchFault] = ()) -> Measured:
    """What is judged: `measured` with what a person entered, and with whatever else spoils it; what was seen stands."""
    entered = {**({"rating": "known"} if setup.rating_known else {}), **setup.entered}
    if measured.facts.get("pilot", "dead") not in ("dead", "unknown"):
        entered.pop("pilot", None)
    faults = tuple(dict.fromkeys((*spoiling(bench_faults), *measured.bench_faults)))
    return replace(measured, facts={**measured.facts, **entered}, bench_faults=faults)


def judged(setup: Setup, measured: Measured, level: float = LEVEL) -> tuple[tuple[LimitSet, ...], tuple[Verdict, ...]]:
    """The sets chosen, and a verdict for each of their requirements; one not measured for a set that could not be chosen."""
    sets: list[LimitSet] = []
    verdicts: list[Verdict] = []
    for name, some in setup.limits:
        try:
            limit_set = choose(some, name, measured.facts, setup.signal_lamps)
        except NoLimitSet as error:
            verdicts.append(Verdict(name, AnyOf("a set of this family", ()), Conformity.NOT_MEASURED, NotMeasured(str(error))))
        else:
            sets.append(limit_set)
            verdicts += judge(measured, limit_set, level)
    return tuple(sets), tuple(verdicts)


def assemble(procedure: Procedure, setup: Setup, runs: Sequence[Runs], story: Story) -> TestRecord:
    """The record of a test. What was interrupted is in it, but only whole runs are judged, and no grade is given."""
    measured = seen(setup, combine(procedure, runs), story.bench_faults)
    sets, verdicts = judged(setup, measured)
    outcome = overall(verdicts, measured.bench_faults, story.interrupted)
    guessed = outcome is Conformity.FAIL and not setup.rating_known and measured.facts.get("behaviour") in ("steady on", "dark")
    unfinished = "" if story.interrupted is None else story.interrupted.rstrip(".")
    # What was really switched, where the rated load was; else what the setup alone knows of it.
    rated_load = next((record.load_text for r in runs if r.step.loads == "rated" for record in r.records), setup.rated_load)
    why = reason(measured, verdicts, outcome, ())
    if guessed:
        why = f"{why} Tried on {rated_load}: read on the unit which lamps it is for."
    if unfinished and outcome is Conformity.FAIL:
        why = f"{why} (The test was not finished: {unfinished}.)"
    elif unfinished and not spoiling(measured.bench_faults):
        why = f"Not finished: {unfinished}."
    notes = {f"note {i}": text for i, text in enumerate(story.notes, 1)}
    return TestRecord(
        unit=setup.unit,
        procedure=procedure.name,
        system_v=setup.system_v,
        rated_load=rated_load,
        steps=tuple(record for of_step in runs for record in of_step.records),
        measured=measured,
        limit_sets=tuple(map(SetUsed.of, sets)),
        verdicts=verdicts,
        outcome=outcome,
        grade=grade(setup.grade_rule, measured, verdicts) if setup.grade_rule is not None and not unfinished else None,
        reason=why,
        when=story.when,
        software=story.software,
        board=story.board,
        settings={**settings_text(setup), **story.settings, **notes},
        link=story.link,
        bench_faults=_told(story.bench_faults, measured, runs),
        interrupted=story.interrupted,
    )


def _told(of_story: Sequence[BenchFault], measured: Measured, runs: Sequence[Runs]) -> tuple[BenchFault, ...]:
    """Every fault of the bench once. One that showed only in a run that nothing was judged by spoils nothing."""
    of_runs = (fault for r in runs for record in r.records for fault in record.measured.bench_faults)
    others = (fault if fault in measured.bench_faults else replace(fault, spoils=False) for fault in of_runs)
    return tuple(dict.fromkeys((*of_story, *measured.bench_faults, *others)))
