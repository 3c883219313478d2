"""The true values of a random simulated unit on a random rig: the unit, the same start again and again, and what its pulses come to.

The truth of a mean over cycles is the unit's mean behaviour; each repetition has its own flash-to-flash scatter and bounce.
"""

from __future__ import annotations

import math
import random
import statistics
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TypeAlias

from bench.clock import HOST_HALF_WIDTH
from bench.measure import Measured
from bench.simboard.board import SimulatedBoard
from bench.simboard.population import draw
from bench.simboard.pulses import Pulse
from bench.simboard.units import Rating, Unit
from bench.simboard.world import World
from bench.uncertainty import Estimate

KINDS = ("NC", "HWh", "HWp", "TC", "ELo", "EL", "EL2")
LOADS: tuple[tuple[int, ...], ...] = ((1, 2), (1, 2), (1, 2), (1, 2, 5), (1, 2, 3))
WATTS = {1: 21.0, 2: 21.0, 3: 21.0, 4: 10.0, 5: 5.0}
BLIP_S = 0.1
REPETITIONS = 8

NOT_COMPARED: Mapping[str, str] = {
    "start_largest_s": "one start each: the same as start_s",
    "missed": "a count, exact or wrong (tests/test_behaviour.py)",
    "stuck": "a count, exact or wrong (tests/test_behaviour.py)",
    "dropouts": "a count, exact or wrong (tests/test_cycles.py)",
    "film_v": "no unit drawn here has a film (tests/test_measure.py)",
    "pilot_on_v": "a pulse knows whether the tell-tale was lit, not its volts",
    "outage_rate_per_min": "rate_per_min of a run on other loads",
    "outage_ratio": "the quotient of two rates",
    "trailer_rate_per_min": "rate_per_min of a run on other loads",
    "trailer_on_ratio": "on_ratio of a run on other loads",
    "trailer_ratio": "the quotient of two rates",
}
"""Quantities whose truth is not told here, and why. `tests/test_truth.py` wants every other one compared."""

Truths: TypeAlias = dict[str, tuple[float, float]]


@dataclass(frozen=True)
class Case:
    """One random unit on one random rig."""

    seed: int
    kind: str
    loads: tuple[int, ...]
    system_v: float
    supply_v: float
    ambient_c: float
    host_error: float

    @classmethod
    def drawn(cls, seed: int, loads: tuple[tuple[int, ...], ...] = LOADS) -> Case:
        rng = random.Random(f"truth {seed}")
        system_v = rng.choice((6.0, 12.0, 12.0, 12.0, 12.0, 24.0))
        supply = rng.uniform(11.5, 14.5) * system_v / 12.0
        ambient_c, host_error = rng.uniform(-10.0, 45.0), rng.uniform(-1.0, 1.0) * HOST_HALF_WIDTH
        return cls(seed, rng.choice(KINDS), rng.choice(loads), system_v, supply, ambient_c, host_error)

    def unit(self) -> Unit:
        return draw(self.kind, self.seed, Rating(self.system_v, tuple(WATTS[n] for n in self.loads)))

    def world(self, *, scatter_seed: int | None = None, scatter: bool = True) -> World:
        return World(
            self.unit(), supply_v=self.supply_v, system_v=self.system_v, ambient_c=self.ambient_c,
            seed=self.seed if scatter_seed is None else scatter_seed, rated_loads=self.loads, scatter=scatter,
        )  # fmt: skip


def repetitions(case: Case, applied_s: float, end_s: float) -> list[tuple[Pulse, ...]]:
    """The same unit's same start again and again, in the physics alone: true pulses of each."""
    found = []
    for k in range(REPETITIONS):
        world = case.world(scatter_seed=1000 * case.seed + k)
        world.switch(loads=frozenset(case.loads))
        world.advance(applied_s)
        world.switch(master=True)
        while world.t_s < end_s:
            world.advance(min(world.t_s + 1.0, end_s))
        world.switch(master=False)
        found.append(tuple(world.pulses))
    return found


def start_times(pulses: Sequence[Pulse], applied_s: float) -> tuple[dict[str, float], Sequence[Pulse]]:
    """True start times by the standards' rules, and the pulses that are flashes."""
    flashes = list(pulses)
    first = flashes[0]
    if first.make_s - applied_s < 5e-3 and first.break_s is not None and first.break_s - first.make_s < BLIP_S:
        flashes = flashes[1:]
    if not flashes or flashes[0].break_s is None:
        return {}, flashes
    light = flashes[0].make_s - applied_s
    opened = flashes[0].break_s - applied_s
    return {"first_light_s": light, "first_extinction_s": opened, "start_s": opened}, flashes


