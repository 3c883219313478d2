"""Cycles and evidence written by hand: every reading and every instant as a test wants it, for tests of what is made of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import pytest

from bench.clock import ClockEstimate
from bench.cycles import Cycle, Dark, Lit
from bench.description import CommonModeError
from bench.lamps import expected_current_a
from bench.measure import Conditions, Counts, Evidence, Measured, measure
from bench.readings import Reading
from bench.samples import Accuracy
from bench.supply import SupplyEvidence
from bench.transitions import SupplyEdge, Transition
from bench.uncertainty import Component, Estimate, NotMeasured

ALL = Counts(skip=0, average=3)
near: Any = pytest.approx
"""pytest.approx, to be compared with inside of tuples."""
TWO_LAMPS = Conditions(lamps_w=(21.0, 21.0), loop_ohm=0.11)
LAMP_V = 12.45
STEADY_A = expected_current_a((21.0, 21.0), 12.0, LAMP_V)
# All different, so that no one can stand for another.
SHARE = CommonModeError("v_in", u=3e-4, part=0.002)
ACCURACY = {
    "v_in": Accuracy(0.0, 18.8, 1.1e-3, 2.3e-2, 3.1e-3, 0.009),
    "v_out": Accuracy(0.0, 18.8, 1.3e-3, 2.7e-2, 3.3e-3, 0.009),
    "v_drop": Accuracy(-0.064, 0.96, 1.7e-3, 1.9e-3, 5.3e-4, 6e-4, (SHARE,)),
    "i_load": Accuracy(-5.0, 76.7, 1.9e-3, 0.021, 0.023, 0.04),
    "i_load_low": Accuracy(-0.5, 7.67, 2.1e-3, 0.0041, 0.0043, 0.005),
    "v_pilot": Accuracy(0.0, 18.8, 2.3e-3, 2.9e-2, 3.7e-3, 0.009),
}
NOT_CORRECTED = ClockEstimate(0.0, (Component("own tolerance", 2.9e-3, shape="rectangular"),), False, 0.5)
CORRECTED = ClockEstimate(4e-3, (Component("fit", 2e-5, 9.0, "A"), Component("host", 3e-5, shape="rectangular")), True, 12.0)


def lit(**changes: Any) -> Lit:
    """Two sound lamps on a sound bench; a number stands for a reading with a random part of 0.1 %."""
    found: dict[str, Any] = {
        "supply": LAMP_V + 0.36, "lamp": LAMP_V, "steady": STEADY_A, "drop": 0.36, "drop_a": STEADY_A, "peak": 36.0, "pilot": 12.0,
        "conductance": 3.0, "by_difference": False, "dip": None,
    } | changes  # fmt: skip
    return Lit(**_read(found))


def dark(**changes: Any) -> Dark:
    found: dict[str, Any] = {"current": Reading(0.0, 1e-4, 100), "supply": 12.9, "out": 0.0, "pilot": 0.0} | changes
    return Dark(**_read(found))


def _read(levels: dict[str, Any]) -> dict[str, Any]:
    return {name: reading(value) if isinstance(value, float) else value for name, value in levels.items()}


def reading(value: float) -> Reading:
    return Reading(value, 1e-3 * abs(value), 100)


def cycles(
    on_off_s: Sequence[tuple[float, float]],
    lits: Sequence[Lit] | Lit | None = None,
    darks: Sequence[Dark] | Dark | None = None,
    first_s: float = 0.3,
    make_u_s: float = 5e-6,
    break_u_s: float = 7e-6,
) -> list[Cycle]:
    """Cycles of these on and off times, one after the other."""
    made, t = list[Cycle](), first_s
    for k, (on_s, off_s) in enumerate(on_off_s):
        begun, broke = Transition(t, True, make_u_s), Transition(t + on_s, False, break_u_s)
        t += on_s + off_s
        bright = lits if isinstance(lits, Lit) else lits[k] if lits else lit()
        black = darks if isinstance(darks, Dark) else darks[k] if darks else dark()
        made.append(Cycle(begun, broke, Transition(t, True, make_u_s), replace(bright, settled_s=on_s), black))
    return made


def evidence(of: Sequence[Cycle], **changes: Any) -> Evidence:
    """A run of which these are all the cycles: voltage applied at 0.3 s, ended half a second into the flash after them."""
    end_s = of[-1].ended.t_s if of else 0.3
    starts = [change for c in of for change in (c.begun, c.broke)]
    found: dict[str, Any] = {
        "cycles": of, "cycles_before": 0, "cycles_broken": 0, "applied": SupplyEdge(0.3, True, 3e-6), "removed": None, "starts": starts,
        "first_lit": of[0].lit if of else None, "begun": of[-1].ended if of else None, "broke": None, "lit_now": None, "dark_now": None,
        "flow_now_a": None, "closed_now": bool(of), "state_since_s": end_s, "now_s": end_s + 0.05, "rest": {}, "accuracies": ACCURACY,
        "clock": NOT_CORRECTED, "conditions": TWO_LAMPS, "clock_half_width": 5e-3, "interval_s": 130e-6, "supplied": True,
        "supply": SupplyEvidence((12.4, 30.0), 12.9, drawing_s=2.0),
    } | changes  # fmt: skip
    return Evidence(**found)


def measured(of: Sequence[Cycle], counts: Counts = ALL, **changes: Any) -> Measured:
    return measure(evidence(of, **changes), counts)


def estimate(m: Measured, name: str) -> Estimate:
    found = m.values[name]
    assert isinstance(found, Estimate), found
    return found


def reason(m: Measured, name: str) -> str:
    found = m.values[name]
    assert isinstance(found, NotMeasured), found
    return found.reason


def parts(found: Estimate) -> dict[str, Component]:
    """The budget by source; each source stands in it once."""
    by_source = {c.source: c for c in found.budget}
    assert len(by_source) == len(found.budget), [c.source for c in found.budget]
    return by_source
