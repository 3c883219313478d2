"""Pint at the edge: measured values as quantities.

One registry for the whole package (pint's own application registry, so that a notebook's quantities go with these). Rates stay in
1/min: as rpm pint takes them for angles, and 86 rpm becomes 9.0 rad/s. A temperature is a point on a scale, not a difference: it
is made from number and unit, never from text.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from bench.uncertainty import Estimate

if TYPE_CHECKING:
    from pint import Quantity, UnitRegistry

_PINT_UNITS = {"1": "dimensionless", "1/min/min": "1/min**2"}


def quantity_of(found: Estimate) -> Quantity[Any]:
    """Return the value as a pint quantity, in the unit that it was estimated in."""
    return _made(found.value, found.unit)


def uncertainty_of(found: Estimate) -> Quantity[Any]:
    """Return the standard uncertainty (k = 1) as a pint quantity; that of a temperature is a difference."""
    return _made(found.u, "delta_degC" if found.unit == "degC" else found.unit)


def _made(value: float, unit: str) -> Quantity[Any]:
    import pint

    registry: UnitRegistry[Any] = pint.get_application_registry()  # type: ignore[no-untyped-call]
    quantity: Quantity[Any] = registry.Quantity(value, _PINT_UNITS.get(unit, unit))
    return quantity
