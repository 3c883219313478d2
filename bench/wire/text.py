"""The text side of the protocol: command lines, error numbers, channel lists, numbers (firmware/PROTOCOL.md section 2)."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping

LONGEST_LINE = 80
"""Bytes of a command line, its end included."""

# Numbers and texts of SCPI-1999, volume 2, chapter 21 (SYSTem:ERRor).
SCPI_ERRORS: Mapping[int, str] = {
    0: "No error",
    -101: "Invalid character",
    -103: "Invalid separator",
    -104: "Data type error",
    -108: "Parameter not allowed",
    -109: "Missing parameter",
    -113: "Undefined header",
    -120: "Numeric data error",
    -138: "Suffix not allowed",
    -171: "Invalid expression",
    -213: "Init ignored",
    -221: "Settings conflict",
    -222: "Data out of range",
    -224: "Illegal parameter value",
    -330: "Self-test failed",
    -350: "Queue overflow",
    -363: "Input buffer overrun",
}

_ERRORS_MOST = 32767  # SCPI-1999 volume 2, 21.8.1: error numbers are of 16 bits
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)(E[+-]?\d+)?", re.IGNORECASE)


def encode_command(line: str) -> bytes:
    """Return the bytes of a command line. ValueError if no board could take it."""
    data = line.encode("ascii", "replace") + b"\n"
    if len(data) > LONGEST_LINE or not (line.isascii() and line.isprintable()):
        raise ValueError(f"a command line is printable ASCII of at most {LONGEST_LINE - 1} characters, got {line!r}")
    return data


def parse_error(reply: str) -> tuple[int, str]:
    """Return the number and text of an answer to `SYSTem:ERRor?`. ValueError if it is none."""
    match = re.fullmatch(r'([^," ]+), *"(.*)"', reply)
    if match is None:
        raise ValueError(f'an error is number,"text", got {reply!r}')
    return parse_whole(match[1], -_ERRORS_MOST, _ERRORS_MOST), match[2]


def parse_number(text: str) -> float:
    """Return the value of a decimal number, exponent allowed. ValueError for anything else, infinities and NaN included."""
    if not _NUMBER.fullmatch(text):
        raise ValueError(f"not a decimal number: {text!r}")
    value = float(text)
    if not math.isfinite(value):
        raise ValueError(f"a number too large: {text!r}")
    return value


def parse_whole(text: str, low: int, high: int) -> int:
    """Return the value of a whole number from low to high in any form of a number (`480`, `480.0`, `4.8E2`). ValueError for anything
    else."""
    value = parse_number(text)
    if not (low <= value <= high and value.is_integer()):
        raise ValueError(f"{text!r} is not a whole number from {low} to {high}")
    return int(value)


def format_number(value: float) -> str:
    """Return the shortest text that reads back as the same number: `75`, `0.05`, `4.7E-5`. `value` in its command's unit."""
    if not math.isfinite(value):
        raise ValueError(f"only finite numbers go on the wire, got {value!r}")
    mantissa, _, exponent = repr(float(value)).partition("e")
    mantissa = mantissa.removesuffix(".0")
    return f"{mantissa}E{int(exponent)}" if exponent else mantissa


def format_channels(channels: Iterable[int]) -> str:
    """Return a channel list without ranges, in ascending order: `(@1,2)`, `(@)`."""
    return "(@" + ",".join(str(c) for c in sorted(set(channels))) + ")"


def parse_channels(text: str) -> frozenset[int]:
    """Return the numbers in a channel list: `(@1,3:5)`, ranges in either order, spaces inside ignored. ValueError if it can't be read.

    Numbers have at most three digits, so that a range is always small.
    """
    compact = text.replace(" ", "")
    if not re.fullmatch(r"\(@((\d{1,3})(:\d{1,3})?(,\d{1,3}(:\d{1,3})?)*)?\)", compact):
        raise ValueError(f"not a channel list: {text!r}")
    channels: set[int] = set()
    for item in filter(None, compact[2:-1].split(",")):
        first, _, last = item.partition(":")
        low, high = sorted((int(first), int(last or first)))
        channels.update(range(low, high + 1))
    return frozenset(channels)
