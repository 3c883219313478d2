"""What the values of options and arguments may be. A value that is refused is one line: what came, what is allowed."""

from __future__ import annotations

import math
import re
from pathlib import Path
from typing import Any

import click
from click.shell_completion import CompletionItem

from bench.cli.completion import addresses_offered

MOST_LAMPS = 16
LONGEST_UNIT = 100
"""Characters of a unit's number."""
_LONGEST_INSIDE = 200  # characters of the names of files that are kept in a folder
_LATEST_S = 1e10  # stamps since 1970 are 1.8e9 s


class Number(click.ParamType[float]):
    """A number from `low` to `high`; what is no number, or infinite, is neither."""

    name = "number"

    def __init__(self, low: float, high: float, unit: str) -> None:
        self.low, self.high, self.unit = low, high, unit

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        try:
            number = float(value)
        except ValueError:
            number = math.nan
        if not self.low <= number <= self.high:
            self.fail(f"got {value!r}; it must be a number from {self.low:.10g} to {self.high:.10g} {self.unit}", param, ctx)
        return number


SUPPLY_V = Number(2.4, 33.6, "V")
"""40 % of a 6 V system to 140 % of a 24 V one: beyond that no unit of theirs is tested."""
RESTED_S = Number(0.0, 30 * 86_400.0, "s")
"""30 days: whatever rests longer is as cold."""
RATE_HZ = Number(0.1, 1e8, "Hz")


class Watts(click.ParamType[tuple[float, ...]]):
    """`2x21+5`: two lamps of 21 W and one of 5 W."""

    name = "lamps"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> tuple[float, ...]:
        if not isinstance(value, str):
            return tuple(value)
        watts: list[float] = []
        for part in value.replace(" ", "").lower().split("+"):
            match = re.fullmatch(r"(?:([0-9]{1,2})x)?([0-9]{1,3}(?:\.[0-9]{1,3})?)w?", part)
            if match is None or float(match[2]) == 0.0 or match[1] in ("0", "00"):
                self.fail(f"{value!r} is no list of lamps; write their watts like 21, 2x21 or 2x21+5", param, ctx)
            watts += [float(match[2])] * int(match[1] or 1)
            if len(watts) > MOST_LAMPS:
                self.fail(f"{value!r} are more than {MOST_LAMPS} lamps; write their watts like 21, 2x21 or 2x21+5", param, ctx)
        return tuple(watts)


class LoadNumbers(click.ParamType[tuple[int, ...]]):
    """`1,2,6`: loads of the board by number."""

    name = "loads"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> tuple[int, ...]:
        if not isinstance(value, str):
            return tuple(value)
        if not re.fullmatch(r"[1-8](,[1-8])*", value):
            self.fail(f"{value!r} is no list of loads; write their numbers, 1 to 8, like 1,2,6", param, ctx)
        return tuple(sorted({int(number) for number in value.split(",")}))


class Fact(click.ParamType[tuple[str, str]]):
    """`insulation=good`: a fact, and which of its words it is."""

    name = "fact"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> tuple[str, str]:
        if not isinstance(value, str):
            return tuple(value)
        fact, sign, word = (part.strip() for part in value.partition("="))
        if not (fact and sign and word):
            self.fail(f"{value!r}; write it like insulation=good", param, ctx)
        return fact, word


class TimeSpan(click.ParamType[tuple[float, float]]):
    """`2.5:20`: from 2.5 to 20 s; an end that is left out is the file's."""

    name = "window"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> tuple[float, float]:
        if not isinstance(value, str):
            return tuple(value)
        begin, sign, end = value.partition(":")
        try:
            if not sign or value.strip() == ":":
                raise ValueError
            ends = [float(text) if text.strip() else open_end for text, open_end in ((begin, -math.inf), (end, math.inf))]
            if not all(abs(float(text)) <= _LATEST_S for text in (begin, end) if text.strip()):
                raise ValueError
        except ValueError:
            self.fail(f"{value!r} is no window; write its ends in seconds, like 2.5:20, 2.5: or :20", param, ctx)
        return ends[0], ends[1]


class UnitNumber(click.ParamType[str]):
    """The number or name of a unit, as one would read it off: runs of white space count as one blank."""

    name = "number"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> str:
        number = " ".join(str(value).split())
        if not 0 < len(number) <= LONGEST_UNIT or not number.isprintable():
            shown = f"{len(number)} characters" if len(number) > LONGEST_UNIT else repr(value)
            self.fail(f"got {shown}; a unit's number has 1 to {LONGEST_UNIT} characters, all of them printable", param, ctx)
        return number


class Address(click.ParamType[str]):
    """An address that can be one: AddressError, before anybody is asked anything, for what is none."""

    name = "address"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> str:
        from bench.ports.opening import check_address

        check_address(str(value))
        return str(value)

    def shell_complete(self, ctx: click.Context, param: click.Parameter, incomplete: str) -> list[CompletionItem[Any]]:
        return addresses_offered(incomplete)


class Folder(click.Path):
    """A folder, there or not; an empty name is none."""

    def __init__(self) -> None:
        super().__init__(file_okay=False, path_type=Path)

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        if not str(value).strip():
            self.fail("got an empty name; name a folder", param, ctx)
        try:
            (Path(value) / ("n" * _LONGEST_INSIDE)).exists()
        except (OSError, ValueError) as error:
            self.fail(f"{str(value)!r} can be no folder for files: {getattr(error, 'strerror', None) or error}", param, ctx)
        return super().convert(value, param, ctx)
