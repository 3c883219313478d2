"""Flashes whose lamps have been lit for long enough to say something."""

from __future__ import annotations

from collections.abc import Sequence

from bench.cycles import Cycle, Lit
from bench.measure.evidence import Evidence

LIT_LEAST_S = 0.2
"""Before that the lamps' own inrush hides a change of load."""


def steadily_lit(e: Evidence, cycles: Sequence[Cycle]) -> list[Lit]:
    """Return the flashes that outlast the inrush; without one, what is lit now if that does."""
    lits = [c.lit for c in cycles if c.on_s > LIT_LEAST_S]
    return lits or ([e.lit_now] if e.lit_now is not None and lit_s(e) > LIT_LEAST_S else [])


def lit_s(e: Evidence) -> float:
    """Return how long the flash at hand has been, or was, lit; since it was found lit if its make was not seen."""
    if e.begun is None:
        return e.end_s - e.state_since_s if e.closed_now else 0.0
    return (e.broke.t_s if e.broke is not None else e.end_s) - e.begun.t_s
