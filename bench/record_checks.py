"""What holds for every record, of any origin and age: a record that breaks one of these rules contradicts itself.

Strategy. A conclusion cannot always be derived again, for the shop's rule may have changed since; what it may not contradict is in the
record itself: verdicts, grade, faults of the bench. A verdict can be derived: its value, limit and guard band stand beside it. Words come
before all else, since what follows looks them up. Each rule is one function that yields what breaks it, in words, and reads nothing
but the record. Numbers are compared with some room, because mathematics libraries differ in the last digits.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from itertools import pairwise
from math import isclose
from typing import Any

from bench import claims
from bench.grade import NO_GRADE
from bench.limits import AllOf, AnyOf, FactLimit, Limit, Requirement, weakest_basis
from bench.measure import QUANTITIES, UNKNOWN, FactName, FaultCode, Measured, UnitBehaviour
from bench.outcome import OPENINGS, Outcome
from bench.record import TestRecord
from bench.record_runs import RUNS_AND_FLASHES
from bench.record_words import unknown_words
from bench.typed_json import encode
from bench.uncertainty import Estimate, NotMeasured
from bench.verdict import (
    LEVEL,
    STANDING,
    Conformity,
    Verdict,
    best,
    conformance_probability,
    decide,
    guard_band,
    specific_risk,
    spoiling,
    worst,
)

_DEFAULT_RULE = "default"
_MEANS = {"A": "good", "B": "good", "C": "good", "R": "not good"}
"""What the letters of the rule `default` say of a unit."""
_SOUND = ("sound",)
_ROOM = 1e-4  # relative, of a guard band; absolute, of a probability: Student's distribution is approximated to 1e-5
_SAME_INSTANT_S = 1e-6
_COUNTS = frozenset({"missed", "stuck", "dropouts"})
_UNITS_FROM_0 = frozenset({"s", "1/min"})
_SHARES = frozenset({"on_ratio", "trailer_on_ratio"})
_QUANTITIES_FROM_0 = frozenset({*_SHARES, "outage_ratio", "trailer_ratio", "period_spread", "drop_spread_v"})
_READ_FROM_0 = frozenset({"inrush_first_a", "inrush_later_a", "inrush_ratio", "steady_a", "supply_v", "lamp_v"})
"""Of a good unit; a sick bench may read anything, and its record is what shows that."""
_MOST_V = 1.4 * 24.0  # what a 24 V system may be set up with
_LARGEST = 1e9  # of a value or a part of its uncertainty, in SI units: what no bench reads
_LARGEST_SET = 1e12  # as in a settings file (bench.table)
_DEMOTED = {Conformity.PASS: Conformity.CONDITIONAL_PASS, Conformity.FAIL: Conformity.CONDITIONAL_FAIL}


def contradiction_in(record: TestRecord) -> str:
    """Return the first unknown word or contradiction of the record, in words; empty if there is none."""
    return next((text for rule in INVARIANTS for text in rule(record)), "")


def outcome_follows_the_bench(record: TestRecord) -> Iterator[str]:
    """A fault of the bench that spoils the values leaves no outcome but `bench fault`, and that needs something of the bench."""
    faults = (*record.bench_faults, *record.measured.bench_faults)
    if spoiling(faults) and record.outcome is not Outcome.BENCH_FAULT:
        yield f"outcome {record.outcome.value!r}, but the bench was at fault: {spoiling(faults)[0].text}"
    lost = any(fault.code == FaultCode.SAMPLES_LOST for fault in faults)
    broke_off = any(fault.text.rstrip(".") == (record.interrupted or "").rstrip(".") for fault in faults)
    excused = any(isinstance(v.found, NotMeasured) and v.found.fault == "bench" for v in record.verdicts)
    if record.outcome is Outcome.BENCH_FAULT and not (spoiling(faults) or lost or broke_off or excused):
        yield f"outcome {record.outcome.value!r}, but no bench fault ended or spoilt the test"


def outcome_follows_the_verdicts(record: TestRecord) -> Iterator[str]:
    """Good is a unit of which every limit asked is kept; not good one that failed a limit or that the shop's rule rejects."""
    outcome, verdicts = record.outcome, record.verdicts
    by_rule = record.grade is not None and record.grade.outcome == "not good"
    failed = next((v for v in verdicts if v.conformity is Conformity.FAIL), None)
    against = next((v for v in verdicts if not v.conformity.is_favourable), None)
    if outcome is Outcome.GOOD and against is not None:
        yield f"outcome {outcome.value!r}, but a limit of {against.limit_set} ({against.limit.title}) is {against.conformity.value!r}"
    if outcome is Outcome.GOOD and not verdicts:
        yield f"outcome {outcome.value!r}, but no limit was judged"
    near = any(v.conformity is Conformity.CONDITIONAL_PASS for v in verdicts)
    if outcome is Outcome.GOOD and near and (record.grade is None or record.grade.name == NO_GRADE):
        yield f"outcome {outcome.value!r}, but a limit is kept too narrowly to be sure, and no grade allows that"
    if outcome is Outcome.NOT_GOOD and failed is None and not by_rule:
        yield f"outcome {outcome.value!r}, but no limit failed and no rule rejects the unit"
    if failed is not None and outcome in (Outcome.NOT_DECIDED, Outcome.BENCH_FAULT):
        yield f"outcome {outcome.value!r}, but a limit of {failed.limit_set} ({failed.limit.title}) is {failed.conformity.value!r}"


