"""What a board must answer after a command, and answers as messages show them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Generic, TypeVar

from bench.wire import format_channels, format_number
from bench.wire.answers import Answer

_LONGEST = 60  # characters of an answer that is quoted

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Expect(Generic[T]):
    """What shows that a command was done: the query `ask`, whose answer of this kind must be `wanted`."""

    ask: str
    kind: Answer[T]
    wanted: T


def quoted(text: str) -> str:
    """Return an answer as a message shows it: not more of it than tells what it is."""
    return repr(text if len(text) <= _LONGEST else f"{text[:_LONGEST]}...")


def shown(value: object) -> str:
    """Return the value of an answer as a board would write it."""
    if isinstance(value, frozenset):
        return format_channels(value)
    return quoted(value) if isinstance(value, str) else format_number(float(value)) if isinstance(value, (int, float)) else str(value)
