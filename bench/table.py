"""A table of a settings file, read key by key, with one-line errors: which file, which key, what came, what is allowed.

The table is what `tomllib` made of the text. A key that was not asked for is an error too (`Table.done`), so that a misspelt one is
never passed over.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Mapping, Sequence
from typing import Any, TypeVar

from bench.errors import TableError

T = TypeVar("T")
_LARGEST = 10**12  # what no setting is beyond: sums and products of such numbers are finite, and have a text that can be read
_AT_MOST = f", at most {_LARGEST:.0e}"


def top_table(content: Mapping[str, Any], origin: str, format_number: int) -> Table:
    """Return the top table of a file that must say `format = <format_number>`; `origin` names the file for people."""
    top = Table(content, origin)
    came = top.whole("format", 1)
    if came != format_number:
        raise top.error("format", f"got {came}; this version reads format {format_number}")
    return top


class Table:
    """One TOML table: `origin` is the file's name for people, `place` the path of the table in it."""

    def __init__(self, content: Mapping[str, Any], origin: str, place: str = "") -> None:
        self._content = content
        self.origin = origin
        self.place = place
        self._asked: set[str] = set()

    def __contains__(self, key: str) -> bool:
        self._asked.add(key)
        return key in self._content

    def error(self, key: str, what: str) -> TableError:
        """Return the error to raise about `key`; `what` says what came and what is allowed."""
        where = f"{self.place}.{key}" if self.place else key
        return TableError(f"{self.origin}: {where}: {what}")

    def _get(self, key: str) -> Any:
        self._asked.add(key)
        return self._content.get(key)

    def _typed(self, key: str, kind: type[T], kind_text: str, default: T | None) -> T:
        value = self._get(key)
        if value is None:
            if default is None:
                raise self.error(key, f"missing; it must be {kind_text}")
            return default
        if not isinstance(value, kind) or isinstance(value, bool) is not (kind is bool):
            raise self.error(key, f"got {value!r}; it must be {kind_text}")
        return value

    def text(self, key: str, default: str | None = None) -> str:
        """Return text, not empty where it is required."""
        value = self._typed(key, str, "text", default)
        if default is None and not value.strip():
            raise self.error(key, "got empty text; it must say something")
        return value

    def choice(self, key: str, allowed: Collection[str], default: str | None = None) -> str:
        """Return a text that is one of those allowed; TableError for another."""
        value = self._typed(key, str, f"one of {_listed(allowed)}", default)
        if value not in allowed:
            raise self.error(key, f"got {value!r}; it must be one of {_listed(allowed)}")
        return value

    def choices(self, key: str, allowed: Collection[str], default: Sequence[str] | None = None) -> tuple[str, ...]:
        """Return a list of texts that are all allowed, not empty where it is required."""
        values = self.texts(key, default)
        for value in values:
            if value not in allowed:
                raise self.error(key, f"got {value!r}; it must be among {_listed(allowed)}")
        return values

    def whole(self, key: str, least: int, default: int | None = None, most: int | None = None) -> int:
        """Return a whole number from `least` to `most`; TableError for another."""
        allowed = f"a whole number, {least} or more" if most is None else f"a whole number from {least} to {most}"
        value = self._typed(key, int, allowed, default)
        if value < least or (most is not None and value > most):
            raise self.error(key, f"got {value!r}; it must be {allowed}")
        return value

    def number(self, key: str) -> float | None:
        """Return a number, neither infinite nor beyond _LARGEST, or None if the key is not there."""
        value = self._get(key)
        if value is None:
            return None
        if not _is_finite_number(value):
            raise self.error(key, f"got {value!r}; it must be a finite number{_AT_MOST}")
        return float(value)

    def flag(self, key: str) -> bool:
        """Return true or false; false if the key is not there."""
        return self._typed(key, bool, "true or false", False)

    def numbers(self, key: str) -> tuple[float, ...]:
        """Return a list of finite numbers, which must not be empty; none if the key is not there."""
        value = self._get(key)
        if value is None:
            return ()
        if not isinstance(value, list) or not value or not all(_is_finite_number(item) for item in value):
            raise self.error(key, f"got {value!r}; it must be a list of finite numbers{_AT_MOST}")
        return tuple(float(item) for item in value)

    def span(self, key: str, least: float = -math.inf) -> tuple[float, float] | None:
        """Return `[low, high]`, neither below `least`; None if the key is not there."""
        numbers = self.numbers(key)
        if not numbers:
            return None
        if len(numbers) != 2 or not least <= numbers[0] <= numbers[1]:
            at_least = "" if least == -math.inf else f", low at least {least:g}"
            raise self.error(key, f"got {self._get(key)!r}; it must be [low, high], low not above high{at_least}")
        return numbers[0], numbers[1]

    def texts(self, key: str, default: Sequence[str] | None = None) -> tuple[str, ...]:
        """Return a list of texts, not empty where it is required."""
        value = self._get(key)
        if value is None and default is not None:
            return tuple(default)
        if not isinstance(value, list) or not value or not all(isinstance(item, str) for item in value):
            raise self.error(key, f"got {value!r}; it must be a list of texts")
        return tuple(value)

    def table(self, key: str) -> Table:
        """Return the table under `key`, which must be there."""
        value = self._get(key)
        if not isinstance(value, dict):
            raise self.error(key, "missing or not a table")
        return Table(value, self.origin, f"{self.place}.{key}" if self.place else key)

    def optional_table(self, key: str) -> Table | None:
        """Return the table under `key`; None if the key is not there."""
        return None if self._get(key) is None else self.table(key)

    def tables(self, key: str) -> tuple[Table, ...]:
        """Return the list of tables under `key`; none if the key is not there."""
        value = self._get(key)
        if value is None:
            return ()
        if not isinstance(value, list) or not all(isinstance(item, dict) for item in value):
            raise self.error(key, "it must be a list of tables")
        prefix = f"{self.place}.{key}" if self.place else key
        return tuple(Table(item, self.origin, f"{prefix}[{i + 1}]") for i, item in enumerate(value))

    def done(self) -> None:
        """Refuse keys that were never asked for."""
        unknown = [key for key in self._content if key not in self._asked]
        if unknown:
            raise self.error(unknown[0], f"unknown key; known here: {', '.join(sorted(self._asked))}")


def _listed(allowed: Collection[str]) -> str:
    return ("; " if any("," in text for text in allowed) else ", ").join(allowed)


def _is_finite_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and abs(value) <= _LARGEST


def read_all(tables: Sequence[Table], read: Callable[[Table], T]) -> tuple[T, ...]:
    """Read each table to its end: `read`, then refuse what it did not ask for."""
    values = []
    for table in tables:
        values.append(read(table))
        table.done()
    return tuple(values)