def outcome_follows_the_test(record: TestRecord) -> Iterator[str]:
    """A test broken off makes no unit good, sound alone makes none not good, and another load is one on which the unit flashed."""
    outcome = record.outcome
    if outcome is Outcome.GOOD and record.interrupted is not None:
        yield f"outcome {outcome.value!r}, but the test was broken off: {record.interrupted}"
    if outcome is Outcome.NOT_GOOD and record.recording is not None and record.recording.columns == _SOUND:
        yield f"outcome {outcome.value!r}, but only the unit's sound was recorded"
    flashed = any(step.measured.facts.get(FactName.BEHAVIOUR) == UnitBehaviour.FLASHING for step in record.steps)
    if outcome is Outcome.NOT_FOR_LOAD and not flashed:
        yield f"outcome {outcome.value!r}, but it flashed on no load of the test"


def grade_follows_the_outcome(record: TestRecord) -> Iterator[str]:
    """A grade is given only with `good` and `not good`, says the same, and comes from the rule that was asked for."""
    grade, outcome = record.grade, record.outcome
    if grade is None:
        return
    name = f"grade {grade.name!r}"
    if outcome not in (Outcome.GOOD, Outcome.NOT_GOOD):
        yield f"outcome {outcome.value!r} and {name}; only a unit that is good or not good has a grade"
    elif grade.outcome != outcome.value:
        yield f"outcome {outcome.value!r}, but {name} says {grade.outcome!r}"
    if grade.rule == _DEFAULT_RULE and grade.name not in (*_MEANS, NO_GRADE) and record.older_format is None:
        yield f"{name}, which the rule {grade.rule} does not give"
    elif grade.rule == _DEFAULT_RULE and grade.outcome != _MEANS.get(grade.name, grade.outcome):
        yield f"{name} that says {grade.outcome!r}; by the rule {grade.rule} it says {_MEANS[grade.name]!r}"
    if grade.rule != record.setup.grade_rule:
        yield f"{name} by the rule {grade.rule!r}, but the rule asked for was {record.setup.grade_rule!r}"


def sentence_follows_the_outcome(record: TestRecord) -> Iterator[str]:
    """The sentence of reason begins as its outcome does, and a basis is named only where numbers decided."""
    outcome, basis = record.outcome, record.conclusion.basis
    if not record.reason.startswith(OPENINGS[outcome]):
        yield f"outcome {outcome.value!r}, but the reason says {_short(record.reason)!r}"
    if outcome is Outcome.GOOD and basis != weakest_basis(v.limit for v in record.verdicts):
        yield f"the weakest basis is {basis!r}, but the limits rest on {weakest_basis(v.limit for v in record.verdicts)!r}"
    if basis and basis not in {weakest_basis([v.limit]) for v in record.verdicts}:
        yield f"the basis {basis!r} is that of no limit"


def verdicts_follow_what_was_found(record: TestRecord) -> Iterator[str]:
    """Each verdict judges the value or fact that the record holds, and says what value, limit and guard band make of it."""
    sets = {*(used.name for used in record.limit_sets), *record.setup.limits}
    for verdict in record.verdicts:
        if verdict.limit_set not in sets:
            yield f"a verdict by {verdict.limit_set!r}, a limit set that was not used"
        if verdict.conformity.is_definite and spoiling(record.measured.bench_faults):
            yield f"{verdict.limit.title} is {verdict.conformity.value!r}, but the bench was at fault"
    for verdict in _with_parts(record.verdicts):
        yield from _wrong_verdict(verdict, record.measured)


