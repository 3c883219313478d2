"""A film on the contacts: told from its fall, flash by flash, and from nothing that a worn contact does."""

from __future__ import annotations

import math
import random
from collections.abc import Sequence
from types import SimpleNamespace
from typing import cast

import pytest

from bench.cycles import Cycle
from bench.measure.evidence import Evidence
from bench.measure.film import Film, film_of, still_going
from bench.readings import Reading


def seen(system_v: float = 12.0, cycles_before: int = 0, applied: bool = True) -> Evidence:
    conditions = SimpleNamespace(system_v=system_v)
    return cast("Evidence", SimpleNamespace(cycles_before=cycles_before, applied=object() if applied else None, conditions=conditions))


def flashes(drops: Sequence[float | None], on_s: float = 0.3) -> list[Cycle]:
    made = (SimpleNamespace(on_s=on_s, lit=SimpleNamespace(drop=None if v is None else Reading(v, 0.001, 20))) for v in drops)
    return [cast("Cycle", one) for one in made]


def film(count: int, amplitude: float = 0.6, over: float = 5.0, under: float = 0.3) -> list[float]:
    """Drops in V of so many flashes while a film of `amplitude` burns off with `over` flashes."""
    return [under + amplitude * math.exp(-k / over) for k in range(count)]


def test_it_is_going_until_five_flashes_stand_where_the_last_ones_do() -> None:
    found = [film_of(seen(), flashes(film(n))) for n in range(6, 40)]
    gone = [not one.going for one in found]
    assert found[0] == Film(going=True)
    assert gone == sorted(gone), "once gone it is not going again"
    # 0.6 V that fall with 5 flashes are less than 0.05 V above their end from the 13th on; the first five that are so near to each other
    # begin with the 9th.
    assert next(one for one in found if not one.going).gone_at == 9
    assert found[-1].gone_at == 13


@pytest.mark.parametrize("over", [2.0, 5.0, 20.0])
@pytest.mark.parametrize("noise_v", [0.0, 0.01])
def test_what_counts_afterwards_is_free_of_it(over: float, noise_v: float) -> None:
    rng = random.Random(3)
    drops = [v + noise_v * rng.gauss(0.0, 1.0) for v in film(120, over=over)]
    found = film_of(seen(), flashes(drops))
    assert not found.going and found.gone_at > 0
    assert max(drops[found.gone_at :]) < 0.3 + 0.08


@pytest.mark.parametrize(
    ("drops", "why"),
    [
        ([0.3] * 20, "a sound contact"),
        ([0.3 + 0.02 * k for k in range(20)], "one that gets worse"),
        ([0.35 - 0.002 * k for k in range(20)], "a drop that falls by less than a tenth of a volt"),
        ([1.0, 0.95, 0.9, 0.3, 0.3, 0.3, 0.3, 0.9, 0.9, 0.9, 0.3, 0.3, 0.3, 0.3, 0.3, 0.3], "one that touches ill now and then"),
        (film(5), "too few flashes to tell"),
    ],
)
def test_what_is_no_film(drops: list[float], why: str) -> None:
    assert film_of(seen(), flashes(drops)) == Film(), why


def test_a_burnt_contact_that_touches_by_chance_is_none() -> None:
    rng = random.Random(1)
    found = [film_of(seen(), flashes([0.2 + 2.5 * rng.random() for _ in range(n)])) for n in range(8, 60)]
    assert sum(one != Film() for one in found) <= 1


def test_only_from_cold_and_with_the_scale_of_the_system() -> None:
    drops = film(40)
    assert film_of(seen(cycles_before=9), flashes(drops)) == Film()
    assert film_of(seen(applied=False), flashes(drops)) == Film()
    small = film(40, amplitude=0.15, under=0.2)
    assert film_of(seen(12.0), flashes(small)) != Film()
    assert film_of(seen(24.0), flashes(small)) == Film()


def test_flashes_without_a_drop_and_blips_do_not_count() -> None:
    drops: list[float | None] = [None, None, *film(40)]
    assert film_of(seen(), flashes(drops)).gone_at == 15
    assert film_of(seen(), flashes(film(40), on_s=0.01)) == Film()


def test_what_it_may_yet_move_is_a_rectangle() -> None:
    part = still_going(0.8)
    assert part.u == pytest.approx(0.8 / math.sqrt(3.0)) and part.shape == "rectangular"
