"""The runs of a procedure put together: what is judged.

A quantity comes from the step that the procedure names for it. The starts of a step are averaged where the standards average
them (SAE J2068, J945: the mean of three starts is judged); everything else comes from the step's last start, which runs longest.
A run that was interrupted gives nothing.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from bench.lamps import allowed_current_a
from bench.measure import (
    LAMPS_WRONG,
    UNKNOWN,
    BenchFault,
    BenchProof,
    FactName,
    FaultCode,
    LampOutSign,
    Measured,
    PilotState,
    ProofItem,
    UnitBehaviour,
)
from bench.procedure import OF_LOAD, OF_STARTS, Procedure, RunStep
from bench.record import StepRecord
from bench.uncertainty import Component, Estimate, Measurement, NotMeasured, Shape, quotient, type_a

_NOTICED = 0.15  # a rate that changes by less is not seen to change (common practice, no source)
OF_OTHER_LOADS = (FactName.OUTAGE, FactName.LAMP_OUT, FactName.PILOT_LAMP_OUT, FactName.TRAILER)
"""Facts that only a step with a lamp less or more shows."""
_ON_OTHER_LOAD: Mapping[str, str] = {
    UnitBehaviour.IRREGULAR: UnitBehaviour.FLASHING,
    UnitBehaviour.TOO_FEW: UNKNOWN,
    UnitBehaviour.NO_SUPPLY: UNKNOWN,
}
"""What a behaviour counts as on such a load, where it is not itself."""


@dataclass(frozen=True, slots=True)
class StepRuns:
    """The runs made of one step, in order; `left_out` says why there are none or fewer than asked."""

    step: RunStep
    records: tuple[StepRecord, ...]
    left_out: str = ""

    @property
    def whole(self) -> tuple[StepRecord, ...]:
        """Those that were not interrupted."""
        return tuple(r for r in self.records if r.interrupted is None)


def combine_runs(procedure: Procedure, runs: Sequence[StepRuns], system_v: float) -> Measured:
    """Return what the procedure judges from these runs on lamps of a system of system_v; what it judges but was not run is
    `NotMeasured`."""
    by_name = {r.step.name: r for r in runs}
    values: dict[str, Measurement] = {}
    facts: dict[str, str] = {}
    faults: list[BenchFault] = []
    proofs: tuple[BenchProof, ...] = ()
    for step in procedure.runs:
        of_step = by_name.get(step.name, StepRuns(step, ()))
        spoiling = [fault for record in of_step.whole for fault in record.measured.bench_faults if fault.spoils]
        if step.loads in OF_LOAD:
            values |= _on_other_load(step, of_step, spoiling, values)
            facts |= _other_facts(step, of_step, spoiling, values, facts)
            if step.loads == "one-out" and of_step.whole:
                # Fewer lamps of the same load: what is wrong with one of them was wrong before.
                faults += [fault for fault in spoiling if fault.code == FaultCode.LAMP_CURRENT]
                faults += _removed_lamp(procedure, by_name, of_step, system_v)
        elif step.judge:
            further = [r for s in procedure.runs if s.starts_of == step.name for r in by_name.get(s.name, StepRuns(s, ())).records]
            values |= {quantity: _from_starts(quantity, of_step, further) for quantity in step.judge}
            if of_step.whole:
                facts |= _facts(of_step)
                faults += spoiling
                proofs = of_step.whole[-1].measured.proofs
        if step.starts_of:
            faults += spoiling
    if any(fault.code in LAMPS_WRONG for fault in faults):
        proofs = tuple(replace(proof, proved=False) if proof.item == ProofItem.LAMPS else proof for proof in proofs)
    return Measured(values, facts, tuple(dict.fromkeys(faults)), proofs)


def _facts(runs: StepRuns) -> Mapping[str, str]:
    """Facts of the last start, which ran longest; how the unit rests is seen best at the first, from cold."""
    facts = dict(runs.whole[-1].measured.facts) if len(runs.whole) == len(runs.records) else {}
    rest = runs.whole[0].measured.facts.get(FactName.REST, UNKNOWN)
    return {**facts, FactName.REST: rest}


def _missing(runs: StepRuns) -> NotMeasured:
    stopped = next((r.interrupted for r in runs.records if r.interrupted), None)
    if stopped is not None:
        return NotMeasured(f"the run was interrupted: {stopped}", "bench")
    return NotMeasured(runs.left_out or f"the step {runs.step.name} was not run")


def _from_starts(quantity: str, runs: StepRuns, further: Sequence[StepRecord]) -> Measurement:
    """Return one quantity of a step; of its starts and the `further` ones made after it, where it belongs to starts."""
    if quantity in OF_STARTS:
        whole = (*runs.whole, *(r for r in further if r.interrupted is None))
        found = [r.measured.values.get(quantity, NotMeasured("not part of this run")) for r in whole]
        if not found or len(whole) != len(runs.records) + len(further):
            return _missing(runs)
        return largest_of_starts(found) if quantity == "start_largest_s" else mean_of_starts(found)
    if not runs.records or runs.records[-1].interrupted is not None or runs.left_out:
        return _missing(runs)
    return runs.records[-1].measured.values.get(quantity, NotMeasured("not part of this run"))


def mean_of_starts(found: Sequence[Measurement]) -> Measurement:
    """Return the mean of one quantity over starts, with type A from their scatter; the largest is in the note.

    Type B contributions of the same source are the same error in every start, so they are averaged, not reduced; those of single
    instants are in the scatter too, and are kept all the same. A start that the bench spoilt is left out, and said; one that the
    unit did not make leaves the whole unmeasured.
    """
    good = [m for m in found if isinstance(m, Estimate)]
    bad = sorted((m for m in found if isinstance(m, NotMeasured)), key=lambda m: m.fault == "bench")
    if bad and (not good or bad[0].fault != "bench"):
        return bad[0]
    if len(good) == 1:
        return good[0]
    a = type_a([m.value for m in good])
    scatter = a.component(f"scatter of {a.n} starts")
    note = f"mean of {a.n} starts, the largest {max(m.value for m in good):.3f} {good[0].unit}"
    if bad:
        note += f"; {len(bad)} left out: {bad[0].reason}"
    return Estimate(a.mean, good[0].unit, (scatter, *_common([m.budget for m in good])), a.n, note)


def largest_of_starts(found: Sequence[Measurement]) -> Measurement:
    """Return the largest single start; unmeasured if one start that the unit did not make is among them, or no good one."""
    good = [m for m in found if isinstance(m, Estimate)]
    bad = sorted((m for m in found if isinstance(m, NotMeasured)), key=lambda m: m.fault == "bench")
    if bad and (not good or bad[0].fault != "bench"):
        return bad[0]
    largest = max(good, key=lambda m: m.value)
    return replace(largest, n=len(good))


def _common(budgets: Sequence[Sequence[Component]]) -> tuple[Component, ...]:
    """Type B lines of several budgets, one for each source: their mean, rectangular if each of them is."""
    lines: dict[str, list[Component]] = {}
    for budget in budgets:
        for c in budget:
            if c.kind == "B":
                lines.setdefault(c.source, []).append(c)
    return tuple(
        Component(source, math.fsum(c.u for c in some) / len(budgets), min(c.dof for c in some), shape=_shape(some))
        for source, some in lines.items()
    )


def _shape(same_error: Sequence[Component]) -> Shape:
    """That of a sum or difference of lines which are one and the same error."""
    return "rectangular" if all(c.shape == "rectangular" for c in same_error) else "normal"


def _on_other_load(
    step: RunStep, runs: StepRuns, spoiling: Sequence[BenchFault], values: Mapping[str, Measurement]
) -> dict[str, Measurement]:
    """Return what a step with a lamp less or more shows of `step.judge`. A fault of the bench in this run spoils this run only."""
    if not runs.whole or runs.left_out:
        return dict.fromkeys(step.judge, _missing(runs))
    if spoiling:
        return dict.fromkeys(step.judge, NotMeasured(spoiling[0].text, "bench"))
    of_run = runs.whole[-1].measured.values
    nothing = NotMeasured("not part of this run")
    rate = of_run.get("rate_per_min", nothing)
    found = {"outage_rate_per_min": rate, "trailer_rate_per_min": rate, "trailer_on_ratio": of_run.get("on_ratio", nothing)}
    whole = values.get("rate_per_min", NotMeasured("the rate on the rated load was not part of the test"))
    compared = rate if isinstance(rate, NotMeasured) else whole if isinstance(whole, NotMeasured) else quotient(rate, whole)
    found |= {"outage_ratio": compared, "trailer_ratio": compared}
    return {quantity: found[quantity] for quantity in step.judge}


def _removed_lamp(procedure: Procedure, by_name: Mapping[str, StepRuns], one_out: StepRuns, system_v: float) -> tuple[BenchFault, ...]:
    """Return the lamp that was switched off, by what its current took with it: two lamps can be wrong so that together they seem right."""
    rated = next((by_name[s.name] for s in procedure.runs if s.loads == "rated" and not s.starts_of and s.name in by_name), None)
    if rated is None or not rated.whole:
        return ()
    all_lit, fewer = rated.whole[-1], one_out.whole[-1]
    watts = Counter(all_lit.lamps_w) - Counter(fewer.lamps_w)
    whole, rest, volts = (run.measured.values.get(name) for run, name in ((all_lit, "steady_a"), (fewer, "steady_a"), (all_lit, "lamp_v")))
    pilots = {run.measured.facts.get(FactName.PILOT) for run in (all_lit, fewer)}
    if watts.total() != 1 or len(pilots) != 1 or not all(isinstance(one, Estimate) for one in (whole, rest, volts)):
        return ()
    assert isinstance(whole, Estimate) and isinstance(rest, Estimate) and isinstance(volts, Estimate)
    (removed_w,) = watts
    taken_a = whole.value - rest.value
    least_a, most_a = allowed_current_a(removed_w, system_v, volts.value)
    margin_a = 2.0 * (whole.u + rest.u)  # the same range read both: errors of scale do not cancel worse than this
    if least_a - margin_a <= taken_a <= most_a + margin_a:
        return ()
    text = f"the lamp that was switched off had taken {taken_a:.2f} A, a {removed_w:g} W lamp takes {least_a:.2f} to {most_a:.2f} A"
    return (BenchFault(FaultCode.LAMP_CURRENT, f"{text}: it is of the wrong wattage, or its holder is bad"),)


def _other_facts(
    step: RunStep, runs: StepRuns, spoiling: Sequence[BenchFault], values: Mapping[str, Measurement], rated: Mapping[str, str]
) -> dict[str, str]:
    """Return facts of other loads. `outage` and `trailer`: the behaviour on that load. `lamp out`: `shown` if a driver would notice it,
    else `not shown`."""
    if not step.judge or not runs.whole or spoiling:
        return {}
    seen = runs.whole[-1].measured.facts
    behaviour = seen.get(FactName.BEHAVIOUR, UNKNOWN)
    doing = _ON_OTHER_LOAD.get(behaviour, behaviour)
    if step.loads != "one-out":
        return {FactName.TRAILER: doing}
    change = values.get("outage_ratio")
    noticed = doing in (UnitBehaviour.STEADY_ON, UnitBehaviour.DARK, UnitBehaviour.ONE_FLASH)
    noticed |= rated.get(FactName.PILOT) in (PilotState.IN_STEP, PilotState.ANTIPHASE) and seen.get(FactName.PILOT) == PilotState.DEAD
    if isinstance(change, Estimate):
        noticed |= abs(change.value - 1.0) - change.expanded() > _NOTICED
    known = noticed or isinstance(change, Estimate)
    return {
        FactName.OUTAGE: doing,
        FactName.LAMP_OUT: LampOutSign.UNKNOWN if not known else LampOutSign.SHOWN if noticed else LampOutSign.NOT_SHOWN,
        FactName.PILOT_LAMP_OUT: seen.get(FactName.PILOT, UNKNOWN),
    }
