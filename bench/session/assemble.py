"""From runs to a record: combined, judged, graded, said in a sentence. Pure; live tests, captures and recordings all end here."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from bench.grade import grade, reason
from bench.limits import LimitSet, NoLimitSet, choose
from bench.measure import BenchFault, Measured
from bench.procedure import Procedure
from bench.record import TestRecord
from bench.session.combine import Runs, combine
from bench.session.setup import Setup, settings_text
from bench.verdict import Verdict, judge, overall


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


def chosen_limits(setup: Setup, facts: Mapping[str, str]) -> tuple[tuple[LimitSet, ...], str]:
    """The limit sets for a unit that was seen to be so, and why one could not be chosen (empty if all could)."""
    sets, problems = [], []
    for name, some in setup.limits:
        try:
            sets.append(choose(some, name, facts, setup.signal_lamps))
        except NoLimitSet as error:
            problems.append(str(error))
    return tuple(sets), "; ".join(problems)


def judged(setup: Setup, measured: Measured) -> tuple[tuple[LimitSet, ...], tuple[Verdict, ...], str]:
    """The sets chosen, a verdict for each of their requirements, and why a set could not be chosen."""
    sets, problem = chosen_limits(setup, measured.facts)
    return sets, tuple(v for limit_set in sets for v in judge(measured, limit_set)), problem


def assemble(procedure: Procedure, setup: Setup, runs: Sequence[Runs], story: Story) -> TestRecord:
    """The record of a test. What was interrupted is in it, but only whole runs are judged, and no grade is given."""
    measured = combine(procedure, runs)
    sets, verdicts, problem = judged(setup, measured)
    faults = tuple(dict.fromkeys((*story.bench_faults, *(f for r in runs for s in r.records for f in s.measured.bench_faults))))
    against = tuple(dict.fromkeys((*(f for f in story.bench_faults if f.spoils), *measured.bench_faults)))
    outcome = overall(verdicts, against, story.interrupted)
    if against or story.interrupted is None:
        why = reason(measured, verdicts, outcome, against)
    else:
        why = f"Not finished: {story.interrupted.rstrip('.')}."
        if verdicts and outcome is outcome.FAIL:
            why = f"{reason(measured, verdicts, outcome, against)} (The test was not finished: {story.interrupted.rstrip('.')}.)"
    if problem and not verdicts and not against and story.interrupted is None:
        why = f"Not decided: {problem}."
    notes = (*story.notes, *((problem,) if problem else ()))
    settings = {**settings_text(setup), **story.settings, **{f"note {i}": text for i, text in enumerate(notes, 1)}}
    graded = grade(setup.grade_rule, measured, verdicts) if setup.grade_rule is not None and story.interrupted is None else None
    return TestRecord(
        unit=setup.unit,
        procedure=procedure.name,
        system_v=setup.system_v,
        rated_load=setup.rated_load,
        steps=tuple(record for of_step in runs for record in of_step.records),
        measured=measured,
        limit_sets=tuple(s.name for s in sets),
        verdicts=verdicts,
        outcome=outcome,
        grade=graded,
        reason=why,
        when=story.when,
        software=story.software,
        board=story.board,
        settings=settings,
        link=story.link,
        bench_faults=faults,
        interrupted=story.interrupted,
    )
