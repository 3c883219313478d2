"""Flash rate, on-time, durations, starting times and bounce: whatever lies between two instants.

An instant of make or break is known to its own u, the same for every cycle that meets the samples alike, and by chance else; how much of it
the mean of cycles keeps is told by their scatter (`bench.measure.scatter`). The clock's error is the same in all of them.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from statistics import median

from bench.cycles import Cycle
from bench.measure.behaviour import Start
from bench.measure.evidence import Counts, Evidence, clock_components, duration
from bench.measure.film import Film, still_going
from bench.measure.scatter import is_in_step, kept_by_mean, neighbours_share, own_u, scatter_of
from bench.measure.vocabulary import APPLIED_UNSEEN, STANDING_STILL, UnitBehaviour
from bench.transitions import CLOSE_S, UNSEEN_S
from bench.uncertainty import Component, Estimate, Measurement, NotMeasured, TypeA, rectangular, type_a

_SCATTER_LEAST = 2  # cycles: of one alone the scatter is not known
_RATES = ("rate_per_min", "rate_total_per_min", "on_ratio", "on_s", "off_s")
_ONE_START = "of one start; the next may differ by more"


def least_cycles(counts: Counts) -> int:
    """Return how many cycles a rate needs at least."""
    return max(counts.average, _SCATTER_LEAST)


def rates(e: Evidence, cycles: Sequence[Cycle], film: Film) -> dict[str, Measurement]:
    """Return flash rate, on-time and durations over the cycles that count, `least_cycles` of them or more."""
    period_s = [c.period_s * (1.0 + e.clock.rel_error) for c in cycles]
    return {**_flash_rates(e, cycles, period_s, film), **_on_and_off(e, cycles, period_s, film)}


def no_rates(e: Evidence, counts: Counts, doing: UnitBehaviour, complete: int) -> dict[str, Measurement]:
    """Return why there are no rates: what the unit is `doing`, or that no more than so many `complete` cycles came."""
    if doing in STANDING_STILL:
        return dict.fromkeys(_RATES, NotMeasured(f"the unit did not flash: {doing}"))
    lost = e.cycles_broken and doing is UnitBehaviour.TOO_FEW
    why = f"{complete} complete cycles seen, {counts.skip + least_cycles(counts)} needed"
    return dict.fromkeys(_RATES, NotMeasured(why, "bench" if lost else "none"))


def _flash_rates(e: Evidence, cycles: Sequence[Cycle], period_s: Sequence[float], film: Film) -> dict[str, Measurement]:
    """Return both flash rates in 1/min from periods in s of the host's clock."""
    of_rates, of_periods = type_a([60.0 / p for p in period_s]), type_a(period_s)
    total = 60.0 / of_periods.mean
    # Neighbouring periods share a closing, which moves both the same way: never less than independent ones.
    together = math.sqrt(max(1.0, neighbours_share(period_s)))
    make_u = median(c.begun.u_s for c in cycles)
    # The makes inside the row end one period and begin the next: of their sum only the first and the last are left.
    ends = Component("instants of make", total * make_u * math.sqrt(2.0) / (of_periods.mean * of_periods.n))
    moving = (still_going(60.0 / min(period_s) - 60.0 / max(period_s)),) if film.going else ()

    def rate(value: float, scatter: TypeA, of: str) -> Estimate:
        apart_from = math.sqrt(2.0) * make_u * scatter.mean / of_periods.mean
        random = scatter_of(value * together * own_u(scatter, apart_from) / scatter.mean, scatter.n, of)
        return Estimate(value, "1/min", (random, ends, *moving, *clock_components(e, value)), scatter.n)

    return {"rate_per_min": rate(of_rates.mean, of_rates, "cycle rates"), "rate_total_per_min": rate(total, of_periods, "periods")}


