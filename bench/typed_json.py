"""Dataclasses as JSON content and back, by their types: the one codec of records, notes of captures, choices, standards, calibrations.

The content follows the dataclasses field by field, in SI units, with three rules of its own: what may be one of several kinds says
which under `kind`; an estimate also shows its `u`, `dof` and `expanded` (95 %), which must agree with its budget when read back;
what may be infinite (`UNBOUNDED`) is then `null`. There is never a NaN or an infinity.

Whatever does not fit is a ContentError of one line. Its text has no subject: the caller says what was being read.
"""

from __future__ import annotations

import json
import math
from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import MISSING, fields, is_dataclass
from enum import StrEnum
from functools import cache
from types import UnionType
from typing import Any, Literal, NoReturn, TypeVar, Union, get_args, get_origin, get_type_hints

from bench.errors import ContentError
from bench.limits import AllOf, AnyOf, FactLimit, Limit
from bench.plain import escaped
from bench.procedure import CoolStep, PromptStep, RunStep, ZeroStep
from bench.uncertainty import Estimate, NotMeasured

T = TypeVar("T")
KINDS: Mapping[type, str] = {
    Estimate: "estimate",
    NotMeasured: "not measured",
    Limit: "limit",
    FactLimit: "fact",
    AllOf: "all of",
    AnyOf: "any of",
    ZeroStep: "zero",
    RunStep: "run",
    CoolStep: "cool",
    PromptStep: "prompt",
}
"""The word under `kind` of each class that stands where others could stand too."""
UNBOUNDED = frozenset({"dof", "u_after"})
"""Fields that may be infinite: degrees of freedom of what is known exactly; the uncertainty of a range that could not be calibrated."""
DERIVED = ("u", "dof", "expanded")
"""What an estimate shows beyond its own fields."""
_SAME = 1e-9  # relative: mathematics libraries differ in the last digits
_LONGEST = 400  # characters of an error: its one line
_LARGEST = int(1e308)
_WHOLE = 2**63
"""Whole numbers are smaller than this, as in any other program."""
_EXACT = 2.0**53
"""Whole numbers below this are doubles without loss."""


def printable(text: str) -> str:
    """Return outside text for an error's one line: escaped, and cut where it gets long."""
    return escaped(text if len(text) <= _LONGEST else f"{text[:_LONGEST]}...")


def _unfit(text: str) -> ContentError:
    return ContentError(printable(text))


def loads(text: str | bytes) -> Any:
    """Return the content of JSON text. ContentError for what is no JSON, for NaN, infinities and a key that is there twice."""
    try:
        return json.loads(text if isinstance(text, str) else text.decode(), parse_constant=_no_constant, object_pairs_hook=_each_key_once)
    except ContentError:
        raise
    except json.JSONDecodeError as error:
        raise _unfit(f"it is no JSON ({error.msg} in line {error.lineno})") from None
    except RecursionError:
        raise _unfit("it is nested too deep") from None
    except ValueError as error:  # bytes that are no text, a number of thousands of digits
        raise _unfit(f"it is no JSON ({error})") from None


def dumps(content: Any) -> str:
    """Return JSON text in ASCII, indented by two; a list of plain values stands in one line. ValueError for NaN and infinities."""
    return _text(content, "\n")


def _text(content: Any, line: str) -> str:
    inner = f"{line}  "
    if isinstance(content, dict) and content:
        return f"{{{inner}{f',{inner}'.join(f'{json.dumps(key)}: {_text(item, inner)}' for key, item in content.items())}{line}}}"
    if isinstance(content, list) and any(isinstance(item, dict | list) for item in content):
        return f"[{inner}{f',{inner}'.join(_text(item, inner) for item in content)}{line}]"
    return json.dumps(content, allow_nan=False)


def encode_file(value: Any, number: int) -> dict[str, Any]:
    """Return the content of a file of format `number` that holds a dataclass."""
    return {"format": number, **encode(value)}


def decode_file(kind: type[T], content: Any, number: int) -> T:
    """Return the dataclass that the content of a file holds. ContentError if it is of another format than `number`, or does not fit."""
    _expect(isinstance(content, dict), "", content, "an object")
    came = content.get("format")
    _expect(type(came) is int and came == number, "format", came, f"{number}, the one that this version reads")
    value: T = decode(kind, {key: item for key, item in content.items() if key != "format"})
    return value


def encode(value: Any) -> Any:
    """Return what stands in JSON for a value made of dataclasses, mappings, tuples and plain values."""
    if isinstance(value, float):
        return value + 0.0  # no negative zero: what others make of it differs
    if is_dataclass(value):
        shown: dict[str, Any] = {"kind": KINDS[type(value)]} if type(value) in KINDS else {}
        shown |= {f.name: _encode_number(f.name, getattr(value, f.name)) for f in fields(value) if f.name != "format"}
        if isinstance(value, Estimate):
            shown |= {"u": value.u, "dof": _encode_number("dof", value.dof), "expanded": value.expanded()}
        return shown
    if isinstance(value, Mapping):
        return {str(key): encode(item) for key, item in value.items()}
    if isinstance(value, tuple):
        return [encode(item) for item in value]
    if isinstance(value, StrEnum):
        return value.value
    return value


