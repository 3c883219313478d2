"""The record as JSON and back: format 2, published as `bench/data/schema/record-2.json`. Format 1 is still read.

Pure: text in, text out. The JSON follows the dataclasses field by field, in SI units, with three rules of its own: what may be
one of several kinds says which under `kind`; an estimate also shows its `u`, `dof` and `expanded` (95 %), which must agree
with its budget when read back; infinite degrees of freedom are `null`. There is never a NaN or an infinity.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Mapping
from dataclasses import MISSING, fields, is_dataclass, replace
from enum import StrEnum
from functools import cache
from types import UnionType
from typing import Any, Literal, NoReturn, Union, get_args, get_origin, get_type_hints

from bench.limits import AllOf, AnyOf, FactLimit, Limit
from bench.outcome import upheld
from bench.record import RECORD_FORMAT, TestRecord
from bench.record_format_1 import SCHEMA as SCHEMA_1
from bench.record_format_1 import concluded, in_format_2
from bench.uncertainty import Estimate, NotMeasured

SCHEMA = "makebreak-record-2"
KINDS: Mapping[type, str] = {
    Estimate: "estimate",
    NotMeasured: "not measured",
    Limit: "limit",
    FactLimit: "fact",
    AllOf: "all of",
    AnyOf: "any of",
}
"""The word under `kind` of each class that stands where others could stand too."""
DERIVED = ("u", "dof", "expanded")
"""What an estimate shows beyond its own fields."""
_SAME = 1e-9


class RecordError(ValueError):
    """Text that is no record this version can read. One line: what was read, where in it, what came, what is allowed."""


def to_json(record: TestRecord) -> str:
    """The record as JSON text, in ASCII, so that no terminal or mail can be hurt by what a label said."""
    content = {"schema": SCHEMA, "format": record.format, **_encode(record)}
    return json.dumps(content, indent=2, allow_nan=False)


def from_json(text: str, origin: str = "record") -> TestRecord:
    """The record that `to_json` wrote, now or in format 1; `origin` names the text for people. RecordError if it is anything else."""
    try:
        content = json.loads(text, parse_constant=_no_constant)
        if not isinstance(content, dict) or "format" not in content:
            raise RecordError("not a record: it must be an object with a format number")
        is_old = _is_of_format_1(content.pop("format"), content.pop("schema", None))
        record: TestRecord = _decode(TestRecord, _in_format_2(content) if is_old else content, "")
    except json.JSONDecodeError as error:
        raise RecordError(f"{origin}: no record: it is no JSON ({error.msg} in line {error.lineno})") from None
    except RecursionError:
        raise RecordError(f"{origin}: nested too deep to be a record") from None
    except (ValueError, OverflowError) as error:
        raise RecordError(f"{origin}: {error}") from None
    # Files of earlier versions keep verdicts that their own outcome does not uphold.
    return concluded(record) if is_old else replace(record, verdicts=upheld(record.verdicts, record.outcome))


def _in_format_2(content: Mapping[str, Any]) -> dict[str, Any]:
    try:
        return in_format_2(content)
    except (KeyError, TypeError, AttributeError) as error:
        raise RecordError(f"not a record of format 1: {error}") from None


def _is_of_format_1(number: object, schema: object) -> bool:
    if isinstance(number, int) and number > RECORD_FORMAT:
        raise RecordError(f"format {number} is newer than this version reads ({RECORD_FORMAT}): a newer makebreak is needed")
    is_old = (number, schema) == (1, SCHEMA_1)
    if not is_old and (number != RECORD_FORMAT or schema != SCHEMA):
        raise RecordError(f"got format {number!r} and schema {schema!r}; this version reads {RECORD_FORMAT} and {SCHEMA!r}, or 1")
    return is_old


def _no_constant(word: str) -> NoReturn:
    raise RecordError(f"{word} is not a number that a record may hold")


def _encode(value: Any) -> Any:
    if is_dataclass(value):
        shown: dict[str, Any] = {"kind": KINDS[type(value)]} if type(value) in KINDS else {}
        shown |= {f.name: _encode_number(f.name, getattr(value, f.name)) for f in fields(value) if f.name != "format"}
        if isinstance(value, Estimate):
            shown |= {"u": value.u, "dof": _encode_number("dof", value.dof), "expanded": value.expanded()}
        return shown
    if isinstance(value, Mapping):
        return {str(key): _encode(item) for key, item in value.items()}
    if isinstance(value, tuple):
        return [_encode(item) for item in value]
    if isinstance(value, StrEnum):
        return value.value
    return value


def _encode_number(name: str, value: Any) -> Any:
    return None if name == "dof" and value == math.inf else _encode(value)


def _decode(kind: Any, data: Any, place: str) -> Any:
    """The value of type `kind` that `data` stands for; `place` is the path to it in the record."""
    origin = get_origin(kind)
    if origin in (Union, UnionType):
        return _decode_union(get_args(kind), data, place)
    if origin is tuple:
        return _decode_tuple(get_args(kind), data, place)
    if origin is not None and origin is not Literal and issubclass(origin, Mapping):
        _expect(isinstance(data, dict), place, data, "an object")
        return {key: _decode(get_args(kind)[1], item, f"{place}.{key}") for key, item in data.items()}
    if origin is Literal:
        _expect(data in get_args(kind), place, data, f"one of {', '.join(map(repr, get_args(kind)))}")
        return data
    if is_dataclass(kind):
        assert isinstance(kind, type)
        return _decode_dataclass(kind, data, place)
    return _decode_plain(kind, data, place)


def _decode_union(kinds: tuple[Any, ...], data: Any, place: str) -> Any:
    if type(None) in kinds:
        if data is None:
            return None
        kinds = tuple(k for k in kinds if k is not type(None))
    if len(kinds) == 1:
        return _decode(kinds[0], data, place)
    words = {KINDS[k]: k for k in kinds}
    word = str(data.get("kind")) if isinstance(data, dict) else type(data).__name__
    _expect(word in words, f"{place}.kind", word, f"one of {', '.join(words)}")
    return _decode(words[word], data, place)


def _decode_tuple(kinds: tuple[Any, ...], data: Any, place: str) -> tuple[Any, ...]:
    _expect(isinstance(data, list), place, data, "a list")
    if kinds[-1] is not Ellipsis:
        _expect(len(data) == len(kinds), place, data, f"a list of {len(kinds)}")
        return tuple(_decode(kind, item, f"{place}[{i}]") for i, (kind, item) in enumerate(zip(kinds, data, strict=True)))
    return tuple(_decode(kinds[0], item, f"{place}[{i}]") for i, item in enumerate(data))


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
            values[name] = math.inf if name == "dof" and item is None else _decode(hint, item, f"{place}.{name}")
        elif needed:
            raise RecordError(f"{place}.{name}".lstrip(".") + " is missing")
    if left:
        raise RecordError(f"{place}.{next(iter(left))}".lstrip(".") + " is not part of this format")
    value = _made(kind, values, place)
    if isinstance(value, Estimate):
        _check_derived(value, derived, place)
    return value


def _made(kind: Callable[..., Any], values: dict[str, Any], place: str) -> Any:
    try:
        return kind(**values)
    except ValueError as error:
        raise RecordError(f"{place.lstrip('.')}: {error}") from None


@cache
def _fields(kind: type) -> Mapping[str, tuple[Any, bool]]:
    """Type of each field, and whether it must be there."""
    hints = get_type_hints(kind)
    return {
        f.name: (hints[f.name], f.default is MISSING and f.default_factory is MISSING) for f in fields(kind) if f.name != "format"
    }


def _check_derived(value: Estimate, derived: Mapping[str, Any], place: str) -> None:
    from_budget = {"u": value.u, "dof": value.dof, "expanded": value.expanded()}
    for name, came in derived.items():
        want = from_budget[name]
        number = math.inf if name == "dof" and came is None else came
        _expect(isinstance(number, int | float), f"{place}.{name}", came, "a number")
        if number != want and not math.isclose(number, want, rel_tol=_SAME):
            raise RecordError(f"{place.lstrip('.')}: {name} is {came!r}, but its budget gives {want!r}")


def _decode_plain(kind: Any, data: Any, place: str) -> Any:
    if kind is float:
        _expect(isinstance(data, int | float) and not isinstance(data, bool) and math.isfinite(data), place, data, "a number")
        return float(data)
    if isinstance(kind, type) and issubclass(kind, StrEnum):
        _expect(data in list(kind), place, data, f"one of {', '.join(kind)}")
        return kind(data)
    _expect(isinstance(data, kind) and (kind is bool or not isinstance(data, bool)), place, data, _WORDS[kind])
    return data


_WORDS: Mapping[type, str] = {int: "a whole number", str: "text", bool: "true or false"}


def _expect(holds: bool, place: str, came: Any, allowed: str) -> None:
    if not holds:
        shown = repr(came)
        raise RecordError(f"{place.lstrip('.')}: got {shown if len(shown) < 60 else shown[:57] + '...'}; it must be {allowed}")
