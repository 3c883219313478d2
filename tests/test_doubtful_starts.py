"""Starts of which something was not seen, and states that have not lasted yet: what is not known is not said, or charged to the unit."""

from __future__ import annotations

from hand_evidence import cycles, estimate, evidence, lit, measured

from bench.measure import Counts
from bench.measure.behaviour import Start, start_of
from bench.transitions import Transition
from bench.uncertainty import NotMeasured

STARTING = ("first_light_s", "first_extinction_s", "start_s", "start_largest_s")


def change(t_ms: float, closed: bool) -> Transition:
    """A change so long after the voltage, which comes at 0.3 s."""
    return Transition(0.3 + t_ms / 1000.0, closed, 1e-6)


def test_a_start_whose_first_make_was_lost_is_not_known() -> None:
    """The first that was seen is an opening: it is neither the first light nor, for all that is known, the first going out."""
    starts = [change(200.0, False), change(600.0, True), change(1000.0, False)]
    assert start_of(evidence([], starts=starts, now_s=9.0)) == Start("unknown")
    m = measured(cycles([(0.4, 0.3)] * 4, lit(siemens=1.0), first_s=0.9), Counts(0, 3), starts=starts, first_lit=lit(siemens=1.0))
    assert {m.values[name] for name in STARTING} == {NotMeasured("samples were lost during the start", "bench")}
    assert isinstance(m.values["inrush_first_a"], NotMeasured)
    assert (m.facts["rest"], m.facts["mechanism"], m.bench_faults) == ("unknown", "unknown", ())
    assert estimate(m, "rate_per_min").n == 4
