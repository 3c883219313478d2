"""The conditions of a limit set against how a test was made: kept, not kept, or not known.

A condition makes demands (`bench.limits.Condition`); `Circumstances` say how the test was really made. One demand not kept makes
the condition not kept; otherwise one not known makes it not known. A condition in words alone is not known: nothing here can check it.
Voltages of demands are for a 12 V system, and scale with the system: half for 6 V, twice for 24 V.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum

from bench import rounding
from bench.limits import Condition, LimitSet
from bench.uncertainty import Estimate, Measurement


class Kept(StrEnum):
    """Whether a test was made as a condition asks."""

    KEPT = "kept"
    NOT_KEPT = "not kept"
    NOT_KNOWN = "not known"


@dataclass(frozen=True, slots=True)
class Circumstances:
    """How a test was made; None is not known.

    - `supply_v`: volts at the lamps with the unit shorted.
    - `ambient`: temperature at the unit in degC; `NotMeasured` says why there is none.
    - `starts`: how many starts the starting time was taken from.
    - `system_v`: the system of the unit: 6, 12 or 24 V.
    - `load_is_rated`: whether the load was the one that the unit is for.
    """

    system_v: float
    supply_v: float | None = None
    ambient: Measurement | None = None
    starts: int | None = None
    load_is_rated: bool | None = None


@dataclass(frozen=True, slots=True)
class ConditionVerdict:
    """One condition judged. `text` says in plain words, with the figures, what decided."""

    limit_set: str
    condition: Condition
    kept: Kept
    text: str


def judge_conditions(limit_set: LimitSet, circumstances: Circumstances) -> tuple[ConditionVerdict, ...]:
    """Return a verdict for each condition of the set, in its order."""
    return tuple(_judge_condition(limit_set.name, condition, circumstances) for condition in limit_set.conditions)


def is_for_system(limit_set: LimitSet, quantity: str, system_v: float) -> bool:
    """Return whether the set's figures for this quantity are for such a system; one for another system asks nothing of the unit."""
    return not any(c.system_v and system_v not in c.system_v and c.is_for(quantity) for c in limit_set.conditions)


def demand_texts(condition: Condition, system_v: float = 12.0) -> tuple[str, ...]:
    """Return what a condition demands, each in a few words with its figures for a `system_v` system; empty if only in words."""
    demands = []
    if condition.supply_v is not None:
        demands.append(_span_text(_scaled(condition.supply_v, system_v), "V"))
    if condition.ambient_c is not None:
        demands.append(_span_text(condition.ambient_c, "°C"))
    if condition.starts > 1:
        demands.append(f"{condition.starts} starts")
    if condition.system_v:
        demands.append(f"{_systems_text(condition)} system")
    if condition.rated_load:
        demands.append("rated load")
    return tuple(demands)


_Found = tuple[Kept, str]
"""One demand judged: whether it is kept, and the text that says so."""


def _judge_condition(name: str, condition: Condition, circumstances: Circumstances) -> ConditionVerdict:
    found = tuple(_judge_demands(condition, circumstances))
    if not found:
        return ConditionVerdict(name, condition, Kept.NOT_KNOWN, f"not checked: {condition.text}")
    for kept in (Kept.NOT_KEPT, Kept.NOT_KNOWN):
        texts = [text for one, text in found if one is kept]
        if texts:
            return ConditionVerdict(name, condition, kept, "; ".join(texts))
    return ConditionVerdict(name, condition, Kept.KEPT, "; ".join(text for _, text in found))


def _judge_demands(condition: Condition, circumstances: Circumstances) -> Iterator[_Found]:
    if condition.supply_v is not None:
        yield _judge_supply(circumstances.supply_v, _scaled(condition.supply_v, circumstances.system_v))
    if condition.ambient_c is not None:
        yield _judge_ambient(circumstances.ambient, condition.ambient_c)
    if condition.starts > 1:
        yield _judge_starts(circumstances.starts, condition.starts)
    if condition.system_v:
        kept = Kept.KEPT if circumstances.system_v in condition.system_v else Kept.NOT_KEPT
        yield kept, f"tested as a {circumstances.system_v:g} V unit; the figures are for a {_systems_text(condition)} system"
    if condition.rated_load:
        yield _judge_load(circumstances.load_is_rated)


def _judge_supply(supply_v: float | None, span: tuple[float, float]) -> _Found:
    wanted = f"the figures are for {_span_text(span, 'V')}"
    if supply_v is None:
        return Kept.NOT_KNOWN, f"the supply is not known; {wanted}"
    kept = Kept.KEPT if span[0] <= supply_v <= span[1] else Kept.NOT_KEPT
    # 1.0 V: one digit behind the point, and more only where it takes them to show the side of the span.
    return kept, f"tested at {_beside(supply_v, span, 1.0)} V; {wanted}"


def _judge_ambient(ambient: Measurement | None, span: tuple[float, float]) -> _Found:
    """Judge the temperature: not kept only beyond the expanded uncertainty; outside by less, nothing can be said."""
    wanted = f"the figures are for {_span_text(span, '°C')}"
    if not isinstance(ambient, Estimate):
        why = "" if ambient is None else f" ({ambient.reason})"
        return Kept.NOT_KNOWN, f"the temperature is not known{why}; {wanted}"
    expanded = ambient.expanded()
    outside = max(span[0] - ambient.value, ambient.value - span[1])
    kept = Kept.KEPT if outside <= 0.0 else Kept.NOT_KEPT if outside > expanded else Kept.NOT_KNOWN
    plus_minus = f" ± {rounding.uncertainty_text(expanded)}" if expanded else ""
    return kept, f"tested at {_beside(ambient.value, span, expanded)}{plus_minus} °C; {wanted}"


def _judge_starts(starts: int | None, wanted: int) -> _Found:
    if starts is None:
        return Kept.NOT_KNOWN, f"the number of starts is not known; the figures are for {wanted} starts"
    kept = Kept.KEPT if starts >= wanted else Kept.NOT_KEPT
    return kept, f"tested with {starts} start{'' if starts == 1 else 's'}; the figures are for {wanted}"


def _judge_load(load_is_rated: bool | None) -> _Found:
    if load_is_rated:
        return Kept.KEPT, "tested on the load that the unit is for"
    wanted = "the figures are for its rated load"
    if load_is_rated is None:
        return Kept.NOT_KNOWN, f"it is not known which load the unit is for; {wanted}"
    return Kept.NOT_KEPT, f"tested on another load than the unit is for; {wanted}"


def _scaled(span: tuple[float, float], system_v: float) -> tuple[float, float]:
    part = system_v / 12.0  # first, so that 12.7 V stay 12.7 V for 12 V systems
    return span[0] * part, span[1] * part


def _beside(value: float, span: tuple[float, float], expanded: float) -> str:
    """Return a value with the digits that show its side of both ends."""
    return max((rounding.against(value, end, expanded) for end in span), key=len)


def _span_text(span: tuple[float, float], unit: str) -> str:
    return f"{rounding.plain(span[0])} to {rounding.plain(span[1])} {unit}"


def _systems_text(condition: Condition) -> str:
    return " or ".join(f"{v:g} V" for v in condition.system_v)
