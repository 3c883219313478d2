"""What a record's runs, their flashes and what was judged say of each other: figures that cannot all be of the same test.

What is judged was put together of the runs, and the values of a run were made of its flashes, which stand in the record too. So a value
that was changed alone, or together with its verdict, contradicts what it was made of. Rules as in `bench.record_checks`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from itertools import pairwise
from math import isclose

from bench.claims import CLAIMS
from bench.measure import QUANTITIES
from bench.measure.flash_table import COLUMNS, FlashTable
from bench.procedure import OF_STARTS
from bench.record import StepRecord, TestRecord
from bench.uncertainty import Estimate

_LARGEST = 1e9  # in s, V or A: what no bench reads
_TIMES = frozenset({"on_s", "off_s", "period_s", "bounce_make_s", "bounce_break_s"})
_ROUNDED_S = 5e-6  # sums of up to three instants, rounded to 1 us each
_ROOM = 0.01  # relative, of a mean against the flashes that it is of: beside its uncertainty, for what is corrected in one of them only
_SAME = 1e-6  # relative, of a value taken over as it is, or a quotient
_OF_OTHER_LOADS: Mapping[str, str] = {
    "outage_rate_per_min": "rate_per_min",
    "trailer_rate_per_min": "rate_per_min",
    "trailer_on_ratio": "on_ratio",
}
"""What a load with a lamp less or more shows, by what its run calls it."""
_QUOTIENTS = frozenset({"outage_ratio", "trailer_ratio"})
_MEANS: Mapping[str, Callable[[FlashTable], Sequence[float | None]]] = {
    "rate_per_min": lambda table: [60.0 / period_s if period_s else None for period_s in table.period_s],
    "rate_total_per_min": lambda table: [60.0 / period_s if period_s else None for period_s in table.period_s],
    "on_ratio": lambda table: [
        on_s / period_s if on_s is not None and period_s else None for on_s, period_s in zip(table.on_s, table.period_s, strict=True)
    ],
    "on_s": lambda table: table.on_s,
    "off_s": lambda table: table.off_s,
    "drop_v": lambda table: table.drop_v,
    "drop_largest_v": lambda table: table.drop_v,
    "inrush_later_a": lambda table: table.inrush_a,
}
"""Values of a run that lie between the least and the greatest of its flashes, and what these say."""


def flashes_are_possible(record: TestRecord) -> Iterator[str]:
    """Each flash lasts as long as its two parts, ends before the next begins, and no reading is beyond all measure."""
    for step in record.steps:
        table, where = step.flashes, f"the flashes of run {step.name}"
        for name in COLUMNS:
            least = 0.0 if name in _TIMES else -_LARGEST
            odd = next((x for x in getattr(table, name) if x is not None and not least <= x <= _LARGEST), None)
            if odd is not None:
                yield f"{where} have {odd:g} as {name}"
        for on_s, off_s, period_s in zip(table.on_s, table.off_s, table.period_s, strict=True):
            if None not in (on_s, off_s, period_s) and abs(on_s + off_s - period_s) > _ROUNDED_S:  # type: ignore[operator]
                yield f"{where}: {on_s:g} s on and {off_s:g} s off, in a period of {period_s:g} s"
        for (make_s, period_s), (next_s, _) in pairwise(zip(table.make_s, table.period_s, strict=True)):
            if None not in (make_s, period_s, next_s) and next_s - make_s < period_s - _ROUNDED_S:  # type: ignore[operator]
                yield f"{where}: one begins at {make_s:g} s, the next {next_s - make_s:g} s later, in a period of {period_s:g} s"  # type: ignore[operator]
        if len(table) > step.cycles:
            yield f"{where}: {len(table)} of them, of {step.cycles} cycles"


def values_follow_the_flashes(record: TestRecord) -> Iterator[str]:
    """A mean over the flashes of a run lies among them, as far as all of them are in the record."""
    for step in record.steps:
        if step.flashes.first > 1:
            continue
        for name, of_flashes in _MEANS.items():
            found = step.measured.values.get(name)
            seen = [x for x in of_flashes(step.flashes) if x is not None]
            if not isinstance(found, Estimate) or not seen:
                continue
            room = found.expanded() + _ROOM * abs(found.value)
            if not min(seen) - room <= found.value <= max(seen) + room:
                among = f"the flashes show {min(seen):.4g} to {max(seen):.4g}"
                yield f"{QUANTITIES[name].title} of {found.value:.4g} {found.unit} in run {step.name}, but {among}"


def what_is_judged_follows_the_runs(record: TestRecord) -> Iterator[str]:
    """Every value that is judged is that of a run, lies among those of several starts, or is the quotient of two."""
    for name, found in record.measured.values.items():
        if not isinstance(found, Estimate):
            continue
        if name in _QUOTIENTS:
            rates = _of_runs(record.steps, "rate_per_min")
            holds = any(isclose(found.value * whole, rate, rel_tol=_SAME) for whole in rates for rate in rates)
        else:
            of_runs, room = _of_runs(record.steps, _OF_OTHER_LOADS.get(name, name)), _SAME * abs(found.value)
            if name in OF_STARTS and of_runs:
                holds = min(of_runs) - room <= found.value <= max(of_runs) + room
            else:
                holds = any(abs(found.value - value) <= room for value in of_runs)
        if not holds:
            yield f"{QUANTITIES[name].title} of {found.value:.4g} {found.unit} is judged, which no run of the record shows"


def _of_runs(steps: Sequence[StepRecord], name: str) -> list[float]:
    found = (step.measured.values.get(name) for step in steps)
    return [one.value for one in found if isinstance(one, Estimate)]


def what_is_said_of_the_supply_agrees(record: TestRecord) -> Iterator[str]:
    """The supply was one that a system of these volts can be set up with; runs were made at it, unless their step asks for another;
    and that of the test is that of one of its runs."""
    system_v = record.system_v
    for volts in (record.setup.supply_v, *(step.supply_v for step in record.steps)):
        if volts is not None and not 0.4 * system_v - _ROOM <= volts <= 1.4 * system_v + _ROOM:
            yield f"a supply of {volts:g} V in a {system_v:g} V system"
    at_it = {step.name for step in record.procedure.runs if step.supply_v is None}
    for step in record.steps:
        is_at_it = record.board is not None and not at_it.isdisjoint((step.name, step.name.rpartition("-")[0]))
        made_v, set_v = step.supply_v, record.setup.supply_v
        if is_at_it and made_v is not None and set_v is not None and made_v != set_v:
            yield f"run {step.name} at {made_v:g} V, which was to be made at {set_v:g} V"
    of_runs = [step.supply_v for step in record.steps if step.supply_v is not None]
    if record.board is not None and of_runs and record.supply_v is not None and record.supply_v not in of_runs:
        of_each = " and ".join(f"{volts:g} V" for volts in dict.fromkeys(of_runs))
        yield f"tested at {record.supply_v:g} V, but its runs were made at {of_each}"


def sets_are_those_of_the_verdicts(record: TestRecord) -> Iterator[str]:
    """Every limit set that was used has a verdict; and there is none where none was asked for, claims aside."""
    judged = {verdict.limit_set for verdict in record.verdicts}
    for used in record.limit_sets:
        if used.name not in judged:
            yield f"the limit set {used.name!r} was used, but there is no verdict by it"
        if used.name != CLAIMS and not record.setup.limits and record.older_format is None:
            yield f"the limit set {used.name!r} was used, but none was asked for"


RUNS_AND_FLASHES = (
    flashes_are_possible,
    values_follow_the_flashes,
    what_is_judged_follows_the_runs,
    what_is_said_of_the_supply_agrees,
    sets_are_those_of_the_verdicts,
)
