"""Limit sets: what the files may say, which member of a family fits, and what the shipped ones say."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pint
import pytest

from bench.conditions import demand_texts
from bench.errors import NoLimitSet, TableError
from bench.files import limit_sets, read
from bench.limits import (
    UNITS,
    AllOf,
    AnyOf,
    Condition,
    FactLimit,
    Limit,
    LimitSet,
    Source,
    choose,
    parse_limit_set,
    to_own_unit,
    weakest_basis,
)
from bench.measure import QUANTITIES

ROOT = Path(__file__).parent.parent
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
        ('basis = "read"', 'basis = "memory"\nconfidence = "H"', "limit[1].clause", "where it was read"),
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
        ('clause = "4.2"', "doubtful = true", "limit[1].note", "what is in doubt"),
        ('clause = "4.2"', 'doubtful = "yes"', "limit[1].doubtful", "true or false"),
        ('clause = "4.2"', "doubtful = 1", "limit[1].doubtful", "true or false"),
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


CONDITION = """
[[condition]]
text = "12 V units at 12.8 V, 24 degC, on their load, mean of 3 starts"
supply_v = [12.5, 13.1]
ambient_c = [19, 29.5]
starts = 3
system_v = [12]
load = "rated"
quantities = ["rate_per_min"]
basis = "own"
source = "the shop"
"""


def test_a_condition_carries_its_demands() -> None:
    (condition,) = parsed(GOOD + CONDITION).conditions
    assert condition == Condition(
        "12 V units at 12.8 V, 24 degC, on their load, mean of 3 starts", Source("own", "the shop"), (12.5, 13.1), (19.0, 29.5), 3,
        (12.0,), True, ("rate_per_min",),
    )  # fmt: skip


def test_a_condition_in_words_demands_nothing() -> None:
    (condition,) = parsed(GOOD + '[[condition]]\ntext = "dry"\nload = "any"\nbasis = "own"\nsource = "the shop"\n').conditions
    assert condition == Condition("dry", Source("own", "the shop")) and demand_texts(condition) == ()
    assert condition.is_for("rate_per_min") and condition.is_for(None)


@pytest.mark.parametrize(
    ("old", "new", "key", "allowed"),
    [
        ("supply_v = [12.5, 13.1]", "supply_v = 12.8", "supply_v", "list of finite numbers"),
        ("supply_v = [12.5, 13.1]", "supply_v = []", "supply_v", "list of finite numbers"),
        ("supply_v = [12.5, 13.1]", "supply_v = [12.8]", "supply_v", "[low, high]"),
        ("supply_v = [12.5, 13.1]", "supply_v = [12.5, 12.8, 13.1]", "supply_v", "[low, high]"),
        ("supply_v = [12.5, 13.1]", "supply_v = [13.1, 12.5]", "supply_v", "low not above high"),
        ("supply_v = [12.5, 13.1]", "supply_v = [-1, 13.1]", "supply_v", "low at least 0"),
        ("supply_v = [12.5, 13.1]", 'supply_v = ["12.5", 13.1]', "supply_v", "finite numbers"),
        ("supply_v = [12.5, 13.1]", "supply_v = [true, 13.1]", "supply_v", "finite numbers"),
        ("supply_v = [12.5, 13.1]", "supply_v = [nan, 13.1]", "supply_v", "finite numbers"),
        ("supply_v = [12.5, 13.1]", "supply = [12.5, 13.1]", "supply", "unknown key; known here: ambient_c, basis, clause, load"),
        ("ambient_c = [19, 29.5]", "ambient_c = [30, 29.5]", "ambient_c", "low not above high"),
        ("starts = 3", "starts = 0", "starts", "1 or more"),
        ("starts = 3", "starts = 2.5", "starts", "whole number"),
        ("system_v = [12]", "system_v = [12, 48]", "system_v", "6, 12, 24"),
        ("system_v = [12]", "system_v = 12", "system_v", "list of finite numbers"),
        ('load = "rated"', 'load = "largest"', "load", "rated, any"),
        ('["rate_per_min"]', '["speed"]', "quantities", "limits for rate_per_min"),
        ('["rate_per_min"]', '["rate_per_min", "drop_v"]', "quantities", "'drop_v'; this set has limits for rate_per_min"),
        ('["rate_per_min"]', '"rate_per_min"', "quantities", "list of texts"),
    ],
)
def test_errors_of_conditions_are_one_line_too(old: str, new: str, key: str, allowed: str) -> None:
    text = CONDITION.replace(old, new)
    assert text != CONDITION
    with pytest.raises(TableError) as error:
        parsed(GOOD + text)
    message = str(error.value)
    assert message.startswith(f"limit set mine.toml: condition[1].{key}: ") and allowed in message and "\n" not in message


def test_a_condition_can_be_for_a_limit_inside_an_alternative() -> None:
    outage = """
[[any_of]]
title = "outage"
[[any_of.alternative]]
title = "fast"
[[any_of.alternative.limit]]
quantity = "outage_ratio"
low = 175
unit = "%"
basis = "own"
source = "the shop"
[[any_of.alternative]]
title = "dark"
[[any_of.alternative.fact]]
fact = "outage"
title = "dark"
allowed = ["dark"]
basis = "own"
source = "the shop"
"""
    (condition,) = parsed(GOOD + outage + CONDITION.replace("rate_per_min", "outage_ratio")).conditions
    assert condition.is_for("outage_ratio") and not condition.is_for("rate_per_min") and not condition.is_for(None)


def limit_of(basis: str, confidence: str = "") -> Limit:
    return Limit("drop_v", None, 0.8, "V", Source(basis, "a paper", confidence=confidence))


def test_the_weakest_basis_of_some_limits() -> None:
    from_strong_to_weak = [
        limit_of("read"), limit_of("own"), limit_of("summary"), limit_of("memory", "H"), limit_of("memory", "M"), limit_of("memory", "L")
    ]  # fmt: skip
    names = ["read", "own", "summary", "memory H", "memory M", "memory L"]
    for weakest in range(6):
        assert weakest_basis(from_strong_to_weak[: weakest + 1]) == names[weakest]
        assert weakest_basis(reversed(from_strong_to_weak[: weakest + 1])) == names[weakest]
    assert weakest_basis([]) == ""
    inside = AnyOf("one of", (AllOf("a", (limit_of("read"),)), AllOf("b", (FactLimit("pilot", ("x",), "t", Source("summary", "s")),))))
    assert weakest_basis([limit_of("own"), inside]) == "summary"
    assert weakest_basis(BY_NAME["us-turn-open"].requirements) == "memory H"
    assert weakest_basis(BY_NAME["germany"].requirements) == "read"


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
    assert all(UNITS[q.shown_unit][0] == q.unit for q in QUANTITIES.values())
    assert {q.unit for q in QUANTITIES.values()} <= {own for own, _ in UNITS.values()}
    assert to_own_unit(7, "%") == 0.07 and to_own_unit(30.0, "%") == 0.3 and to_own_unit(500, "mV") == 0.5


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
    keys = {"supply_v", "ambient_c", "starts", "system_v", "load", "quantities"}
    text = (ROOT / "bench/data/limits/shop-example.toml").read_text(encoding="utf-8")
    assert all(f"#           {key} = " in text for key in (keys | {"doubtful"}))
    assert keys - {"starts"} <= {key for condition in content["condition"] for key in condition}
