"""The limit sets that come with the program: where every number comes from, and figures of the papers."""

from __future__ import annotations

import re

import pytest
from test_limits import BY_NAME, SETS, every_limit

from bench.conditions import demand_texts
from bench.files import shipped
from bench.limits import (
    RULES,
    AllOf,
    AnyOf,
    FactLimit,
    Limit,
    LimitSet,
)
from bench.measure import Measured
from bench.uncertainty import Component, Estimate
from bench.verdict import Conformity, judge


@pytest.mark.parametrize("limit_set", SETS, ids=lambda s: s.name)
def test_every_number_says_where_it_comes_from(limit_set: LimitSet) -> None:
    assert limit_set.name in shipped("limits"), "a file is named as the set in it"
    sources = [limit.source for limit in every_limit(limit_set)] + [limit_set.averaging.source] + [c.source for c in limit_set.conditions]
    for source in sources:
        assert source.text and source.basis in ("read", "summary", "memory", "own")
        assert (source.confidence in ("H", "M", "L")) == (source.basis == "memory")
        assert not (source.clause and source.basis == "memory")
        assert "S14" not in source.clause + source.text + source.note
    assert limit_set.edition and limit_set.body
    assert "complian" not in repr(limit_set) and "complies" not in repr(limit_set)


def test_enough_countries_and_both_averaging_rules() -> None:
    assert {s.averaging.rule for s in SETS} == set(RULES)
    assert {"us-turn", "us-hazard", "canada-turn"} <= {s.family for s in SETS}
    others = {"uk", "germany", "switzerland", "japan", "australia-nsw", "india", "china", "russia-handbook"}
    assert others | {"un-r48", "un-r53", "outage-qct501", "shop-example", "sae-j945"} <= set(BY_NAME)


@pytest.mark.parametrize(
    ("name", "quantity", "low", "high", "basis"),
    [
        ("us-turn-closed-2", "rate_per_min", 60.0, 120.0, "read"),  # the agency's letter of 1993
        ("us-turn-closed-more", "rate_per_min", 60.0, 120.0, "read"),
        ("us-hazard-closed", "rate_per_min", 60.0, 120.0, "memory"),
        ("us-turn-open", "rate_per_min", 60.0, 120.0, "read"),
        ("us-turn-open", "on_ratio", 0.30, 0.75, "memory"),
        ("us-turn-closed-2", "start_s", None, 1.0, "memory"),
        ("us-turn-closed-more", "start_s", None, 1.25, "memory"),
        ("us-turn-open", "start_s", None, 1.5, "memory"),
        ("us-turn-open", "drop_v", None, 0.8, "memory"),
        ("sae-j945", "drop_v", None, 0.5, "summary"),
        ("sae-j945", "drop_largest_v", None, 0.8, "summary"),
        ("sae-j945", "start_s", None, 1.5, "summary"),
        ("un-r48", "first_light_s", None, 1.0, "read"),
        ("un-r48", "first_extinction_s", None, 1.5, "read"),
        ("germany", "rate_per_min", 60.0, 120.0, "read"),
        ("uk", "rate_total_per_min", 60.0, 120.0, "read"),
        ("australia-nsw-other", "rate_total_per_min", 45.0, 120.0, "read"),
    ],
)
def test_figures_of_the_papers(name: str, quantity: str, low: float | None, high: float, basis: str) -> None:
    (limit,) = [limit for limit in BY_NAME[name].limits if limit.quantity == quantity and not limit.doubtful]
    assert (limit.low, limit.high, limit.source.basis) == (low, high, basis)


CLOSED = ("us-turn-closed-2", "us-turn-closed-more", "us-hazard-closed", "canada-turn-closed")


def test_only_the_chart_that_could_not_be_read_is_in_doubt() -> None:
    """NHTSA letters of 2002 and 2003: 90 to 120 for units closed at rest, of a chart that is a rectangle of 60 to 120."""
    doubtful = {(s.name, limit.low, limit.high) for s in SETS for limit in s.limits if limit.doubtful}
    assert doubtful == {(name, 90.0, None) for name in CLOSED}


