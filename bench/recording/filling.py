"""How the cells of a recording are filled: readings beyond the range, slower channels, and cells that are missing."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from bench.recording.layout import MAIN, FileLayout
from bench.samples import Array

_REGULAR = 0.9  # of the distances between readings, which must be no more than twice the usual one (common practice, no source)
# An input read at fewer instants than that would cost more of the output's timing than it tells: common practice, no source.
_SELDOM_S = 20e-3
# Of the stretches beyond the range, and of the readings: with more than both a level lies there. Common practice, no source.
_LEVELS, _FEW = 0.3, 0.01
_RETURNS = 10_000  # stretches that are looked at


@dataclass
class _Column:
    rows: int = 0
    empty: int = 0
    last: int = -1
    apart: Counter[int] = field(default_factory=Counter)
    beyond: int = 0
    is_beyond: bool = False
    returns: list[float] = field(default_factory=list)
    ends: tuple[float, float] = (math.inf, -math.inf)

    @property
    def usual(self) -> int:
        """Rows from one reading to the next: 1 unless there is a slower rhythm."""
        total, seen = self.apart.total(), 0
        for rows, count in sorted(self.apart.items()):
            seen += count
            if 2 * seen >= total:
                regular = sum(n for distance, n in self.apart.items() if distance <= 2 * rows)
                return rows if regular >= _REGULAR * total else 1
        return 1

    @property
    def low_returns(self) -> float:
        """Part of the stretches beyond the range that do not end near it: after a peak or a plateau the reading is still large."""
        largest = max(map(abs, self.ends))
        low = sum(abs(value) < 0.5 * largest for value in self.returns) + self.is_beyond
        return low / max(len(self.returns) + self.is_beyond, 1)

    @property
    def has_level_beyond(self) -> bool:
        """Whether a level lies beyond the range, and not only peaks or single readings."""
        return self.low_returns > _LEVELS and self.beyond > _FEW * self.rows

    def note_returns(self, read: Array) -> None:
        """Keep the first reading after each stretch beyond the range; `read` are the next readings."""
        if not len(read):
            return
        beyond = np.isinf(read)
        if (self.is_beyond or beyond.any()) and len(self.returns) < _RETURNS:
            came_back = ~beyond & np.concatenate(([self.is_beyond], beyond[:-1]))
            self.returns += read[came_back].tolist()
        self.is_beyond = bool(beyond[-1])


class Filling:
    """Learns from a first walk over the rows: feed it with `add`, then ask."""

    def __init__(self, layout: FileLayout) -> None:
        self._columns = {channel: _Column() for channel in layout.channels()}
        self._left_out: dict[str, str] = {}

    def add(self, values: Mapping[str, Array]) -> None:
        """Take the next piece of the columns."""
        for channel, v in values.items():
            column = self._columns[channel]
            filled = np.flatnonzero(~np.isnan(v)) + column.rows
            finite = v[np.isfinite(v)]
            column.rows += len(v)
            column.empty += len(v) - len(filled)
            column.beyond += len(filled) - len(finite)
            column.note_returns(v[~np.isnan(v)])
            if len(filled):
                apart = np.diff(filled, prepend=filled[0] if column.last < 0 else column.last)
                distances, counts = np.unique(apart[apart > 0], return_counts=True)
                column.apart.update(dict(zip(distances.tolist(), counts.tolist(), strict=True)))
                column.last = int(filled[-1])
            if len(finite):
                low, high = column.ends
                column.ends = min(low, float(finite.min())), max(high, float(finite.max()))

    def turn_round(self, channels: Iterable[str]) -> None:
        """The sign of these channels is turned from now on."""
        for channel in channels:
            low, high = self._columns[channel].ends
            self._columns[channel].ends = -high, -low

    def known_to(self, layout: FileLayout, interval_s: float) -> FileLayout:
        """Return the layout with what was learnt: ends of ranges that were exceeded, and slower channels; columns of no use are left
        out."""
        ends = {channel: column.ends for channel, column in self._columns.items() if column.beyond and channel not in self._odd()}
        slow = {channel: column.usual for channel, column in self._columns.items() if column.usual > 1}
        of_input = slow.get("v_in", 1)
        if of_input * interval_s > _SELDOM_S and "v_out" in self._columns and slow.get("v_out", 1) < of_input:
            self._left_out["v_in"] = f"one reading in {of_input} rows, too seldom beside the output"
        for channel, column in self._columns.items():
            if channel != "v_drop" and column.has_level_beyond:  # of a drop only the small readings count
                self._left_out[channel] = "what it should show lies beyond its range"
        columns = tuple(c for c in layout.columns if c.channel not in self._left_out)
        return replace(layout, ends=ends, odd=self._odd(), slow=slow, columns=columns)

    def _odd(self) -> frozenset[str]:
        """Return voltages with readings beyond the range that are none: a supply has no peaks, and clipped it would come and go."""
        voltages = {channel: self._columns[channel] for channel in ("v_in", "v_out") if channel in self._columns}
        return frozenset(channel for channel, column in voltages.items() if column.beyond and column.low_returns > 0.0)

    def notes(self) -> Iterator[str]:
        """Yield what was found about gaps and ranges, a sentence each."""
        gaps = 0
        for channel, column in self._columns.items():
            if channel in self._odd():
                yield f"{channel}: {column.beyond} readings beyond the range: gaps, over which nothing is joined"
            elif column.beyond:
                low, high = column.ends
                yield f"{channel}: {column.beyond} readings beyond the range, taken as clipped at {low:.4g} or {high:.4g}"
            if channel in self._left_out:
                yield f"{channel}: {self._left_out[channel]}; what needs it is not measured"
            elif column.usual > 1:
                yield f"{channel}: one reading in {column.usual} rows, a slower channel"
            elif channel in MAIN:
                gaps += column.empty
        if gaps:
            yield f"{gaps} empty cells: gaps, over which nothing is joined"