def _wrong_verdict(verdict: Verdict, measured: Measured) -> Iterator[str]:
    conformity, title = verdict.conformity, verdict.limit.title
    said = f"{title} is {conformity.value!r}"
    is_open = conformity is Conformity.NOT_MEASURED
    match verdict.limit:
        case Limit(quantity=quantity):
            here = measured.values.get(quantity, NotMeasured("not part of this test"))
            if verdict.found != here:
                yield f"{title} is judged by another value than the record holds"
            elif verdict.by_fact:
                standing = {text for text, _ in STANDING.values()}
                left_open = is_open and bool(verdict.why_open)
                if (conformity is not Conformity.FAIL and not left_open) or verdict.by_fact not in standing:
                    yield f"{said} by the fact {_short(verdict.by_fact)!r}"
            elif isinstance(here, Estimate):
                yield from _wrong_number(verdict, verdict.limit, here, measured)
            elif not is_open:
                yield f"{said}, but it was not measured"
        case FactLimit(fact=fact, allowed=allowed):
            seen = measured.facts.get(fact, UNKNOWN)
            right = Conformity.PASS if seen in allowed else Conformity.FAIL
            if not is_open and (seen == UNKNOWN or conformity is not right or verdict.by_fact != seen):
                yield f"{said}, but seen was {seen!r} and allowed is {' or '.join(map(repr, allowed))}"
        case AllOf(limits=parts) | AnyOf(alternatives=parts):
            yield from _wrong_parts(verdict, parts)


def _wrong_number(verdict: Verdict, limit: Limit, found: Estimate, measured: Measured) -> Iterator[str]:
    conformity, said = verdict.conformity, f"{limit.title} is {verdict.conformity.value!r}"
    if conformity is Conformity.NOT_MEASURED:
        if not verdict.why_open and not spoiling(measured.bench_faults):
            yield f"{said}, but it was measured and nothing says why it is open"
        return
    if limit.doubtful and not conformity.is_favourable:
        yield f"{said}, but the limit is in doubt and fails no unit"
    band = (limit.low, limit.high)
    levels = (LEVEL - _ROOM, LEVEL, LEVEL + _ROOM)
    if conformity not in {decide(found.value, found.u, found.dof, *band, level) for level in levels}:
        yield f"{said}, but {found.value:g} {found.unit} with u = {found.u:.2g} against {_band_text(limit)} is not"
    guard = guard_band(found.u, found.dof)
    if verdict.guard is None or not isclose(verdict.guard, guard, rel_tol=_ROOM):
        yield f"the guard band of {limit.title} is {verdict.guard!r}, but its value gives {guard:.6g}"
    for name, kept, want in (
        ("keeping it", verdict.p_conform, conformance_probability(found.value, found.u, found.dof, *band)),
        ("being wrong", verdict.p_wrong, specific_risk(found.value, found.u, found.dof, *band)),
    ):
        if kept is None or not isclose(kept, want, rel_tol=0.0, abs_tol=_ROOM):
            yield f"the probability of {name} of {limit.title} is {kept!r}, but its value gives {want:.6g}"


def _wrong_parts(verdict: Verdict, parts: Sequence[Requirement]) -> Iterator[str]:
    """Alternatives are as the best of their parts, what asks for all as the worst, or one step less sure than that."""
    if [part.limit for part in verdict.parts] != list(parts):
        yield f"the parts of {verdict.limit.title} are not those that the limit set asks for"
        return
    if not parts or verdict.why_open:
        return
    of_parts = (worst if isinstance(verdict.limit, AllOf) else best)(part.conformity for part in verdict.parts)
    if verdict.conformity not in (of_parts, _DEMOTED.get(of_parts)):
        yield f"{verdict.limit.title} is {verdict.conformity.value!r}, but its parts make it {of_parts.value!r}"
    for probability in (verdict.p_conform, verdict.p_wrong):
        if probability is not None and not 0.0 <= probability <= 1.0:
            yield f"a probability of {verdict.limit.title} is {probability!r}"


def claims_agree(record: TestRecord) -> Iterator[str]:
    """What the unit is said to be does not contradict itself, the system of the test, or the facts that were asked of it."""
    said = record.claims
    if wrong := claims.contradiction_in(said) or claims.impossible_in(said):
        yield f"what the unit is said to be: {wrong}"
    if said.system_v not in (None, record.system_v):
        yield f"the unit is said to be for {said.system_v:g} V, and was tested as one for {record.system_v:g} V"
    asked = dict(claims.facts_asked(said))
    for verdict in record.verdicts:
        limit = verdict.limit
        if verdict.limit_set == claims.CLAIMS and isinstance(limit, FactLimit) and asked.get(limit.fact, limit.allowed) != limit.allowed:
            wanted = " or ".join(map(repr, asked[limit.fact]))
            yield f"{limit.title} was asked, but by what the unit is said to be {limit.fact} should be {wanted}"


