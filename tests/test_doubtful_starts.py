"""Starts of which something was not seen, and states that have not lasted yet: what is not known is not said, or charged to the unit."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from hand_evidence import cycles, estimate, evidence, lit, measured, near

from bench.measure import Conditions, Counts, RestState
from bench.measure.behaviour import Start, behaviour, start_of
from bench.samples import Timing
from bench.transitions import SupplyEdge, Transition
from bench.uncertainty import NotMeasured

STARTING = ("first_light_s", "first_extinction_s", "start_s", "start_largest_s")


def change(t_ms: float, closed: bool) -> Transition:
    """A change so long after the voltage, which comes at 0.3 s."""
    return Transition(0.3 + t_ms / 1000.0, closed, 1e-6)


def test_a_start_whose_first_make_was_lost_is_not_known() -> None:
    """The first that was seen is an opening: it is neither the first light nor, for all that is known, the first going out."""
    starts = [change(200.0, False), change(600.0, True), change(1000.0, False)]
    assert start_of(evidence([], starts=starts, now_s=9.0)) == Start(RestState.UNKNOWN)
    m = measured(cycles([(0.4, 0.3)] * 4, lit(conductance=1.0), first_s=0.9), Counts(0, 3), starts=starts, first_lit=lit(conductance=1.0))
    assert {m.values[name] for name in STARTING} == {NotMeasured("samples were lost during the start", "bench")}
    assert isinstance(m.values["inrush_first_a"], NotMeasured)
    assert (m.facts["rest"], m.facts["mechanism"], m.bench_faults) == ("unknown", "unknown", ())
    assert estimate(m, "rate_per_min").n == 4


def test_a_unit_that_opened_again_within_a_tenth_of_a_second_was_not_closed_at_rest() -> None:
    """However short a time it was looked at; and one that closes later was open at rest from the first moment on."""
    blip = [change(0.0, True), change(9.0, False)]
    assert start_of(evidence([], starts=blip, now_s=0.35)) == Start(RestState.OPEN)
    late = start_of(evidence([], starts=[change(470.0, True)], now_s=0.8))
    assert late == Start(RestState.OPEN, light=(near(0.77), 1e-6))


@pytest.mark.parametrize(
    ("blip_ms", "light", "changes"),
    [
        (19.0, False, {}),  # a filament gives light after 20 ms
        (21.0, True, {}),
        (9.0, False, {"conditions": Conditions(filament=False)}),  # an LED lamp after 10 ms
        (11.0, True, {"conditions": Conditions(filament=False)}),
        (23.0, False, {"applied": SupplyEdge(0.3, True, 2e-3)}),  # known to 4 ms
        (25.0, True, {"applied": SupplyEdge(0.3, True, 2e-3)}),
        (44.0, False, {"timing": Timing(sampling_s=0.025)}),  # a mean over 25 ms makes it longer by as much
        (46.0, True, {"timing": Timing(sampling_s=0.025)}),
    ],
)
def test_a_blip_gives_light_where_it_lasted_long_enough_beyond_doubt(blip_ms: float, light: bool, changes: dict[str, Any]) -> None:
    starts = [change(0.0, True), change(blip_ms, False), change(460.0, True), change(750.0, False)]
    found = start_of(evidence([], starts=starts, now_s=9.0, **({"applied": SupplyEdge(0.3, True, 0.0)} | changes)))
    assert found.rest == "open" and found.light is not None and found.done is not None
    assert (found.light[0], found.done[0]) == near((0.3 if light else 0.76, 1.05))


def test_a_supply_that_came_and_went_was_there() -> None:
    gone = evidence([], starts=[], begun=None, closed_now=False, supplied=False, removed=SupplyEdge(0.4, False, 1e-6), now_s=9.0)
    assert behaviour(gone, Counts(0, 3)) == "too few"
    assert behaviour(replace(gone, applied=None, removed=None), Counts(0, 3)) == "no supply"
