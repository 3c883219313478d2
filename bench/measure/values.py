"""From the evidence of a run to its values and facts.

Strategy. Averages leave out the first cycles, as the standards do, and what a film on the contacts moved; what is looked for (missed,
long and filmed flashes, drop-outs) is looked for in every flash. Nothing is read of flashes after a lamp failed.

What the mean of cycles stands for is the unit's mean under these conditions, of which the cycles are a sample; so their scatter is in the
uncertainty (type A), less what the instants of single readings add to it. A single event (a start, the first inrush) stands for itself,
and its note says so. What all readings of a channel share (type B) is added once: zero and scale, the clock, the filter's delay.

A value that the evidence does not show is `NotMeasured`, with the reason in words and whether the bench is to blame; never 0 and never a
guess. Last, what a fault of the bench makes worthless is taken out again (`bench.measure.bench_check`).

Where each kind of value is made: what lies between two instants in `intervals`, what is read as a level in `drop_and_currents`,
whether flashes are alike in `steadiness`, the contacts' first flashes in `film`, the facts in `behaviour` and `mechanism`.
"""

from __future__ import annotations

from bench.measure.behaviour import behaviour, pilot_fact, start_of
from bench.measure.bench_check import check_bench, lamp_died_at, without_spoilt
from bench.measure.drop_and_currents import drops, levels, pilot_voltage, surroundings
from bench.measure.evidence import Counts, Evidence
from bench.measure.film import film_fact, film_of, film_value
from bench.measure.intervals import bounce, least_cycles, no_rates, rates, starting_times
from bench.measure.mechanism import mechanism_of
from bench.measure.steadiness import alike_flashes, count_odd_flashes, is_irregular, steadiness
from bench.measure.vocabulary import FactName, Measured, UnitBehaviour
from bench.uncertainty import Measurement


def measure(e: Evidence, counts: Counts) -> Measured:
    """Return everything that the evidence shows; what it does not show is `NotMeasured` with the reason."""
    died = lamp_died_at(e)
    kept = e.cycles if died is None else e.cycles[:died]
    film = film_of(e, kept)
    counted = kept[max(0, counts.skip - e.cycles_before, film.gone_at) :][: counts.at_most]
    doing, start, mechanism = behaviour(e, counts), start_of(e), mechanism_of(e, kept)
    faults, proofs = check_bench(e, died)
    unfilmed = kept[film.gone_at :]
    alike = unfilmed if film.gone_at else () if film.going else alike_flashes(e, kept, start, mechanism)
    enough = len(counted) >= least_cycles(counts)
    values: dict[str, Measurement] = {
        **(rates(e, counted, film) if enough else no_rates(e, counts, doing, len(kept) + e.cycles_before)),
        **starting_times(e, start),
        **drops(e, counted, counts, film),
        **film_value(e, kept, counted),
        **levels(e, counted, kept),
        **bounce(e),
        **count_odd_flashes(e, unfilmed, alike),
        **steadiness(e, counted),
        **pilot_voltage(e, counted),
        **surroundings(e),
    }
    if doing is UnitBehaviour.FLASHING and is_irregular(values):
        doing = UnitBehaviour.IRREGULAR
    facts: dict[str, str] = {
        FactName.BEHAVIOUR: doing, FactName.REST: start.rest, FactName.PILOT: pilot_fact(e, counted, doing),
        FactName.MECHANISM: mechanism, FactName.FILM: film_fact(e, film, values),
    }  # fmt: skip
    return Measured(without_spoilt(values, faults), facts, faults, proofs)
