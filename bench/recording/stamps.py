"""The time of each row in s: a number with a unit, a stamp of date and time, or the row's place at a stated rate of sampling."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation
from typing import TYPE_CHECKING, Literal

import numpy as np

from bench.samples import Array

if TYPE_CHECKING:
    import pandas as pd

# ISO 8601, the extended format; slashes in the date and a comma before the fraction are common in loggers' files.
_STAMP = re.compile(r"(\d{4}[-/]\d\d[-/]\d\d[T ]\s*)?([01]?\d|2[0-3]):([0-5]\d):(\d\d(?:[.,]\d{1,9})?)\s*(Z|[+-]\d\d:?\d\d)?")
_DAY_S = 86400.0
# s since 1970 (1973 and later). A float holds such times to 0.1 us only, so they are taken off one another exactly.
EPOCH_S = 1e8

_QUANTITY = r"sampl(?:e|ing)[ _]*(rate|freq(?:uency)?|interval|period)"
_UNITS = {
    "hz": 1.0, "khz": 1e3, "mhz": 1e6, "s/s": 1.0, "sa/s": 1.0, "ks/s": 1e3, "ksa/s": 1e3, "ms/s": 1e6, "msa/s": 1e6, "1/s": 1.0,
    "samples/s": 1.0, "s": 1.0, "sec": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9,
}  # fmt: skip
_OF_TIME = frozenset({"s", "sec", "ms", "us", "ns"})
_STATED = re.compile(
    rf"\W*{_QUANTITY}\s*(?:[\[(]\s*(?P<before>[^\])\s]+)\s*[\])])?[\s:=,;\"]*(?P<number>[\d,]*[.]?\d+(?:[eE][-+]?\d+)?)[\s,;\"]*(?P<after>[\w/µμ]*)\W*",
    re.IGNORECASE,
)

_THOUSANDS = re.compile(r"[1-9]\d{0,2}(,\d{3})+")  # 10,000 Hz may be ten thousand or ten


class NotATime(Exception):
    """The cell of row `row` is no time: `cell`."""

    def __init__(self, row: int, cell: str) -> None:
        super().__init__(cell)
        self.row, self.cell = row, cell


@dataclass(frozen=True, slots=True)
class TimeColumn:
    """How a file tells time: `number` times `factor` gives s; `exact` the same, for times since 1970; `stamp`; or `rate` rows a second.

    `place` is the column's, -1 without one. `stated_hz`: another rate, which the file states and which was overruled.
    """

    kind: Literal["number", "exact", "stamp", "rate"]
    place: int = -1
    factor: float = 1.0
    title: str = "time"
    stated_hz: float | None = None


def is_stamp(cell: str) -> bool:
    """Return whether a cell is a date and time that can be read."""
    return _STAMP.fullmatch(cell) is not None


def stated_rate_hz(lines: Sequence[str]) -> float | None:
    """Return the rate of sampling that one of these lines states, such as `# sample rate: 10 kHz` or `Sampling interval [s], 0.0001`."""
    for line in lines:
        match = _STATED.fullmatch(line.strip())
        if match is None or _THOUSANDS.fullmatch(match["number"]):
            continue
        is_interval = match[1].lower() in ("interval", "period")
        unit = (match["before"] or match["after"] or ("s" if is_interval else "Hz")).replace("µ", "u").replace("μ", "u").lower()
        value = _number(match["number"]) * _UNITS.get(unit, 0.0)
        if value > 0.0 and is_interval == (unit in _OF_TIME):
            return 1.0 / value if is_interval else value
    return None


def _number(text: str) -> float:
    """Return the number; 0 if it is none."""
    try:
        return float(text.replace(",", "."))
    except ValueError:
        return 0.0


class Clock:
    """Turns the time cells of one walk over a file into s; one verb, `seconds`. A time that is missing is NaN."""

    def __init__(self, column: TimeColumn) -> None:
        self._column = column
        self._rows = 0
        self._origin: Decimal | None = None
        self._first_ns: int | None = None
        self._days = 0
        self._last_s = 0.0

    def seconds(self, cells: pd.DataFrame) -> Array:
        """Return the times of the next rows, of which `cells` holds the file's columns by their places. Raises NotATime."""
        if self._column.kind == "rate":
            rows = np.arange(self._rows, self._rows + len(cells), dtype=np.float64)
            self._rows += len(cells)
            return rows * self._column.factor
        column = cells[self._column.place]
        if self._column.kind == "number":
            times = column.to_numpy(dtype=np.float64) * self._column.factor
            times[~np.isfinite(times)] = np.nan
            return times
        texts = ["" if isinstance(cell, float) else str(cell).strip().strip('"') for cell in column]
        return self._exact(texts) if self._column.kind == "exact" else self._stamps(texts)

    def _exact(self, texts: Sequence[str]) -> Array:
        factor, found = Decimal(repr(self._column.factor)), np.full(len(texts), np.nan)
        for row, text in enumerate(texts):
            if not text:
                continue
            try:
                number = Decimal(text.replace(",", ".")) * factor
            except InvalidOperation:
                raise NotATime(row, text) from None
            if number.is_finite():
                self._origin = number if self._origin is None else self._origin
                found[row] = float(number - self._origin)
        found[~np.isfinite(found)] = np.nan
        return found

    def _stamps(self, texts: Sequence[str]) -> Array:
        matches = [_STAMP.fullmatch(text) for text in texts]
        is_dated = next((match[1] is not None for match in matches if match), False)
        for row, (text, match) in enumerate(zip(texts, matches, strict=True)):
            if text and (match is None or (match[1] is not None) != is_dated):
                raise NotATime(row, text)
        if is_dated:
            return self._dated(texts)
        return self._over_midnight(
            np.array([int(m[2]) * 3600 + int(m[3]) * 60 + float(m[4].replace(",", ".")) if m else math.nan for m in matches])
        )

    def _dated(self, texts: Sequence[str]) -> Array:
        import pandas as pd

        plain = pd.Series([text.replace(",", ".").replace("/", "-") or None for text in texts], dtype=object)
        stamps = pd.to_datetime(plain, format="ISO8601", utc=True, errors="coerce")
        there = stamps.notna().to_numpy()
        for row in np.flatnonzero(~there).tolist():
            if texts[row]:  # it looks like a stamp and is none: the 31st of February
                raise NotATime(row, texts[row])
        nanoseconds = stamps.dt.tz_localize(None).to_numpy(dtype="datetime64[ns]").astype(np.int64)
        if self._first_ns is None and there.any():
            self._first_ns = int(nanoseconds[there][0])
        return np.where(there, (nanoseconds - (self._first_ns or 0)) * 1e-9, np.nan)

    def _over_midnight(self, of_day_s: Array) -> Array:
        """Return the times of day as times since the first of them, which go on where the day changes."""
        there = np.isfinite(of_day_s)
        times = of_day_s[there]
        if not len(times):
            return of_day_s
        if self._first_ns is None:
            self._first_ns, self._last_s = round(times[0] * 1e9), float(times[0])
        steps = np.diff(times, prepend=self._last_s)
        days = self._days + np.cumsum((steps < -0.5 * _DAY_S).astype(np.int64) - (steps > 0.5 * _DAY_S))
        self._days, self._last_s = int(days[-1]), float(times[-1])
        found = np.full(len(of_day_s), np.nan)
        found[there] = times - self._first_ns * 1e-9 + days * _DAY_S
        return found
