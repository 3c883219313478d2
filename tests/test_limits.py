"""Limit sets: what the files may say, which member of a family fits, and what the shipped ones say."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from typing import Any

import pint
import pytest

from bench.files import limit_sets, read, shipped
from bench.limits import RULES, UNITS, AllOf, AnyOf, FactLimit, Limit, LimitSet, NoLimitSet, choose, parse_limit_set, to_own_unit
from bench.measure import QUANTITIES, Measured
from bench.table import TableError
from bench.uncertainty import Component, Estimate
from bench.verdict import Conformity, judge

SETS = limit_sets()
BY_NAME = {s.name: s for s in SETS}

GOOD = """
format = 1
name = "mine"
title = "mine"
edition = "today"
body = "the shop"

[averaging]
rule = "mean-of-rates"
skip = 5
average = 3
basis = "own"
source = "the shop"

[[limit]]
quantity = "rate_per_min"
low = 1
high = 2
unit = "Hz"
basis = "read"
source = "a paper"
clause = "4.2"
"""


def parsed(text: str) -> LimitSet:
    return parse_limit_set(tomllib.loads(text), "limit set mine.toml")


def every_limit(limit_set: LimitSet) -> list[Limit | FactLimit]:
    found: list[Limit | FactLimit] = []
    for requirement in limit_set.requirements:
        if isinstance(requirement, AnyOf):
            found += [limit for way in requirement.alternatives for limit in way.limits]
        else:
            found.append(requirement)
    return found


def test_a_file_in_hertz_is_kept_in_per_minute() -> None:
    mine = parsed(GOOD)
    (limit,) = mine.limits
    assert (limit.low, limit.high, limit.unit) == (60.0, 120.0, "Hz")
    assert limit.source.clause == "4.2" and limit.source.basis == "read" and limit.source.confidence == ""
    assert (mine.family, mine.rest, mine.load, mine.lamps) == ("mine", "any", "any", None)
    assert (mine.averaging.skip, mine.averaging.average, mine.averaging.quantity) == (5, 3, "rate_per_min")


@pytest.mark.parametrize(
    ("old", "new", "key", "allowed"),
    [
        ("format = 1", "format = 2", "format", "format 1"),
        ("format = 1", "", "format", "missing"),
        ('title = "mine"', "", "title", "missing"),
        ('title = "mine"', 'title = ""', "title", "must say something"),
        ('name = "mine"', "name = 3", "name", "text"),
        ('unit = "Hz"', 'unit = "furlong"', "limit[1].unit", "1/min, Hz"),
        ('unit = "Hz"', 'unit = "s"', "limit[1].unit", "1/min, Hz"),
        ('unit = "Hz"', "", "limit[1].unit", "missing"),
        ('quantity = "rate_per_min"', 'quantity = "speed"', "limit[1].quantity", "rate_per_min"),
        ('quantity = "rate_per_min"', 'quantity = "rate_total_per_min"', "averaging.rule", "rate_total_per_min"),
        ("low = 1\nhigh = 2", "", "limit[1].low", "at least one"),
        ("low = 1", "low = 3", "limit[1].low", "above high"),
        ("low = 1", 'low = "1"', "limit[1].low", "finite number"),
        ("low = 1", "low = nan", "limit[1].low", "finite number"),
        ("low = 1", "low = true", "limit[1].low", "finite number"),
        ("low = 1", "lowest = 1", "limit[1].lowest", "unknown key"),
        ('basis = "read"', 'basis = "hearsay"', "limit[1].basis", "read, summary, memory, own"),
        ('basis = "read"', 'basis = "memory"\nconfidence = "H"', "limit[1].clause", "somebody has read it"),
        (
            'basis = "read"\nsource = "a paper"\nclause = "4.2"',
            'basis = "memory"\nsource = "x"',
            "limit[1].confidence",
            "H, M, L",
        ),
        ("skip = 5", "skip = -1", "averaging.skip", "0 or more"),
        ("skip = 5", "skip = 1.5", "averaging.skip", "whole number"),
        ("average = 3", "average = 1", "averaging.average", "2 or more"),
        ('rule = "mean-of-rates"', 'rule = "median"', "averaging.rule", "mean-of-rates, total-time"),
        ('body = "the shop"', 'body = "the shop"\nrest = "shut"', "rest", "closed, open, any"),
        ('body = "the shop"', 'body = "the shop"\nlamps = { least = 3, most = 2 }', "lamps.least", "above most"),
        ('body = "the shop"', 'body = "the shop"\nlimit = 3', "limit", "list of tables"),
        ('body = "the shop"', 'body = "the shop"\nlanguage = "en"', "language", "unknown key"),
    ],
)
def test_errors_are_one_line_with_file_key_and_what_is_allowed(old: str, new: str, key: str, allowed: str) -> None:
    text = GOOD.replace(old, new)
    assert text != GOOD
    if new.startswith('body = "the shop"\nlimit'):
        text = text[: text.index("[[limit]]")]
    with pytest.raises(TableError) as error:
        parsed(text)
    message = str(error.value)
    assert message.startswith(f"limit set mine.toml: {key}: ") and allowed in message and "\n" not in message


def test_a_set_must_ask_for_something() -> None:
    with pytest.raises(TableError, match="must ask for something"):
        parsed(GOOD[: GOOD.index("[[limit]]")])
    with pytest.raises(TableError, match="at least two alternatives"):
        parsed(GOOD + '[[any_of]]\ntitle = "t"\n')
    with pytest.raises(TableError, match=r"any_of\[1\]\.alternative\[1\]\.limit: an alternative needs"):
        parsed(GOOD + '[[any_of]]\ntitle = "t"\n[[any_of.alternative]]\ntitle = "a"\n')


def test_units_are_pints() -> None:
    registry: pint.UnitRegistry[float] = pint.UnitRegistry()
    for unit, (own, factor) in UNITS.items():
        if unit not in ("degC", own):
            assert registry.Quantity(1.0, unit).to(own).magnitude == pytest.approx(float(factor)), unit
    assert {q.unit for q in QUANTITIES.values()} <= {own for own, _ in UNITS.values()}
    assert to_own_unit(7, "%") == 0.07 and to_own_unit(30.0, "%") == 0.3 and to_own_unit(500, "mV") == 0.5


# The shipped files.


@pytest.mark.parametrize("limit_set", SETS, ids=lambda s: s.name)
def test_every_number_says_where_it_comes_from(limit_set: LimitSet) -> None:
    assert limit_set.name in shipped("limits"), "a file is named as the set in it"
    sources = (
        [limit.source for limit in every_limit(limit_set)]
        + [limit_set.averaging.source]
        + [c.source for c in limit_set.conditions]
    )
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
        ("us-turn-closed-2", "rate_per_min", 90.0, 120.0, "read"),  # the agency's letters of 2002 and 2003
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
    (limit,) = [limit for limit in BY_NAME[name].limits if limit.quantity == quantity]
    assert (limit.low, limit.high, limit.source.basis) == (low, high, basis)


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


# Choosing.


@pytest.mark.parametrize(
    ("facts", "lamps", "name"),
    [
        ({"rest": "closed"}, 2, "us-turn-closed-2"),
        ({"rest": "closed"}, 3, "us-turn-closed-more"),
        ({"rest": "open"}, 2, "us-turn-open"),
        ({"rest": "open"}, None, "us-turn-open"),
        ({"rest": "unknown", "behaviour": "dark"}, 2, "us-turn-open"),
        ({"behaviour": "steady on"}, 2, "us-turn-closed-2"),
    ],
)
def test_the_member_that_fits(facts: Mapping[str, str], lamps: int | None, name: str) -> None:
    assert choose(SETS, "us-turn", facts, lamps).name == name


def test_a_set_called_by_its_own_name_is_taken_whatever_the_unit_did() -> None:
    assert choose(SETS, "us-turn-open", {"rest": "closed"}, None) is BY_NAME["us-turn-open"]


@pytest.mark.parametrize(
    ("name", "facts", "lamps", "text"),
    [
        ("us-turn", {"rest": "unknown"}, 2, "was not seen; name one of us-turn-closed-2, us-turn-closed-more, us-turn-open"),
        ("us-turn", {"rest": "closed"}, None, "the number of lamps was not given"),
        ("us-turn", {"rest": "closed"}, 99, "none is for a unit closed at rest on 99 lamps"),
        ("us", {}, 2, "no limit set or family is called 'us'"),
    ],
)
def test_what_cannot_be_chosen_is_said(name: str, facts: dict[str, Any], lamps: int | None, text: str) -> None:
    with pytest.raises(NoLimitSet) as error:
        choose(SETS, name, facts, lamps)
    assert text in str(error.value) and "\n" not in str(error.value)


def test_the_example_teaches_every_key_that_it_can() -> None:
    content, _ = read("limits", "shop-example")
    assert {"limit", "fact", "condition", "averaging"} <= set(content)
    assert "invented" in content["title"]
