"""Values, uncertainties, limits and sources as short texts, in people's units. Rounding is that of `bench.rounding`."""

from __future__ import annotations

import math
from dataclasses import replace
from fractions import Fraction

from bench import rounding
from bench.limits import UNITS, AllOf, AnyOf, FactLimit, Limit, Requirement, Source
from bench.measure import QUANTITIES
from bench.render.names import basis_text
from bench.uncertainty import Component, Estimate


def in_unit(found: Estimate, unit: str) -> Estimate:
    """Return the estimate in `unit`, one of the limit files' units for its quantity."""
    own, factor = UNITS[unit]
    if own != found.unit:
        raise ValueError(f"{unit!r} is no unit for a value in {found.unit!r}")
    return found if factor == 1 else replace(found.scaled(float(1 / factor), unit), value=_exact(found.value, unit))


def _exact(si: float, unit: str) -> float:
    """Return a number in `unit` by its decimals as written, rounded once: 0.55 is 55 %, and no value changes its side of a limit."""
    return float(Fraction(repr(si)) / UNITS[unit][1])


def value_text(found: Estimate, limit: Limit | None = None, shown_to: float = 0.0) -> str:
    """Return `107.93 ± 0.16 /min`: the value, its expanded uncertainty (95 %) and unit, with the digits to show its side of a limit.

    `shown_to`: the least uncertainty shown, in the estimate's unit.
    """
    expanded, place = rounding.at_least(found.expanded(), shown_to)
    texts = [rounding.rounded(found.value, expanded, place)]
    if limit is not None:
        texts += [rounding.against(found.value, edge, expanded, place) for edge in _edges(limit)]
    plus_minus = f" ± {rounding.uncertainty_text(expanded, place)}" if expanded else ""
    return f"{max(texts, key=len)}{plus_minus} {rounding.unit_text(found.unit)}".rstrip()


def _edges(limit: Limit) -> list[float]:
    """Return the limit's ends in its file's unit."""
    return [_exact(edge, limit.unit) for edge in (limit.low, limit.high) if edge is not None]


def quantity_text(name: str, found: Estimate, limit: Limit | None = None) -> str:
    """Return the value of the quantity `name` in the unit that people use for it, or that of the limit that judges it."""
    quantity = QUANTITIES[name]
    unit = limit.unit if limit is not None else quantity.shown_unit
    return value_text(in_unit(found, unit), limit, float(quantity.shown_to / UNITS[unit][1]))


_SMALL = {"V": "mV", "A": "mA", "s": "ms", "ohm": "mohm"}


def in_shown_unit(found: Estimate, beside: Estimate | None = None) -> Estimate:
    """Return a reading in the unit that people use for its size, or for that of the reading `beside` it: mV below 1 V, % for a ratio."""
    size = found if beside is None else beside
    if found.unit == "1":
        return in_unit(found, "%")
    is_small = max(abs(size.value), size.expanded()) < 1.0
    return in_unit(found, _SMALL[found.unit]) if is_small and found.unit in _SMALL else found


def readable_text(found: Estimate) -> str:
    """Return a reading as `value_text`, in the unit that people use for its size."""
    return value_text(in_shown_unit(found))


def uncertainty_readable(u: float, unit: str) -> str:
    """Return the expanded uncertainty (95 %) of `u`, a standard one in `unit`, in the unit for people; `-` where nothing is known."""
    if math.isinf(u):
        return "-"
    shown = in_shown_unit(Estimate(0.0, unit, (Component("stated", u),)))
    return f"± {rounding.uncertainty_text(shown.expanded())} {rounding.unit_text(shown.unit)}"


def limit_text(requirement: Requirement) -> str:
    """Return `90 to 120 /min`, `at most 0.8 V`, or the words that a fact may have."""
    match requirement:
        case Limit(high=high, unit=unit):
            ends = [rounding.plain(edge) for edge in _edges(requirement)]
            band = " to ".join(ends) if len(ends) == 2 else f"{'min' if high is None else 'max'} {ends[0]}"
            return f"{band} {rounding.unit_text(unit)}".rstrip()
        case FactLimit(allowed=allowed):
            return " or ".join(allowed)
        case AllOf():
            return "all of:"
        case AnyOf():
            return "one of:"


def source_text(source: Source) -> str:
    """Return document, clause, how well it is known, and the file's note."""
    where = f"{source.text}, {source.clause}" if source.clause else source.text
    return f"{where} [{basis_text(source.basis, source.confidence)}]" + (f"; {source.note}" if source.note else "")


def risk_text(p: float) -> str:
    """Return the probability `p` in percent, rounded up to one digit behind the point: never shown as less than it is."""
    return "< 0.1 %" if p < 0.001 else f"{math.ceil(p * 1000 - 1e-9) / 10:.1f} %"
