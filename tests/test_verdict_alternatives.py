"""The risk of several limits together: never more than is stated, never more than the level where the verdict is definite."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pytest
from verdict_cases import FALL, OWN, RISE, estimate, limit_set

from bench.limits import AllOf, AnyOf, Limit, Requirement
from bench.measure import Measured
from bench.uncertainty import Estimate, Measurement, NotMeasured, normal_quantile
from bench.verdict import Conformity, Verdict, judge

U = 0.1
# Each reads about 100: limits and errors are alike, so that the sums are easily seen.
NAMES = ("rate_per_min", "rate_total_per_min", "outage_rate_per_min")
NEVER = AllOf("never", (Limit("trailer_rate_per_min", 500.0, None, "1/min", OWN),))


def low(name: str) -> Limit:
    return Limit(name, 100.0, None, "1/min", OWN)


def judged(requirement: AnyOf, values: Mapping[str, float], level: float = 0.95) -> Verdict:
    found = {name: estimate(value, U) for name, value in values.items()}
    (verdict,) = judge(Measured(found), limit_set(requirement), level)
    return verdict


def reading(risk: float) -> float:
    """Inside the limit (or, negative, outside it) so that each alone is on the wrong side with this probability."""
    return 100.0 + U * normal_quantile(1.0 - abs(risk)) * (1.0 if risk > 0.0 else -1.0)


def every(count: int) -> AnyOf:
    """All of some limits, as an alternative to what never holds."""
    return AnyOf("x", (AllOf("every", tuple(low(name) for name in NAMES[:count])), NEVER))


def some(count: int) -> AnyOf:
    return AnyOf("x", tuple(AllOf(name, (low(name),)) for name in NAMES[:count]))


@pytest.mark.parametrize(
    ("risks", "stated", "outcome"),
    [
        ((0.01,), 0.01, Conformity.PASS),
        ((0.02, 0.02), 0.04, Conformity.PASS),
        ((0.03, 0.03), 0.06, Conformity.CONDITIONAL_PASS),
        ((0.049, 0.0001), 0.0491, Conformity.PASS),
        ((0.01, 0.02, 0.015), 0.045, Conformity.PASS),
        ((0.02, 0.02, 0.02), 0.06, Conformity.CONDITIONAL_PASS),
        ((0.4, 0.45, 0.4), 1.0, Conformity.CONDITIONAL_PASS),  # capped
        ((0.05,), 0.05, Conformity.PASS),  # on its own guard band: no stricter than the limit alone
    ],
)
def test_all_of_some_limits_are_wrong_where_any_is(risks: tuple[float, ...], stated: float, outcome: Conformity) -> None:
    verdict = judged(every(len(risks)), dict(zip(NAMES, map(reading, risks), strict=False)) | {"trailer_rate_per_min": 100.0})
    (way, _) = verdict.parts
    assert way.p_wrong == pytest.approx(stated, abs=1e-9) and way.p_conform == pytest.approx(1.0 - stated, abs=1e-9)
    assert way.conformity is verdict.conformity is outcome
    assert verdict.p_wrong == pytest.approx(stated, abs=1e-9)


@pytest.mark.parametrize(
    ("risks", "stated", "outcome"),
    [
        ((-0.02, -0.02), 0.04, Conformity.FAIL),
        ((-0.03, -0.03), 0.06, Conformity.CONDITIONAL_FAIL),
        ((-0.02, -0.02, -0.02), 0.06, Conformity.CONDITIONAL_FAIL),
        ((-0.001, -0.3), 0.301, Conformity.CONDITIONAL_FAIL),
        ((0.02, 0.03), 0.02, Conformity.PASS),  # not the product: both may err alike
        ((0.02, -0.001), 0.02, Conformity.PASS),
    ],
)
def test_none_of_some_alternatives_holds_where_any_might(risks: tuple[float, ...], stated: float, outcome: Conformity) -> None:
    verdict = judged(some(len(risks)), dict(zip(NAMES, map(reading, risks), strict=False)))
    assert verdict.conformity is outcome and verdict.p_wrong == pytest.approx(stated, abs=1e-9)


def test_the_level_asked_for_is_kept_by_all_together() -> None:
    two = {name: reading(0.004) for name in NAMES[:2]} | {"trailer_rate_per_min": 100.0}
    assert judged(every(2), two, 0.99).conformity is Conformity.PASS
    assert judged(every(2), two, 0.995).conformity is Conformity.CONDITIONAL_PASS


def test_an_alternative_that_is_hardly_kept_does_not_speak_for_one_that_is() -> None:
    """The least that is known of all of two limits is no more than their sum of risks leaves, whichever way their verdict went."""
    first = AllOf("first", (low(NAMES[0]), low(NAMES[1])))
    second = AllOf("second", (low(NAMES[2]), low("trailer_rate_per_min")))
    values = {NAMES[0]: reading(0.35), NAMES[1]: reading(0.35), NAMES[2]: reading(-0.45), "trailer_rate_per_min": reading(0.4)}
    verdict = judged(AnyOf("x", (first, second)), values)
    assert verdict.conformity is Conformity.CONDITIONAL_PASS and verdict.p_wrong == pytest.approx(0.7, abs=1e-9)


def test_what_was_not_measured_may_go_either_way() -> None:
    found: dict[str, Measurement] = {NAMES[0]: estimate(reading(0.01), U), NAMES[1]: NotMeasured("why")}
    found["trailer_rate_per_min"] = estimate(1.0, U)
    (verdict,) = judge(Measured(found), limit_set(every(2)))
    assert verdict.conformity is Conformity.NOT_MEASURED and verdict.p_wrong is None


# Drawn true values near the limits, and readings of them: what is stated is compared with how often it is wrong.

DRAWS = 6000


def holds(requirement: Requirement, true: Mapping[str, float]) -> bool:
    match requirement:
        case AnyOf(alternatives=parts):
            return any(holds(part, true) for part in parts)
        case AllOf(limits=parts):
            return all(holds(part, true) for part in parts)
        case Limit(quantity=name, low=least, high=most):
            return (least is None or true[name] >= least) and (most is None or true[name] <= most)
    raise AssertionError(requirement)


INDEPENDENT = AnyOf("x", (AllOf("two", (low(NAMES[0]), low(NAMES[1]))), AllOf("one", (low(NAMES[2]),))))
OUTAGE = AnyOf("outage", (RISE, FALL))


@pytest.mark.parametrize("case", ["independent", "all of three", "dependent"])
def test_drawn_units_are_on_the_wrong_side_no_more_often_than_stated(case: str) -> None:
    rng = np.random.default_rng(7)
    requirement = {"independent": INDEPENDENT, "all of three": every(3), "dependent": OUTAGE}[case]
    wrong: dict[tuple[Conformity, int], list[tuple[bool, float]]] = {}
    for _ in range(DRAWS):
        true: dict[str, float] = {name: 100.0 + U * float(rng.uniform(-6.0, 6.0)) for name in NAMES} | {"trailer_rate_per_min": 100.0}
        errors = {name: float(rng.normal(0.0, U)) for name in true}
        units = dict.fromkeys(true, ("1/min", U))
        if case == "dependent":
            # One rate, which is near both its own limit and that of its ratio, so the two err alike.
            normal, limit = (80.0, 140.0) if rng.random() < 0.5 else (100.0, 50.0)
            rate = limit + U * float(rng.uniform(-6.0, 6.0))
            error = float(rng.normal(0.0, U))
            true = {"outage_rate_per_min": rate, "outage_ratio": rate / normal}
            errors = {"outage_rate_per_min": error, "outage_ratio": error / normal}
            units = {"outage_rate_per_min": ("1/min", U), "outage_ratio": ("1", U / normal)}
        found = {name: estimate(value + errors[name], units[name][1], units[name][0]) for name, value in true.items()}
        (verdict,) = judge(Measured(found), limit_set(requirement))
        assert verdict.p_wrong is not None and all(isinstance(value, Estimate) for value in found.values())
        if verdict.conformity.is_definite:
            assert verdict.p_wrong <= 0.05 + 1e-9
        said = verdict.conformity.is_favourable
        place = min(int(verdict.p_wrong / 0.025), 10)
        wrong.setdefault((verdict.conformity, place), []).append((holds(requirement, true) is not said, verdict.p_wrong))
    assert {Conformity.PASS, Conformity.FAIL} <= {conformity for conformity, _ in wrong}
    for (conformity, place), drawn in wrong.items():
        share, stated = float(np.mean([w for w, _ in drawn])), float(np.mean([p for _, p in drawn]))
        room = 4.0 * np.sqrt(max(stated * (1.0 - stated), 1e-3) / len(drawn))
        assert share <= stated + room, (conformity, place, share, stated, len(drawn))