def decode(kind: Any, data: Any, place: str = "") -> Any:
    """Return the value of type `kind` that `data` stands for; `place` is the path to it. ContentError if it stands for none."""
    origin = get_origin(kind)
    if origin in (Union, UnionType):
        return _decode_union(get_args(kind), data, place)
    if origin is tuple:
        return _decode_tuple(get_args(kind), data, place)
    if origin is not None and origin is not Literal and issubclass(origin, Mapping):
        _expect(isinstance(data, dict), place, data, "an object")
        return {key: decode(get_args(kind)[1], item, f"{place}.{key}") for key, item in data.items()}
    if origin is Literal:
        _expect(data in get_args(kind), place, data, f"one of {', '.join(map(repr, get_args(kind)))}")
        return data
    if is_dataclass(kind):
        assert isinstance(kind, type)
        return _decode_dataclass(kind, data, place)
    return _decode_plain(kind, data, place)


def _no_constant(word: str) -> NoReturn:
    raise _unfit(f"{word} is not a number that a record may hold")


def _each_key_once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    content = dict(pairs)
    if len(content) < len(pairs):
        twice = next(key for key, count in Counter(key for key, _ in pairs).items() if count > 1)
        raise _unfit(f"{twice} is there twice")
    return content


def _encode_number(name: str, value: Any) -> Any:
    return None if name in UNBOUNDED and value == math.inf else encode(value)


def _decode_union(kinds: tuple[Any, ...], data: Any, place: str) -> Any:
    if type(None) in kinds:
        if data is None:
            return None
        kinds = tuple(k for k in kinds if k is not type(None))
    if len(kinds) == 1:
        return decode(kinds[0], data, place)
    if str in kinds:  # a text, or a list: the loads of a step
        return data if isinstance(data, str) else decode(next(k for k in kinds if k is not str), data, place)
    words = {KINDS[k]: k for k in kinds}
    word = str(data.get("kind")) if isinstance(data, dict) else type(data).__name__
    _expect(word in words, f"{place}.kind", word, f"one of {', '.join(words)}")
    return decode(words[word], data, place)


def _decode_tuple(kinds: tuple[Any, ...], data: Any, place: str) -> tuple[Any, ...]:
    _expect(isinstance(data, list), place, data, "a list")
    if kinds[-1] is not Ellipsis:
        _expect(len(data) == len(kinds), place, data, f"a list of {len(kinds)}")
        return tuple(decode(kind, item, f"{place}[{i}]") for i, (kind, item) in enumerate(zip(kinds, data, strict=True)))
    return tuple(decode(kinds[0], item, f"{place}[{i}]") for i, item in enumerate(data))


def _decode_dataclass(kind: type, data: Any, place: str) -> Any:
    _expect(isinstance(data, dict), place, data, "an object")
    left = dict(data)
    if kind in KINDS:
        _expect(left.pop("kind", None) == KINDS[kind], f"{place}.kind", data.get("kind"), repr(KINDS[kind]))
    derived = {name: left.pop(name, None) for name in DERIVED} if kind is Estimate else {}
    values = {}
    for name, (hint, needed) in _fields(kind).items():
        if name in left:
            item = left.pop(name)
            values[name] = math.inf if name in UNBOUNDED and hint is float and item is None else decode(hint, item, f"{place}.{name}")
        elif needed:
            raise _unfit(f"{place}.{name}".lstrip(".") + " is missing")
    if left:
        raise _unfit(f"{place}.{next(iter(left))}".lstrip(".") + " is not part of this format")
    value = _made(kind, values, place)
    if isinstance(value, Estimate):
        _check_derived(value, derived, place)
    return value


def _made(kind: Callable[..., Any], values: dict[str, Any], place: str) -> Any:
    try:
        return kind(**values)
    except ValueError as error:
        raise _unfit(f"{place.lstrip('.')}: {error}" if place else str(error)) from None


@cache
def _fields(kind: type) -> Mapping[str, tuple[Any, bool]]:
    """Return the type of each field, and whether it must be there."""
    hints = get_type_hints(kind)
    return {f.name: (hints[f.name], f.default is MISSING and f.default_factory is MISSING) for f in fields(kind) if f.name != "format"}


def _check_derived(value: Estimate, derived: Mapping[str, Any], place: str) -> None:
    from_budget = {"u": value.u, "dof": value.dof, "expanded": value.expanded()}
    for name, came in derived.items():
        want = from_budget[name]
        number = math.inf if name == "dof" and came is None else came
        _expect(isinstance(number, int | float), f"{place}.{name}", came, "a number")
        if number != want and not math.isclose(number, want, rel_tol=_SAME):
            raise _unfit(f"{place.lstrip('.')}: {name} is {came!r}, but its budget gives {want!r}")


def _decode_plain(kind: Any, data: Any, place: str) -> Any:
    if kind is float:
        known = isinstance(data, float) or (isinstance(data, int) and not isinstance(data, bool) and abs(data) <= _LARGEST)
        _expect(known and math.isfinite(data), place, data, "a number")
        return float(data)
    if isinstance(kind, type) and issubclass(kind, StrEnum):
        _expect(data in list(kind), place, data, f"one of {', '.join(kind)}")
        return kind(data)
    if kind is int and isinstance(data, float) and data.is_integer() and abs(data) < _EXACT:
        return int(data)  # other programs write 5 as 5.0
    if kind is int and isinstance(data, int):
        _expect(abs(data) < _WHOLE, place, data, "a whole number below 2^63")
    _expect(isinstance(data, kind) and (kind is bool or not isinstance(data, bool)), place, data, _WORDS[kind])
    return data


_WORDS: Mapping[type, str] = {int: "a whole number", str: "text", bool: "true or false"}


def _expect(holds: bool, place: str, came: Any, allowed: str) -> None:
    if not holds:
        shown, where = repr(came), f"{place.lstrip('.')}: " if place else ""
        raise _unfit(f"{where}got {shown if len(shown) < 60 else shown[:57] + '...'}; it must be {allowed}")