def _on_and_off(e: Evidence, cycles: Sequence[Cycle], period_s: Sequence[float], film: Film) -> dict[str, Measurement]:
    """Return on-time as a part of the period, and the durations of ON and OFF in s."""
    on_ratio = [c.on_s / c.period_s for c in cycles]
    ratio, periods = type_a(on_ratio), type_a(period_s)
    on, off = type_a([c.on_s for c in cycles]), type_a([c.off_s for c in cycles])
    # What lengthens the ON shortens the OFF: neighbours cancel in part.
    apart = math.sqrt(neighbours_share(on_ratio))
    both_u = math.hypot(median(c.begun.u_s for c in cycles), median(c.broke.u_s for c in cycles))
    soft = Component("make and break take their time", median(math.hypot(c.begun.soft_s, c.broke.soft_s) for c in cycles))
    in_step = is_in_step(periods.mean / (1.0 + e.clock.rel_error), max(periods.s, on.s), periods.n, e.interval_s)
    edges = Component("make against break", both_u if in_step else both_u * kept_by_mean(on.s, both_u, on.n))
    of_ratio = (
        scatter_of(apart * own_u(ratio, both_u / periods.mean), ratio.n, "cycles"),
        replace(edges, u=edges.u / periods.mean),
        replace(soft, u=soft.u / periods.mean),
        *((still_going(max(on_ratio) - min(on_ratio)),) if film.going else ()),
    )
    return {
        "on_ratio": Estimate(ratio.mean, "1", of_ratio, ratio.n),
        "on_s": duration(e, on.mean, (scatter_of(own_u(on, both_u), on.n, "on durations"), edges, soft), on.n),
        "off_s": duration(e, off.mean, (scatter_of(own_u(off, both_u), off.n, "off durations"), edges, soft), off.n),
    }


def starting_times(e: Evidence, start: Start) -> dict[str, Measurement]:
    """Return the times from voltage to first light, first extinction and the end of the start, in s."""

    def since(event: tuple[float, float] | None, why: str, *parts: Component) -> Measurement:
        if e.applied is None:
            return NotMeasured(APPLIED_UNSEEN)
        if e.is_start_missed:
            return NotMeasured("samples were lost during the start", "bench")
        if event is None:
            return NotMeasured(why)
        t_s, u_s = event
        instants = [Component("instant of the event", u_s), Component("instant of supply", e.applied.u_s), *parts]
        if e.timing.skew_s:
            instants.append(Component("input and output not sampled together", rectangular(e.timing.skew_s), shape="rectangular"))
        return replace(duration(e, max(t_s - e.applied.t_s, 0.0), instants), note=_ONE_START)

    done = since(start.done, "the unit did not open" if start.light else "no light came")
    return {
        "first_light_s": since(start.light, "no light came", *_unseen_contacts(e, start)),
        "first_extinction_s": since(start.extinction, "the light did not go out" if start.light else "no light came"),
        "start_s": done,
        "start_largest_s": done,
    }


def _unseen_contacts(e: Evidence, start: Start) -> tuple[Component, ...]:
    """Return by how much the first light may be seen late: a make that bounces is, where its first contacts fall between samples.

    A contact that was closed before voltage came does not bounce.
    """
    if e.interval_s <= CLOSE_S or e.applied is None or start.light is None:
        return ()
    t_s, u_s = start.light
    if t_s - e.applied.t_s <= 2.0 * math.hypot(u_s, e.applied.u_s):
        return ()
    return (Component("first contacts between samples", rectangular(2.0 * UNSEEN_S), shape="rectangular"),)


def bounce(e: Evidence) -> dict[str, Measurement]:
    """Return the longest bounce at make and at break, in s."""
    makes = [c.begun for c in e.cycles] + ([e.begun] if e.begun is not None else [])
    breaks = [c.broke for c in e.cycles]
    found: dict[str, Measurement] = {}
    for name, edges in (("bounce_make_s", makes), ("bounce_break_s", breaks)):
        if not edges:
            found[name] = NotMeasured("no such transition was seen")
            continue
        worst = max(edges, key=lambda t: t.bounce_s)
        # A last gap shorter than the sampling interval may not have been seen.
        unseen = Component("gaps between samples", e.interval_s / 8.0)
        found[name] = duration(e, worst.bounce_s, (Component("first and last crossing", worst.u_s * math.sqrt(2.0)), unseen), len(edges))
    return found