def values_are_possible(record: TestRecord) -> Iterator[str]:
    """No value is beyond all measure, no count negative, no time, rate or share below 0 by more than its uncertainty, no share above 1, no
    supply at or below 0 V; and of a good unit no current or voltage below 0."""
    from_0 = _QUANTITIES_FROM_0 | (_READ_FROM_0 if record.outcome is Outcome.GOOD else frozenset())
    for measured in (record.measured, *(step.measured for step in record.steps)):
        for name, found in measured.values.items():
            if isinstance(found, Estimate) and not all(abs(x) <= _LARGEST for x in (found.value, *(part.u for part in found.budget))):
                yield f"{QUANTITIES[name].title} of {found.value:g} {found.unit}, u = {found.u:.2g}"
            is_from_0 = name in from_0 or QUANTITIES[name].unit in _UNITS_FROM_0
            if isinstance(found, Estimate) and (
                (name in _COUNTS and found.value < 0.0)
                or (is_from_0 and found.value < 0.0 and found.value + found.expanded() < 0.0)
                or (name in _SHARES and found.value - found.expanded() > 1.0)
            ):
                yield f"{QUANTITIES[name].title} of {found.value:g} {found.unit}"
    for volts in (record.setup.supply_v, record.supply_v, *(step.supply_v for step in record.steps)):
        if volts is not None and not 0.0 < volts <= _MOST_V:
            yield f"a supply of {volts:g} V"


def counts_and_times_are_possible(record: TestRecord) -> Iterator[str]:
    """Nothing is counted below 0, lasts less than 0 s, or begins before what came before it has ended."""
    for name, count in record.link.items():
        if count < 0:
            yield f"{count} {name} on the data line"
    now_s = 0.0
    for step in record.steps:
        if step.cycles < 0 or step.cycles_excluded < 0:
            yield f"run {step.name} with {step.cycles} cycles, {step.cycles_excluded} of them excluded"
        if step.lasted_s < 0.0:
            yield f"run {step.name} lasted {step.lasted_s:g} s"
        if record.board is not None and step.began_s < now_s - _SAME_INSTANT_S:
            yield f"run {step.name} began after {step.began_s:g} s, before the run before it had ended"
        now_s = step.began_s + step.lasted_s
        if step.flashes.first < 1 or any(b <= a for a, b in pairwise(step.flashes.make_s) if a is not None and b is not None):
            yield f"the flashes of run {step.name} are not in the order of time"


def settings_are_possible(record: TestRecord) -> Iterator[str]:
    """No number of set-up or procedure is below 0, and none of them or of a limit beyond what a settings file can say."""
    for where, settings in (("the set-up", record.setup), ("the procedure", record.procedure)):
        odd = next((number for number in _numbers(encode(settings)) if not 0.0 <= number <= _LARGEST_SET), None)
        if odd is not None:
            yield f"{odd:g} in {where}"
    for verdict in _with_parts(record.verdicts):
        odd = next((number for number in _numbers(encode(verdict.limit)) if abs(number) > _LARGEST_SET), None)
        if odd is not None:
            yield f"a limit of {odd:g} on {verdict.limit.title}"


def _numbers(content: Any) -> Iterator[float]:
    """Every number in content as JSON has it."""
    if isinstance(content, dict | list):
        for item in content.values() if isinstance(content, dict) else content:
            yield from _numbers(item)
    elif isinstance(content, int | float):
        yield content


def runs_are_of_the_procedure(record: TestRecord) -> Iterator[str]:
    """Each run is one of the procedure, on loads that the board numbers from 1, each once; it was made on a board or elsewhere."""
    names = tuple(step.name for step in record.procedure.runs)
    for step in record.steps:
        if names and not any(step.name == name or step.name.startswith(f"{name}-") for name in names):
            yield f"a run {step.name!r}, which the procedure {record.procedure.name!r} has not"
        if any(number < 1 for number in step.loads) or len(set(step.loads)) < len(step.loads):
            yield f"run {step.name} on the loads {list(step.loads)}"
    if record.board is not None and record.recording is not None:
        yield f"both made on the board {record.board.address!r} and recorded elsewhere"
    if record.board is not None and record.board.calibrated is not None and record.board.calibration == "built-in":
        yield f"a board with its built-in scales, calibrated {record.board.calibrated}"


INVARIANTS: tuple[Callable[[TestRecord], Iterator[str]], ...] = (
    unknown_words,
    claims_agree,
    settings_are_possible,
    runs_are_of_the_procedure,
    values_are_possible,
    counts_and_times_are_possible,
    verdicts_follow_what_was_found,
    outcome_follows_the_bench,
    outcome_follows_the_verdicts,
    outcome_follows_the_test,
    grade_follows_the_outcome,
    sentence_follows_the_outcome,
    *RUNS_AND_FLASHES,
)
"""Words first: what follows looks them up."""


def _with_parts(verdicts: Sequence[Verdict]) -> Iterator[Verdict]:
    for verdict in verdicts:
        yield verdict
        yield from _with_parts(verdict.parts)


def _band_text(limit: Limit) -> str:
    ends = (("at least", limit.low), ("at most", limit.high))
    return " and ".join(f"{word} {end:g}" for word, end in ends if end is not None) or "no limit"


def _short(text: str) -> str:
    return text if len(text) < 60 else f"{text[:57]}..."