def truths(
    case: Case, measured: Measured, world: World, repeated: Sequence[Sequence[Pulse]], applied_s: float, board: SimulatedBoard
) -> Truths:
    """The true value of every quantity that this case can tell, with the standard error of that truth."""
    real = list(world.pulses)
    if len(real) < 9:
        return {}
    exact, _ = start_times(real, applied_s)
    exact["inrush_first_a"] = real[0].peak_a
    drop = measured.values["drop_v"]
    used = drop.n if isinstance(drop, Estimate) else 0
    if used and len(real) > 5 + used and all(p.lowest_drop_v is not None for p in real[5 : 5 + used]):
        exact["drop_largest_v"] = max(p.lowest_drop_v or 0.0 for p in real[5 : 5 + used])
    exact["bounce_make_s"] = max(p.bounce_make_s for p in real)
    exact["bounce_break_s"] = max(p.bounce_break_s for p in real[:-1])
    exact["temperature_c"] = case.ambient_c
    exact["clock_error"] = 1.0 / (1.0 + board.rig.hidden.clock_error) - 1.0
    found = {name: (value, 0.0) for name, value in exact.items()} | _mean_truths(measured, repeated, used)
    if "steady_a" in found:
        found["inrush_ratio"] = (real[0].peak_a / found["steady_a"][0], 0.0)
    return found


def _mean_truths(measured: Measured, repeated: Sequence[Sequence[Pulse]], used: int) -> Truths:
    """Means over the cycles that were counted: over all repetitions, with the standard error."""
    rate = measured.values["rate_per_min"]
    n = rate.n if isinstance(rate, Estimate) else 0
    runs: list[dict[str, float]] = []
    for pulses in repeated:
        chosen = pulses[5 : 5 + n + 1]
        if not n or len(chosen) < n + 1 or any(p.break_s is None for p in chosen[:-1]):
            continue
        runs.append(cycle_means(chosen) | drop_means(chosen[:-1], used))
    found: Truths = {}
    for name in runs[0] if len(runs) == len(repeated) else ():
        if all(name in run for run in runs):
            values = [run[name] for run in runs]
            found[name] = (statistics.fmean(values), statistics.stdev(values) / math.sqrt(len(values)))
    if "period_s" in found:
        mean, _ = found.pop("period_s")
        spread_s, spread_se = _root(*found.pop("period_variance"))
        found["period_spread"] = (spread_s / mean, spread_se / mean)
    if "drop_variance" in found:
        found["drop_spread_v"] = _root(*found.pop("drop_variance"))
    return found


def _root(variance: float, se: float) -> tuple[float, float]:
    """Return the root of a variance, and the standard error of it. In the root of the variance's unit."""
    return math.sqrt(variance), se / (2.0 * math.sqrt(variance)) if variance else 0.0


def drop_means(pulses: Sequence[Pulse], used: int) -> dict[str, float]:
    """Return true contact drops: means over the first `used` pulses, and the trend over all; nothing where one of them has none."""
    chosen = pulses[:used]
    if not used or len(chosen) < used or any(p.lowest_drop_v is None for p in pulses):
        return {}
    return {
        "drop_v": statistics.fmean(p.lowest_drop_v or 0.0 for p in chosen),
        "drop_carried_v": statistics.fmean((p.lowest_drop_v or 0.0) * min(1.0, 3.5 / p.steady_a) for p in chosen),
        "contact_ohm": statistics.fmean((p.lowest_drop_v or 0.0) / p.steady_a for p in chosen),
        "drop_variance": statistics.variance(p.lowest_drop_v or 0.0 for p in pulses),
        "drop_trend_v_per_min": _slope([(p.make_s / 60.0, p.lowest_drop_v or 0.0) for p in pulses]),
    }


def cycle_means(pulses: Sequence[Pulse]) -> dict[str, float]:
    """Return the true means over the cycles that these pulses bound."""
    cycles = [(a.make_s, a.break_s or 0.0, b.make_s, a) for a, b in pairwise(pulses)]
    mean = statistics.fmean
    periods = [end - make for make, _, end, _ in cycles]
    ons = [broke - make for make, broke, _, _ in cycles]
    rates = [60.0 / p for p in periods]
    return {
        "rate_per_min": mean(rates),
        "rate_total_per_min": 60.0 / mean(periods),
        "on_ratio": mean(on / p for on, p in zip(ons, periods, strict=True)),
        "on_s": mean(ons),
        "off_s": mean(p - on for on, p in zip(ons, periods, strict=True)),
        "inrush_later_a": mean(p.peak_a for *_, p in cycles),
        "steady_a": mean(p.steady_a for *_, p in cycles),
        "dark_a": mean(p.dark_a or 0.0 for *_, p in cycles),
        "supply_v": mean(p.supply_v for *_, p in cycles),
        "lamp_v": mean(p.lamp_v for *_, p in cycles),
        "period_s": mean(periods),
        "period_variance": statistics.variance(periods),
        "rate_drift_per_min2": _slope([(make / 60.0, r) for (make, *_), r in zip(cycles, rates, strict=True)]),
    }


def _slope(points: Sequence[tuple[float, float]]) -> float:
    mx, my = statistics.fmean(x for x, _ in points), statistics.fmean(y for _, y in points)
    return math.fsum((x - mx) * (y - my) for x, y in points) / math.fsum((x - mx) ** 2 for x, _ in points)
