"""Conditions of limit sets: kept, not kept or not known, each demand at its edges, and the words that say so."""

from __future__ import annotations

import pytest

from bench.conditions import Circumstances, ConditionVerdict, Kept, demand_texts, judge_conditions
from bench.files import limit_sets
from bench.limits import Averaging, Condition, Limit, LimitSet, Source
from bench.uncertainty import Component, Estimate, Measurement, NotMeasured

OWN = Source("own", "this test")
SUPPLY = Condition("12.8 V", OWN, supply_v=(12.5, 13.1))
WARM = Condition("24 degC", OWN, ambient_c=(19.0, 29.0))
STARTS = Condition("mean of 3 starts", OWN, starts=3, quantities=("start_s",))
SYSTEM = Condition("12 V systems", OWN, system_v=(12.0,))
RATED = Condition("on its load", OWN, rated_load=True)
WORDS = Condition("5 min of cooling", OWN)


def limit_set(*conditions: Condition) -> LimitSet:
    averaging = Averaging("mean-of-rates", 5, 3, OWN)
    limits = (Limit("start_s", None, 1.5, "s", OWN),)
    return LimitSet("set", "a set", "set", "none", "none", "any", "any", None, averaging, limits, conditions)


def celsius(value: float, u: float) -> Estimate:
    return Estimate(value, "degC", (Component("u", u),))


def verdict_on(condition: Condition, circumstances: Circumstances) -> ConditionVerdict:
    (verdict,) = judge_conditions(limit_set(condition), circumstances)
    assert verdict.limit_set == "set" and verdict.condition is condition
    return verdict


def judged(condition: Condition, circumstances: Circumstances) -> tuple[str, str]:
    verdict = verdict_on(condition, circumstances)
    return verdict.kept.value, verdict.text


@pytest.mark.parametrize(
    ("system_v", "supply_v", "kept", "text"),
    [
        (12.0, 10.5, "not kept", "tested at 10.5 V; the figures are for 12.5 to 13.1 V"),
        (12.0, 14.7, "not kept", "tested at 14.7 V; the figures are for 12.5 to 13.1 V"),
        (12.0, 12.83, "kept", "tested at 12.8 V; the figures are for 12.5 to 13.1 V"),
        (12.0, 12.5, "kept", "tested at 12.5 V; the figures are for 12.5 to 13.1 V"),
        (12.0, 13.1, "kept", "tested at 13.1 V; the figures are for 12.5 to 13.1 V"),
        (12.0, 12.4999, "not kept", "tested at 12.4999 V; the figures are for 12.5 to 13.1 V"),
        (12.0, 13.11, "not kept", "tested at 13.11 V; the figures are for 12.5 to 13.1 V"),
        (12.0, None, "not known", "the supply is not known; the figures are for 12.5 to 13.1 V"),
        (24.0, 25.6, "kept", "tested at 25.6 V; the figures are for 25 to 26.2 V"),
        (24.0, 25.0, "kept", "tested at 25.0 V; the figures are for 25 to 26.2 V"),
        (24.0, 26.21, "not kept", "tested at 26.21 V; the figures are for 25 to 26.2 V"),
        (24.0, 12.8, "not kept", "tested at 12.8 V; the figures are for 25 to 26.2 V"),
        (6.0, 6.4, "kept", "tested at 6.4 V; the figures are for 6.25 to 6.55 V"),
        (6.0, 6.25, "kept", "tested at 6.25 V; the figures are for 6.25 to 6.55 V"),
        (6.0, 6.6, "not kept", "tested at 6.6 V; the figures are for 6.25 to 6.55 V"),
    ],
)
def test_the_supply_at_its_edges_in_every_system(system_v: float, supply_v: float | None, kept: str, text: str) -> None:
    assert judged(SUPPLY, Circumstances(system_v, supply_v=supply_v)) == (kept, text)


@pytest.mark.parametrize(
    ("ambient", "kept", "text"),
    [
        (celsius(24.0, 0.5), Kept.KEPT, "tested at 24.00 ± 0.98 °C; the figures are for 19 to 29 °C"),
        (celsius(19.0, 0.5), Kept.KEPT, "tested at 19.00 ± 0.98 °C; the figures are for 19 to 29 °C"),
        (celsius(29.0, 0.5), Kept.KEPT, "tested at 29.00 ± 0.98 °C; the figures are for 19 to 29 °C"),
        (celsius(29.9, 0.5), Kept.NOT_KNOWN, "tested at 29.90 ± 0.98 °C; the figures are for 19 to 29 °C"),
        (celsius(29.99, 0.5), Kept.NOT_KEPT, "tested at 29.99 ± 0.98 °C; the figures are for 19 to 29 °C"),
        (celsius(18.1, 0.5), Kept.NOT_KNOWN, "tested at 18.10 ± 0.98 °C; the figures are for 19 to 29 °C"),
        (celsius(-17.0, 0.5), Kept.NOT_KEPT, "tested at -17.00 ± 0.98 °C; the figures are for 19 to 29 °C"),
        (celsius(29.5, 0.0), Kept.NOT_KEPT, "tested at 29.5 °C; the figures are for 19 to 29 °C"),
        (NotMeasured("no sensor"), Kept.NOT_KNOWN, "the temperature is not known (no sensor); the figures are for 19 to 29 °C"),
        (None, Kept.NOT_KNOWN, "the temperature is not known; the figures are for 19 to 29 °C"),
    ],
)
def test_the_temperature_is_not_kept_only_beyond_its_uncertainty(ambient: Measurement | None, kept: Kept, text: str) -> None:
    assert judged(WARM, Circumstances(12.0, ambient=ambient)) == (kept.value, text)
    assert judged(WARM, Circumstances(24.0, ambient=ambient)) == (kept.value, text), "degrees do not scale with the system"


