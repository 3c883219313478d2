"""What notebooks and scripts give, looked at before anything is done with it. SetupError in one line: which argument, what came, what is
allowed."""

from __future__ import annotations

import math
import os
from collections.abc import Iterable, Mapping
from dataclasses import fields
from numbers import Integral, Real
from typing import Any, get_type_hints

from bench.claims import Claims
from bench.errors import ContentError, SetupError
from bench.typed_json import decode, printable

MOST_LAMPS = 16
_MOST_W = 1000.0
_LONGEST = 1000
_LONGEST_UNIT = 100
_SHOWN = 60  # characters of what came


def refused(name: str, came: object, allowed: str) -> SetupError:
    """Return the error to raise about the argument `name`."""
    shown = " ".join(repr(came).split())
    shown = shown if len(shown) <= _SHOWN else f"{shown[:_SHOWN]}..."
    return SetupError(printable(f"{name}: got {shown} ({type(came).__name__}); it must be {allowed}"))


def text(name: str, given: Any, allowed: str = "a text in one line") -> str:
    """Return a text, or the path of a file as one."""
    came = os.fspath(given) if isinstance(given, os.PathLike) else given
    if not isinstance(came, str) or not came.strip() or not came.isprintable() or len(came) > _LONGEST:
        raise refused(name, given, allowed)
    return came


def optional_text(name: str, given: Any) -> str | None:
    """Return the text given, None if none was."""
    return None if given is None else text(name, given)


def unit_number(name: str, given: Any) -> str:
    """Return the number or name of a unit, as one would read it off: runs of white space count as one blank."""
    number = " ".join(given.split()) if isinstance(given, str) else ""
    if not 0 < len(number) <= _LONGEST_UNIT or not number.isprintable():
        raise refused(name, given, f"a text of 1 to {_LONGEST_UNIT} characters, all of them printable")
    return number


def texts(name: str, given: Any) -> tuple[str, ...]:
    """Return several texts, or one by itself."""
    if isinstance(given, str | os.PathLike):
        return (text(name, given),)
    return tuple(text(name, one) for one in _items(name, given, "a list of texts"))


def words(name: str, given: Any) -> Mapping[str, str]:
    """Return words by name; none if nothing is given."""
    if given is None:
        return {}
    if not isinstance(given, Mapping):
        raise refused(name, given, "a mapping of text to text")
    return {text(name, key): text(f"{name}[{key!r}]", word) for key, word in given.items()}


def number(name: str, given: Any, low: float = -math.inf, high: float = math.inf) -> float:
    """Return a finite number from `low` to `high`."""
    ends = "" if math.isinf(low) else f" from {low:g} to {high:g}"
    if not isinstance(given, Real) or isinstance(given, bool):
        raise refused(name, given, f"a number{ends}")
    try:
        value = float(given)
    except OverflowError:
        value = math.inf
    if not math.isfinite(value) or not low <= value <= high:
        raise refused(name, given, f"a finite number{ends}")
    return value


def optional_number(name: str, given: Any, low: float = -math.inf, high: float = math.inf) -> float | None:
    """Return the number given if it lies from `low` to `high`, all in one unit; None if none was."""
    return None if given is None else number(name, given, low, high)


def flag(name: str, given: Any) -> bool:
    """Return the truth value given; an error for anything else."""
    if not isinstance(given, bool):
        raise refused(name, given, "True or False")
    return given


def watts(name: str, given: Any, least: int = 1) -> tuple[float, ...] | None:
    """Return watts of each lamp, `least` to MOST_LAMPS of them; None if nothing is given."""
    if given is None:
        return None
    allowed = f"the watts of {least} to {MOST_LAMPS} lamps, such as [21, 21]"
    items = _items(name, given, allowed)
    if not least <= len(items) <= MOST_LAMPS:
        raise refused(name, given, allowed)
    values = tuple(number(name, item, 0.0, _MOST_W) for item in items)
    if 0.0 in values:
        raise refused(name, given, allowed)
    return values


def loads(name: str, given: Any) -> tuple[int, ...] | None:
    """Return the numbers of loads, each once and in order; None if nothing is given."""
    if given is None:
        return None
    allowed = "numbers of loads, 1 to 8, such as [1, 2]"
    items = _items(name, given, allowed)
    if not items or not all(isinstance(item, Integral) and not isinstance(item, bool) and 1 <= int(item) <= 8 for item in items):
        raise refused(name, given, allowed)
    return tuple(sorted({int(item) for item in items}))


def window(name: str, given: Any) -> tuple[float, float]:
    """Return the first and last second, infinite where None is given."""
    allowed = "the first and the last second, None for the recording's, such as (2.5, None)"
    if not isinstance(given, tuple | list) or len(given) != 2:
        raise refused(name, given, allowed)
    begin_s, end_s = (optional_number(name, item) for item in given)
    return -math.inf if begin_s is None else begin_s, math.inf if end_s is None else end_s


def claimed(given: Any) -> Mapping[str, Any]:
    """Return the fields of Claims by name, each of its type."""
    if given is None:
        return {}
    known, hints = [field.name for field in fields(Claims)], get_type_hints(Claims)
    if not isinstance(given, Mapping):
        raise refused("claims", given, f"a mapping with some of {', '.join(known)}")
    if unknown := [key for key in given if key not in known]:
        raise refused("claims", unknown[0], f"one of {', '.join(known)}")
    said = {}
    for key, value in given.items():
        try:
            said[key] = watts("claims['rated']", value) if key == "rated" else decode(hints[key], value, f"claims[{key!r}]")
        except ContentError as error:
            raise SetupError(str(error)) from None
    return said


def _items(name: str, given: Any, allowed: str) -> tuple[Any, ...]:
    if isinstance(given, str | bytes | Mapping) or not isinstance(given, Iterable):
        raise refused(name, given, allowed)
    try:
        return tuple(given)
    except TypeError:  # an array without dimensions
        raise refused(name, given, allowed) from None
