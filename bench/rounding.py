"""Numbers as text, rounded so that neither uncertainty nor side of a limit is misstated.

An uncertainty is shown with two significant digits and rounded away from zero, so that it is never understated (GUM 7.2.6 allows
both); its value ends at the same decimal place. A value beside a limit gets as many more digits as it takes to show its side.
"""

from __future__ import annotations

from decimal import ROUND_HALF_EVEN, ROUND_UP, Context, Decimal

_MOST_DIGITS = 15
_EVERY_DIGIT = Context(prec=700)  # of any double to the last place of any other: 28, as usual, are too few for 1e20 beside 1e-10


def unit_text(unit: str) -> str:
    """Return a unit as printed behind a number: `/min` for `1/min`, nothing for `1`."""
    return {"1": "", "1/min": "/min", "1/min/min": "/min²", "degC": "°C", "ohm": "Ω", "mohm": "mΩ"}.get(unit, unit)


def last_place(expanded: float) -> int:
    """Return the power of ten of the last digit shown for an expanded uncertainty (> 0): two significant digits after rounding up.

    `expanded` in the unit shown.
    """
    first = Decimal(_cleaned(expanded)).adjusted()
    up = Decimal(_cleaned(expanded)).quantize(Decimal(1).scaleb(first - 1), ROUND_UP, _EVERY_DIGIT)
    return up.adjusted() - 1


def uncertainty_text(expanded: float, place: int | None = None) -> str:
    """Return an expanded uncertainty with two significant digits, or to `place`, rounded up; `0` if there is none.

    `expanded` in the unit shown.
    """
    if expanded == 0.0:
        return "0"
    place = last_place(expanded) if place is None else place
    return _fixed(Decimal(_cleaned(expanded)).quantize(Decimal(1).scaleb(place), ROUND_UP, _EVERY_DIGIT))


def rounded(value: float, expanded: float, place: int | None = None) -> str:
    """Return a value to the last digit of its expanded uncertainty (same unit), or to `place`; as it is, to 6 digits, if that is zero."""
    if place is not None:
        return _rounded_at(value, place)
    if expanded == 0.0:
        return _fixed(Decimal(f"{value:.6g}"))
    return _rounded_at(value, last_place(expanded))


def at_least(expanded: float, least: float) -> tuple[float, int | None]:
    """Return the uncertainty to show where none below `least` may be, and the place of its last digit (None: two digits, as usual).

    `expanded` and `least` in the unit shown.
    """
    if expanded == 0.0 and least == 0.0:
        return 0.0, None
    return (expanded, None) if expanded > least else (least, Decimal(_cleaned(least)).adjusted())


def against(value: float, limit: float, expanded: float, place: int | None = None) -> str:
    """Return `rounded` text with the digits that show on which side of `limit` the value lies (120.004 beside 120 is not `120.00`).

    `place`: power of ten of the last digit, if not that of the uncertainty. `value`, `limit` and `expanded` in one unit.
    """
    text = rounded(value, expanded) if place is None else _rounded_at(value, place)
    side = _side(value, limit)
    place = place if place is not None else last_place(expanded) if expanded else -5
    for _ in range(_MOST_DIGITS):
        if _side(float(text), limit) == side:
            return text
        place -= 1
        text = _rounded_at(value, place)
    return plain(value)


def plain(number: float) -> str:
    """Return a number in its usual form: shortest decimal text, without an exponent (`120`, `0.8`)."""
    return _fixed(Decimal(repr(float(number))).normalize())


def _side(value: float, limit: float) -> int:
    return (value > limit) - (value < limit)


def _rounded_at(value: float, place: int) -> str:
    text = _fixed(Decimal(repr(float(value))).quantize(Decimal(1).scaleb(place), ROUND_HALF_EVEN, _EVERY_DIGIT))
    return text.removeprefix("-") if not any(c in "123456789" for c in text) else text


def _cleaned(expanded: float) -> str:
    # Rounding up must not see the last bits of a float: 0.22 computed as 0.22000000000000003 is 0.22.
    return f"{expanded:.9e}"


def _fixed(number: Decimal) -> str:
    return f"{number:f}"