@pytest.mark.parametrize(
    ("starts", "kept", "text"),
    [
        (1, "not kept", "tested with 1 start; the figures are for 3"),
        (2, "not kept", "tested with 2 starts; the figures are for 3"),
        (3, "kept", "tested with 3 starts; the figures are for 3"),
        (4, "kept", "tested with 4 starts; the figures are for 3"),
        (None, "not known", "the number of starts is not known; the figures are for 3 starts"),
    ],
)
def test_the_number_of_starts(starts: int | None, kept: str, text: str) -> None:
    assert judged(STARTS, Circumstances(12.0, starts=starts)) == (kept, text)


def test_the_system() -> None:
    assert judged(SYSTEM, Circumstances(12.0)) == ("kept", "tested as a 12 V unit; the figures are for a 12 V system")
    assert judged(SYSTEM, Circumstances(24.0)) == ("not kept", "tested as a 24 V unit; the figures are for a 12 V system")
    both = Condition("12 and 24 V", OWN, system_v=(12.0, 24.0))
    assert judged(both, Circumstances(24.0))[0] == "kept"
    assert judged(both, Circumstances(6.0)) == ("not kept", "tested as a 6 V unit; the figures are for a 12 V or 24 V system")


def test_the_load() -> None:
    assert judged(RATED, Circumstances(12.0, load_is_rated=True))[0] == "kept"
    assert judged(RATED, Circumstances(12.0, load_is_rated=False)) == (
        "not kept", "tested on another load than the unit is for; the figures are for its rated load"
    )  # fmt: skip
    assert judged(RATED, Circumstances(12.0)) == (
        "not known", "it is not known which load the unit is for; the figures are for its rated load"
    )  # fmt: skip


def test_words_alone_are_never_known() -> None:
    everything = Circumstances(12.0, 12.8, celsius(24.0, 0.1), 3, True)
    assert judged(WORDS, everything) == ("not known", "not checked: 5 min of cooling")


BOTH = Condition("12.8 V, 24 degC", OWN, supply_v=(12.5, 13.1), ambient_c=(19.0, 29.0))


@pytest.mark.parametrize(
    ("supply_v", "ambient", "kept", "says", "says_not"),
    [
        (12.8, celsius(24.0, 0.5), Kept.KEPT, ("12.8 V", "24.00"), ()),
        (12.8, None, Kept.NOT_KNOWN, ("temperature is not known",), ("12.8 V",)),
        (10.5, None, Kept.NOT_KEPT, ("10.5 V",), ("temperature",)),
        (None, celsius(-17.0, 0.5), Kept.NOT_KEPT, ("-17.00",), ("supply",)),
        (10.5, celsius(-17.0, 0.5), Kept.NOT_KEPT, ("10.5 V", "-17.00"), ()),
    ],
)
def test_of_several_demands_the_worst_decides_and_is_said(
    supply_v: float | None, ambient: Measurement | None, kept: Kept, says: tuple[str, ...], says_not: tuple[str, ...]
) -> None:
    verdict = verdict_on(BOTH, Circumstances(12.0, supply_v=supply_v, ambient=ambient))
    assert verdict.kept is kept
    assert all(text in verdict.text for text in says) and not any(text in verdict.text for text in says_not)


def test_every_condition_has_a_verdict_in_its_order() -> None:
    conditions = (WORDS, SUPPLY, SYSTEM)
    verdicts = judge_conditions(limit_set(*conditions), Circumstances(24.0))
    assert tuple(v.condition for v in verdicts) == conditions
    assert [v.kept for v in verdicts] == [Kept.NOT_KNOWN, Kept.NOT_KNOWN, Kept.NOT_KEPT]
    assert judge_conditions(limit_set(), Circumstances(12.0)) == ()


def test_demands_in_words() -> None:
    everything = Condition("all", OWN, (12.5, 13.1), (19.0, 29.0), 3, (12.0,), True)
    assert demand_texts(everything) == ("12.5 to 13.1 V", "19 to 29 °C", "3 starts", "12 V system", "rated load")
    assert demand_texts(SUPPLY, 24.0) == ("25 to 26.2 V",)
    assert demand_texts(WORDS) == ()


@pytest.mark.parametrize("system_v", [6.0, 12.0, 24.0])
def test_the_nominal_supply_keeps_every_shipped_condition(system_v: float) -> None:
    """6.4, 12.8 and 25.6 V (SAE J590): what a test is set to when nobody says otherwise; 10.5 and 14.7 V keep none of the papers'."""
    for one in limit_sets():
        for supply_v, kept in ((12.8, Kept.KEPT), (10.5, Kept.NOT_KEPT), (14.7, Kept.NOT_KEPT)):
            circumstances = Circumstances(system_v, supply_v * system_v / 12.0, celsius(22.0, 0.5))
            found = [v.kept for v in judge_conditions(one, circumstances) if v.condition.supply_v is not None]
            assert set(found) <= {kept} or one.name == "russia-handbook"


def test_figures_for_12_v_are_shown_as_they_stand_in_the_file() -> None:
    """12.7 / 12 * 12 is 12.699999999999998 in the wrong order."""
    span = Condition("13 V", OWN, supply_v=(12.7, 13.3))
    assert demand_texts(span) == ("12.7 to 13.3 V",)
    assert demand_texts(span, 24.0) == ("25.4 to 26.6 V",)