@pytest.mark.parametrize("name", CLOSED)
@pytest.mark.parametrize(
    ("rate", "outcomes"),
    [
        (100.0, [Conformity.PASS, Conformity.PASS]),
        (75.0, [Conformity.PASS, Conformity.NOT_MEASURED]),
        (55.0, [Conformity.FAIL, Conformity.NOT_MEASURED]),
        (125.0, [Conformity.FAIL, Conformity.PASS]),
    ],
)
def test_no_closed_unit_is_rejected_by_a_reading_of_the_chart(name: str, rate: float, outcomes: list[Conformity]) -> None:
    measured = Measured({"rate_per_min": Estimate(rate, "1/min", (Component("u", 0.1),))}, {"behaviour": "flashing"})
    verdicts = [v for v in judge(measured, BY_NAME[name]) if isinstance(v.limit, Limit) and v.limit.quantity == "rate_per_min"]
    assert [v.conformity for v in verdicts] == outcomes
    assert ["could not be read" in v.why_open for v in verdicts] == [False, rate < 90.0]


@pytest.mark.parametrize("limit_set", [s for s in SETS if s.use != "own"], ids=lambda s: s.name)
def test_figures_in_the_words_of_a_condition_are_demanded(limit_set: LimitSet) -> None:
    """A nominal voltage, temperature, number of starts or system stands as a demand beside the words of a paper that say it.

    A shop words its own conditions as it likes.
    """
    for condition in limit_set.conditions:
        nominal = re.match(r"(\d+\.\d) V .*?(\d+) \+- (\d+) degC", condition.text)
        if nominal:
            volts, celsius, tolerance = map(float, nominal.groups())
            assert condition.supply_v is not None and sum(condition.supply_v) / 2.0 == pytest.approx(volts)
            assert condition.ambient_c == (celsius - tolerance, celsius + tolerance)
        if limit_set.name != "russia-handbook":  # ranges, where the others have a value and its tolerance
            assert (condition.supply_v is None) == (condition.ambient_c is None) == (nominal is None)
        assert (condition.starts == 3) == ("mean of 3 starts" in condition.text)
        assert (condition.system_v == (12.0,)) == ("12 V systems" in condition.text or "12 V units" in condition.text)
    has_start = any(limit.quantity == "start_s" for limit in limit_set.limits)
    if limit_set.name.startswith(("us-", "canada-", "sae-")):
        assert any(c.supply_v is not None for c in limit_set.conditions)
        assert any(c.starts == 3 for c in limit_set.conditions) == has_start
        drops = {limit.quantity for limit in limit_set.limits if limit.quantity.startswith("drop")}
        (system,) = [c for c in limit_set.conditions if c.system_v]
        assert set(system.quantities) == drops != set()


def test_rules_for_vehicles_demand_nothing_of_the_test() -> None:
    for name in ("un-r48", "un-r53", "germany", "uk", "australia-nsw", "india", "china"):
        assert not any(demand_texts(c) for c in BY_NAME[name].conditions)


def test_outage_indication_has_three_ways() -> None:
    """QC/T 501-1999, after a public summary: at least 1.75 times and 140; at most half and 50; or steady."""
    (ways,) = BY_NAME["outage-qct501"].requirements
    assert isinstance(ways, AnyOf)
    rise, fall, steady = ways.alternatives
    assert [(x.low, x.high) for x in rise.limits if isinstance(x, Limit)] == [(1.75, None), (140.0, None)]
    assert [(x.low, x.high) for x in fall.limits if isinstance(x, Limit)] == [(None, 0.5), (None, 50.0)]
    assert isinstance(steady, AllOf) and steady.limits[0] == FactLimit(
        "outage", ("steady on", "dark"), "steady on or dark with one lamp out", steady.limits[0].source
    )


def test_agency_letter_of_2002_through_the_shipped_set() -> None:
    """Cycles of 160/200, 160/200 and 160/620 ms: 136.8 per minute by the agency's average, a fail; 120.0 by the other rule."""
    periods_s = (0.36, 0.36, 0.78)
    mean = sum(60.0 / p for p in periods_s) / 3
    total = 60.0 * 3 / sum(periods_s)
    values = {
        "rate_per_min": Estimate(mean, "1/min", (Component("u", 0.1),)),
        "rate_total_per_min": Estimate(total, "1/min", (Component("u", 0.1),)),
    }
    verdicts = {v.limit.quantity: v for v in judge(Measured(values), BY_NAME["us-turn-open"]) if isinstance(v.limit, Limit)}
    assert round(mean, 1) == 136.8 and verdicts["rate_per_min"].conformity is Conformity.FAIL
    (by_count,) = judge(Measured(values), BY_NAME["uk"])
    assert round(total, 1) == 120.0 and by_count.conformity is Conformity.CONDITIONAL_PASS
