"""In which flash a lamp died: the same as by the plain way, which looks back over all of them, and in a time that grows as they do."""

from __future__ import annotations

import time
from collections.abc import Sequence
from statistics import median
from types import SimpleNamespace
from typing import cast

from hypothesis import example, given
from hypothesis import strategies as st

from bench.measure.bench_check.lamp_faults import _COUNTS_S, _DIED, _SETTLED_S, lamp_died_at
from bench.measure.bench_check.steady_flashes import LIT_LEAST_S
from bench.measure.evidence import Evidence
from bench.readings import Reading

Flash = tuple[float, float]
"""On-time in s, and conductance of the load in siemens; 0 where no current was read."""


def evidence(flashes: Sequence[Flash]) -> Evidence:
    lamp = Reading(12.0, 0.001, 20)
    lits = [SimpleNamespace(steady=Reading(12.0 * g, 0.001, 20) if g else None, lamp=lamp, settled_s=on_s) for on_s, g in flashes]
    cycles = [SimpleNamespace(on_s=on_s, lit=lit) for (on_s, _), lit in zip(flashes, lits, strict=True)]
    conditions = SimpleNamespace(filament=True, system_v=12.0)
    return cast("Evidence", SimpleNamespace(cycles=cycles, broke=object(), lit_now=None, conditions=conditions))


def plainly(flashes: Sequence[Flash]) -> int | None:
    """By the definition, flash by flash."""
    usual = median(on_s for on_s, _ in flashes) if flashes else 0.0
    settled_s = max(min(_SETTLED_S, 0.9 * usual), LIT_LEAST_S)
    loads = [(i, g, on_s > settled_s) for i, (on_s, g) in enumerate(flashes) if on_s > _COUNTS_S and g]
    for k in range(1, len(loads)):
        known = [g for _, g, settled in loads[:k] if settled][-3:]
        if not known:
            continue
        before, after = median(known), median(g for _, g, _ in loads[k : k + 3])
        changes = loads[k][1] / before - 1.0, after / before - 1.0
        if max(changes) < -_DIED or (loads[k][2] and min(changes) > _DIED):
            return loads[k][0]
    return None


FLASHES = st.lists(st.tuples(st.sampled_from((0.05, 0.12, 0.25, 0.4)), st.sampled_from((0.0, 0.15, 0.16, 0.25, 0.3, 0.31))), max_size=14)


@example(flashes=[(0.4, 0.3), (0.4, 0.3), (0.4, 0.2), (0.4, 0.3), (0.4, 0.3), (0.4, 0.3)])  # one that was odd is no change
@example(flashes=[(0.4, g) for g in (0.300, 0.285, 0.271, 0.258, 0.245, 0.245, 0.245)])  # a slow change, told from the last three alone
@given(flashes=FLASHES)
def test_it_is_the_flash_that_the_plain_way_finds(flashes: list[Flash]) -> None:
    assert lamp_died_at(evidence(flashes)) == plainly(flashes)


def test_flashes_of_which_some_are_too_short_to_settle() -> None:
    flashes = [(0.4, 0.3), (0.12, 0.36), (0.4, 0.3), (0.12, 0.15), (0.4, 0.15), (0.4, 0.15)]
    assert lamp_died_at(evidence(flashes)) == plainly(flashes) == 3


def test_an_hour_and_more_of_flashes_is_no_matter() -> None:
    """Looking back over all flashes at each of them, 20,000 take several seconds."""
    one = evidence([(0.4, 0.3)] * 20_000)
    began = time.process_time()
    assert lamp_died_at(one) is None
    assert time.process_time() - began < 1.0
