"""The truth survey (reports/truth.py) in small: intervals hold the truth, steady units are measured closely, verdicts are right."""

from __future__ import annotations

from collections import defaultdict
from functools import cache

from bench.measure import QUANTITIES
from reports import truth
from reports.true_values import NOT_COMPARED

UNITS = 28


@cache
def outcomes() -> tuple[truth.Outcomes, ...]:
    return tuple(truth.survey(UNITS, seed=7))


def test_every_interval_holds_the_truth_about_as_often_as_it_says() -> None:
    held: dict[str, list[bool]] = defaultdict(list)
    for outcome in outcomes():
        for name, (value, true, expanded, *_) in outcome.found.items():
            held[name].append(abs(value - true) <= expanded + 1e-12)
    assert set(held) == set(QUANTITIES) - set(NOT_COMPARED)
    for name, results in held.items():
        # At 95 % one case in a thousand has more than 6 of 28 outside.
        assert sum(results) >= len(results) - 6, name
    every = [result for results in held.values() for result in results]
    assert 0.91 <= sum(every) / len(every) <= 0.985


def test_a_bench_in_order_is_never_blamed() -> None:
    assert [outcome.faults for outcome in outcomes()] == [()] * UNITS


def test_every_drawn_unit_is_seen_to_flash() -> None:
    assert {outcome.behaviour for outcome in outcomes()} == {"flashing"}


def test_definite_verdicts_near_the_limit_are_rarely_wrong() -> None:
    verdicts = [verdict for outcome in outcomes() for verdict in outcome.verdicts]
    wrong = sum(not right for _, right, _ in verdicts)
    stated = sum(risk for *_, risk in verdicts)
    assert len(verdicts) > 60
    # Poisson: three standard deviations and one above what they say of themselves.
    assert wrong <= stated + 3.0 * stated**0.5 + 1.0


def test_steady_units_on_a_zeroed_rig_are_measured_as_closely_as_asked() -> None:
    for seed in range(9_000_000, 9_000_012):
        errors = truth.steady_errors(seed)
        for name, error in errors.items():
            assert abs(error) <= truth.STEADY[name][0], (seed, name)
