"""A shop's rule file, format 2 (described in `bench/data/grades/default.toml`): grades with conditions on what was found."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final, Literal

from bench.limits import read_band, read_fact
from bench.measure import FACTS, QUANTITIES, FactName
from bench.table import Table, read_all, top_table
from bench.verdict import Conformity

FORMAT = 2
_OF_KIND = (FactName.MECHANISM, FactName.SYSTEM, FactName.REST, FactName.RATING)
"""Facts that a condition may be confined to."""


@dataclass(frozen=True, slots=True)
class InBand:
    """A value in a band, ends included or (`open_ends`) not, by `by_u` expanded uncertainties, with `flashes` behind it.

    `low` and `high` in the quantity's unit.
    """

    quantity: str
    low: float | None
    high: float | None
    open_ends: bool = False
    by_u: float = 0.0
    flashes: int = 0


@dataclass(frozen=True, slots=True)
class ShareOfLimit:
    """The value at most `share` of its upper limit, for those of `quantities` that have one; at least one must."""

    quantities: tuple[str, ...]
    share: float


@dataclass(frozen=True, slots=True)
class VerdictsAmong:
    """Every (or any) verdict among `allowed`."""

    allowed: tuple[Conformity, ...]
    every: bool


@dataclass(frozen=True, slots=True)
class Margin:
    """Inside every limit by `by_u` expanded uncertainties; what a fact or alternatives decide must pass. `by_u`: a number of them."""

    by_u: float


@dataclass(frozen=True, slots=True)
class FactIs:
    """A fact that must be one of the words allowed."""

    fact: str
    allowed: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Misses:
    """At most so many conditions of an earlier grade do not hold. What is unknown there is no miss."""

    of: str
    at_most: int


PlainCondition = InBand | ShareOfLimit | VerdictsAmong | Margin | FactIs | Misses


@dataclass(frozen=True, slots=True)
class Only:
    """A condition for units of which these facts are known to be one of these words; for any other it is not there."""

    facts: tuple[tuple[str, tuple[str, ...]], ...]
    condition: PlainCondition


GradeCondition = PlainCondition | Only
Meaning = Literal["good", "not good", "not decided"]
NO_GRADE: Final = "none"
"""Name of the grade that stands where none was given."""
MEANINGS: tuple[Meaning, ...] = ("good", "not good", "not decided")


@dataclass(frozen=True, slots=True)
class GradeStep:
    """One grade of a rule: given if `need` (all or any) of its conditions hold. `outcome`: what it says of the unit."""

    name: str
    title: str
    wording: str
    outcome: Meaning
    need: Literal["all", "any"] = "all"
    conditions: tuple[GradeCondition, ...] = ()


@dataclass(frozen=True, slots=True)
class Rule:
    """Grades in the order in which they are tried, and what is said when none is given."""

    name: str
    title: str
    steps: tuple[GradeStep, ...]
    otherwise: GradeStep


def parse_rule(content: Mapping[str, Any], origin: str) -> Rule:
    """Return the rule from the parsed TOML of one file, TableError in one line otherwise; `origin` names the file for people."""
    top = top_table(content, origin, FORMAT)
    name, title = top.text("name"), top.text("title")
    tables = top.tables("grade")
    if not tables:
        raise top.error("grade", "no grade; a rule needs at least one")
    steps = read_all(tables, _step)
    (otherwise,) = read_all([top.table("otherwise")], lambda t: GradeStep(t.text("name"), t.text("title"), t.text("wording"), _meaning(t)))
    top.done()
    for number, (step, table) in enumerate(zip(steps, tables, strict=True)):
        earlier = [s.name for s in steps[:number]]
        for condition in step.conditions:
            if isinstance(condition, Misses) and condition.of not in earlier:
                raise table.error("misses_of", f"got {condition.of!r}; it must be an earlier grade of the file")
    return Rule(name, title, steps, otherwise)


def _step(table: Table) -> GradeStep:
    need: Literal["all", "any"] = "any" if table.choice("need", ("all", "any")) == "any" else "all"
    conditions = read_all(table.tables("condition"), _condition)
    if not conditions:
        raise table.error("condition", "no condition; a grade needs at least one")
    return GradeStep(table.text("name"), table.text("title"), table.text("wording"), _meaning(table), need, conditions)


def _meaning(table: Table) -> Meaning:
    given = table.choice("outcome", MEANINGS)
    return next(meaning for meaning in MEANINGS if meaning == given)


def _condition(table: Table) -> GradeCondition:
    condition = _plain(table)
    if "only" not in table:
        return condition
    facts = table.table("only")
    given = ((fact, facts.choices(fact, FACTS[fact], ())) for fact in _OF_KIND)
    named = tuple((fact, words) for fact, words in given if words)
    facts.done()
    return Only(named, condition)


def _plain(table: Table) -> PlainCondition:
    if "quantity" in table:
        return _band(table)
    if "share_of_limit" in table:
        return ShareOfLimit(table.choices("quantities", QUANTITIES), _positive(table, "share_of_limit"))
    for key in ("every_verdict", "any_verdict"):
        if key in table:
            return VerdictsAmong(_outcomes(table, key), key == "every_verdict")
    if "limits_by_U" in table:
        return Margin(_positive(table, "limits_by_U"))
    if "fact" in table:
        return FactIs(*read_fact(table))
    if "misses_of" in table:
        return Misses(table.text("misses_of"), table.whole("at_most", 0))
    kinds = "quantity, share_of_limit, every_verdict, any_verdict, limits_by_U, fact, misses_of"
    raise table.error("condition", f"says nothing to check; one of these keys must be there: {kinds}")


def _band(table: Table) -> InBand:
    quantity, _, ends = read_band(table, ("low", "high", "above", "below"))
    given = {key for key, value in ends.items() if value is not None}
    if not given or (given & {"low", "high"} and given & {"above", "below"}):
        raise table.error("low", "give low and/or high, or else above and/or below")
    by_u = _positive(table, "by_U") if "by_U" in table else 0.0
    low, high = (ends["low"], ends["high"]) if given <= {"low", "high"} else (ends["above"], ends["below"])
    if low is not None and high is not None and low > high:
        raise table.error("low", "got a lower end above the upper one")
    return InBand(quantity, low, high, not given <= {"low", "high"}, by_u, table.whole("flashes", 0, 0))


def _positive(table: Table, key: str) -> float:
    value = table.number(key)
    if value is None or value <= 0.0:
        raise table.error(key, f"got {value!r}; it must be a number above 0")
    return value


def _outcomes(table: Table, key: str) -> tuple[Conformity, ...]:
    return tuple(Conformity(text) for text in table.choices(key, tuple(Conformity)))
