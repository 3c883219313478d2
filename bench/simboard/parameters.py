"""Parameters of a command, from text to values (firmware/PROTOCOL.md section 2). CommandError for what is not of the kind asked for."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeAlias

from bench.simboard.status import CommandError
from bench.wire import parse_channels

_NUMBER = r"[+-]?(\d+\.?\d*|\.\d+)([Ee][+-]?\d+)?"
Value: TypeAlias = float | str | bool | frozenset[int]
Parser: TypeAlias = Callable[[str], Value]


def read_boolean(text: str) -> bool:
    """Return the value of ON, OFF, 1 or 0."""
    word = text.upper()
    if word in ("ON", "1", "OFF", "0"):
        return word in ("ON", "1")
    raise CommandError(-224 if word.isalpha() else -104)


def read_number(text: str) -> float:
    """Return a decimal number written without a unit; inf where it is too large for a double, and so out of every range."""
    if re.fullmatch(_NUMBER, text):
        return float(text)
    if re.fullmatch(_NUMBER + r"\s*[A-Za-z]+", text):
        raise CommandError(-138)
    raise CommandError(-120 if re.match(r"[-+.\d]", text) else -104)


def read_whole(text: str) -> float:
    """Return a whole number, however it is written."""
    value = read_number(text)
    if math.isfinite(value) and value != int(value):
        raise CommandError(-104)
    return value


def word_reader(**words: str) -> Parser:
    """Return the parser of a parameter that is one of these words; its value is what the word stands for."""

    def parse(text: str) -> str:
        if not text.isalpha():
            raise CommandError(-104)
        try:
            return words[text.upper()]
        except KeyError:
            raise CommandError(-224) from None

    return parse


def read_channels(text: str) -> frozenset[int]:
    """Return the loads of a list such as `(@1,3:5)`."""
    if not text.startswith("("):
        raise CommandError(-104)
    try:
        return parse_channels(text)
    except ValueError:
        raise CommandError(-171) from None


def read_text(text: str) -> str:
    """Return any text as it stands."""
    return text


def read_name(text: str) -> str:
    """Return a name of letters, digits, hyphens and underscores."""
    if not re.fullmatch(r"[A-Za-z0-9_-]+", text):
        raise CommandError(-104)
    return text


@dataclass(frozen=True, slots=True)
class Omissible:
    """A parameter that may be left out, with all that follow."""

    parse: Parser

    def __call__(self, text: str) -> Value:
        return self.parse(text)


def within(value: float, low: float, high: float) -> float:
    """Return the `value` if it is from `low` to `high`, all in one unit; refuse it if not."""
    if not low <= value <= high:
        raise CommandError(-222)
    return value
