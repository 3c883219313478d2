"""Limits, values and alternatives of which verdicts are made: for the tests of verdicts."""

from __future__ import annotations

import math
from collections.abc import Sequence

from bench.limits import AllOf, AnyOf, Averaging, FactLimit, Limit, LimitSet, Source
from bench.measure import BenchFault, Measured
from bench.outcome import Case, Outcome, conclude
from bench.uncertainty import Component, Estimate, Measurement
from bench.verdict import Verdict

INF = math.inf
OWN = Source("own", "this test")
RATE = Limit("rate_per_min", 60.0, 120.0, "1/min", OWN)
DROP = Limit("drop_v", None, 0.8, "V", OWN)
START = Limit("start_s", None, 1.5, "s", OWN)
PILOT = FactLimit("pilot", ("in step",), "tell-tale", OWN)


def limit_set(*requirements: Limit | FactLimit | AnyOf) -> LimitSet:
    averaging = Averaging("mean-of-rates", 5, 3, OWN)
    return LimitSet("set", "a set", "set", "none", "none", "any", "any", None, averaging, requirements)


def estimate(value: float, u: float, unit: str = "1/min", dof: float = INF) -> Estimate:
    return Estimate(value, unit, (Component("u", u, dof),), 8)


# Alternatives, as QC/T 501-1999 has them for outage indication (after a public summary).

RISE = AllOf("rise", (Limit("outage_ratio", 1.75, None, "1", OWN), Limit("outage_rate_per_min", 140.0, None, "1/min", OWN)))
FALL = AllOf("fall", (Limit("outage_ratio", None, 0.5, "1", OWN), Limit("outage_rate_per_min", None, 50.0, "1/min", OWN)))
STEADY = AllOf("steady", (FactLimit("outage", ("steady on", "dark"), "steady", OWN),))
OUTAGE = AnyOf("outage indication", (RISE, FALL, STEADY))


def outage(rate: float, normal: float, u: float = 0.1, fact: str = "flashing") -> Measured:
    values: dict[str, Measurement] = {
        "outage_rate_per_min": estimate(rate, u),
        "outage_ratio": estimate(rate / normal, u / normal, "1"),
    }
    return Measured(values, {"outage": fact})


def concluded(verdicts: Sequence[Verdict], faults: tuple[BenchFault, ...] = (), interrupted: str | None = None) -> Outcome:
    """The outcome of a test without a grade rule."""
    return conclude(Case(Measured(), verdicts, None, faults, interrupted)).outcome
