"""Kinds of answers to a query: how each is read, what people call it, and when two of a kind are the same (firmware/PROTOCOL.md section 2).

Answers are compared by what they mean, never by their text: `+48.8` and `4.880000E+01` are the same voltage.
"""

from __future__ import annotations

import operator
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Generic, TypeVar

from bench.wire.frames import STAMP_MODULUS
from bench.wire.header import ModeName
from bench.wire.text import parse_channels, parse_error, parse_number, parse_whole

T = TypeVar("T")

_SAME = 1e-5  # a board keeps six significant digits, and may cut the rest off instead of rounding (PROTOCOL.md section 2)
_NAME = re.compile(r"[\w-]+", re.ASCII)
_LINE = re.compile(r"[A-Za-z][ -~]*")


@dataclass(frozen=True, slots=True)
class Answer(Generic[T]):
    """A kind of answer. `read` gives its value, or raises ValueError for a text of another kind; `text` names the kind for people."""

    text: str
    read: Callable[[str], T]
    same: Callable[[T, T], bool] = operator.eq


def same_number(a: float, b: float) -> bool:
    """Return whether two numbers are the same to the six significant digits that a board keeps. Both, `a` and `b`, in one unit."""
    return abs(a - b) <= _SAME * max(abs(a), abs(b))


def whole(low: int, high: int) -> Answer[int]:
    """Return the kind of whole numbers from low to high, in any form of a number: `480`, `480.0`, `4.8E2`."""
    return Answer(f"a whole number from {low} to {high}", lambda text: parse_whole(text, low, high))


def _mode(text: str) -> ModeName:
    """Return the sample mode; a board may answer its short or its whole word, in any case."""
    words: Mapping[str, ModeName] = {"FAST": "FAST", "PREC": "PREC", "PRECISE": "PREC"}
    if text.upper() not in words:
        raise ValueError(f"{text!r} is no sample mode")
    return words[text.upper()]


def _matching(pattern: re.Pattern[str]) -> Callable[[str], str]:
    def read(text: str) -> str:
        if not pattern.fullmatch(text):
            raise ValueError(f"{text!r} is of another form")
        return text

    return read


def _identity(text: str) -> str:
    """Return the identity as it came, since a record keeps it."""
    if len(text.split(",")) < 4 or not all(text.split(",")):
        raise ValueError(f"{text!r} does not have four fields")
    return text


def _stamp(text: str) -> tuple[int, int]:
    stamp, _, ticks = text.partition(",")
    return parse_whole(stamp, 0, STAMP_MODULUS - 1), parse_whole(ticks, 0, 0xFFFF)


NUMBER = Answer("a number", parse_number, same_number)
SWITCH = Answer("1 or 0", lambda text: bool(parse_whole(text, 0, 1)))
DONE = Answer("1", lambda text: parse_whole(text, 1, 1))
CHANNELS = Answer("a channel list such as (@1,2)", parse_channels)
ERROR = Answer('an error such as 0,"No error"', parse_error)
NAME = Answer("a name", _matching(_NAME))
IDENTITY = Answer("maker, model, serial number and version", _identity)
DESCRIPTION_LINE = Answer("a line of the description", _matching(_LINE))
MODE = Answer("FAST or PREC", _mode)
STAMP = Answer("stamp,ticks", _stamp)
