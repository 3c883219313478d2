"""What speaks against a unit, each thing once."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import zip_longest

from bench.limits import AllOf, AnyOf, FactLimit, Limit, Requirement
from bench.measure import FactName
from bench.outcome.case import Case
from bench.outcome.wording import charge_text
from bench.verdict import Conformity, Verdict

_SURE = 1e-3  # risks below this are as good as none
_OF_LOAD = ("rate_", "on_", "off_s", "start_", "first_", "outage_", "trailer_")
_FACTS_OF_LOAD = frozenset({
    FactName.BEHAVIOUR, FactName.OUTAGE, FactName.TRAILER, FactName.LAMP_OUT, FactName.PILOT_LAMP_OUT, FactName.PILOT,
})  # fmt: skip


@dataclass(frozen=True)
class Charge:
    """Something that speaks against the unit, and whether the load has a part in it."""

    text: str
    of_load: bool
    thing: str  # what it is about: limits on the mean drop and on the worst one are about the same
    requirement: Requirement | None = None


def charges_of(case: Case) -> list[Charge]:
    """Return everything that speaks against the unit, the surest first, each fact once."""
    failed = sorted((v for v in case.verdicts if v.conformity is Conformity.FAIL), key=lambda v: max(v.p_wrong or 0.0, _SURE))
    found: dict[str, Charge] = {}
    for verdict in failed:
        text = charge_text(verdict)
        found.setdefault(text, Charge(text, _is_of_load(verdict.limit), _thing(verdict), verdict.limit))
    if case.grade is not None and case.grade.outcome == "not good":
        known = {charge.thing for charge in found.values()}
        for text, name in zip_longest(case.grade.charges, case.grade.charged, fillvalue=""):
            if _stem(name) not in known:
                found.setdefault(text, Charge(text, _name_is_of_load(name), _stem(name) or text))
        if not found and case.interrupted is None and all(v.conformity is not Conformity.NOT_MEASURED for v in case.verdicts):
            # A rule may reject for what is no charge by itself: a conditional verdict, or that nothing better held. Never for what is open.
            why = "; ".join(case.grade.because) or case.grade.title
            found[why] = Charge(f"by the rule {case.grade.rule}: {why}", True, why)
    return list(found.values())


def _thing(verdict: Verdict) -> str:
    match verdict.limit:
        case Limit(quantity=quantity):
            return FactName.BEHAVIOUR if verdict.by_fact else _stem(quantity)
        case FactLimit(fact=fact):
            return fact
        case AllOf(title=title) | AnyOf(title=title):
            return title


def _stem(name: str) -> str:
    """Return `drop` of `drop_largest_v`: the quantities of one thing share their first word."""
    return name.split("_")[0]


def _is_of_load(requirement: Requirement) -> bool:
    match requirement:
        case Limit(quantity=quantity):
            return _name_is_of_load(quantity)
        case FactLimit(fact=fact):
            return _name_is_of_load(fact)
        case AllOf(limits=parts) | AnyOf(alternatives=parts):
            return any(_is_of_load(part) for part in parts)


def _name_is_of_load(name: str) -> bool:
    """Return whether what this quantity or fact says hangs on the load."""
    return name.startswith(_OF_LOAD) or name in _FACTS_OF_LOAD
