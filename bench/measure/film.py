"""A film on the contacts, from storage: a high drop that goes away within 5 to 20 flashes, and may come back.

While it goes away nothing that it moves can be judged: the drop by nature, and in a thermal unit the flashes too, whose heater gets less.
So what is averaged begins where the film has gone; until then its share is in the uncertainty, as large as the drop itself.

Common practice, no source; the number of flashes is from the trade handbook.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import median

from bench.cycles import Cycle
from bench.measure.evidence import Evidence
from bench.measure.vocabulary import FilmState
from bench.uncertainty import Component, Estimate, Measurement, NotMeasured, type_a

_LEAST_READ_S = 0.05  # a blip of a two-coil unit is over before its drop can be read
_FILM_V, _FILM_PART = 0.1, 0.25  # of a 12 V unit, and of the later drop: a first drop higher by both is a film
_FILM_SPREADS = 4.0  # of the scatter of the later drops: an eroded contact touches well and ill by turns
_GONE_V, _GONE_FLASHES = 0.05, 5  # of a 12 V unit: it has gone when so many flashes in a row are so near to the last ones
_BACK_V = 0.04  # of a 12 V unit: a drop that rises again by more between flashes is no film
_AT_A_TIME = 3  # flashes whose median is taken: one that touched ill is passed over


@dataclass(frozen=True, slots=True)
class Film:
    """`going`: the drop still falls. `gone_at`: index of the first cycle after it had gone; 0 where there was none, or it is going."""

    going: bool = False
    gone_at: int = 0


def film_of(e: Evidence, kept: Sequence[Cycle]) -> Film:
    """Return what the drops of these cycles, from the first of the run, show of a film: they must fall, and never rise again."""
    if e.cycles_before or e.applied is None:
        return Film()
    read = [(i, c.lit.drop.value) for i, c in enumerate(kept) if c.lit.drop is not None and c.on_s > _LEAST_READ_S]
    if len(read) < 2 * _AT_A_TIME:
        return Film()
    scale = e.conditions.system_v / 12.0
    drops = [v for _, v in read]
    last = median(drops[-_AT_A_TIME:])
    smooth = [median(drops[i : i + _AT_A_TIME]) for i in range(len(drops) - _AT_A_TIME + 1)]
    fell = smooth[0] - last > max(_FILM_V * scale, _FILM_PART * last)
    if not fell or any(later - earlier > _BACK_V * scale for earlier, later in pairwise(smooth)):
        return Film()
    above = [i for i, v in read if v - last > _GONE_V * scale]
    gone_at = above[-1] + 1 if above else 0
    if sum(i >= gone_at for i, _ in read) < _GONE_FLASHES:
        return Film(going=True)
    return Film(gone_at=gone_at)


def film_value(e: Evidence, kept: Sequence[Cycle], counted: Sequence[Cycle]) -> dict[str, Measurement]:
    """Return how much higher the drop was in the first flashes than in those that count."""
    if e.cycles_before or e.applied is None or sum(c.lit.drop is not None for c in counted) < 3:
        return {"film_v": NotMeasured("the first flashes and enough later ones were not both seen")}
    early = kept[: len(kept) - len(counted)] or kept[:1]
    readings = [c.lit.drop for c in early if c.lit.drop is not None and c.on_s > _LEAST_READ_S]
    if not readings:
        return {"film_v": NotMeasured("the first flashes show no readable drop")}
    drops = [c.lit.drop.value for c in counted if c.lit.drop is not None]
    highest = max(readings, key=lambda r: r.value)
    # The median of normal values scatters by sqrt(pi / 2) more than their mean.
    scatter = Component(f"scatter of {len(drops)} later drops", math.sqrt(math.pi / 2.0) * type_a(drops).u, float(len(drops) - 1), "A")
    counts = Component("counts", e.accuracies["v_drop"].u_apart if "v_drop" in e.accuracies else 0.0)
    return {"film_v": Estimate(highest.value - median(drops), "V", (Component("noise", highest.u), scatter, counts), len(readings))}


def film_fact(e: Evidence, film: Film, values: Mapping[str, Measurement]) -> FilmState:
    """Return whether the first flashes lost clearly more than the later ones, and whether the drop still falls; unknown where those flashes
    were not seen."""
    found, drop = values["film_v"], values["drop_v"]
    if film.going:
        return FilmState.GOING
    if not isinstance(found, Estimate) or not isinstance(drop, Estimate):
        return FilmState.UNKNOWN
    if film.gone_at:
        return FilmState.RECOVERED
    spread = values["drop_spread_v"]
    scatter = _FILM_SPREADS * spread.value if isinstance(spread, Estimate) else 0.0
    least = max(_FILM_V * e.conditions.system_v / 12.0, _FILM_PART * drop.value, scatter)
    return FilmState.RECOVERED if found.value > least else FilmState.NONE


def still_going(most: float) -> Component:
    """Return what a film that is going away may yet move a value by: a drop by all of it, a rate or on-time by as much as it has moved.

    `most` in the value's unit.
    """
    return Component("a film still going away", most / math.sqrt(3.0), kind="B", shape="rectangular")
