"""Rows of a recording, in SI, in chunks, with time that strictly increases; and the blocks made of them."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from bench.recording.table import MAIN, RecordingError, Table
from bench.samples import Array, Block, Trace

if TYPE_CHECKING:
    import pandas as pd

_CHUNK_ROWS = 50_000
_GAP_LEAST_S = 5e-3
_BACK_ROWS = 50
_COMMA = " (decimal commas need semicolons or tabs between the columns)"
_NOT_NUMBERS = ["nan", "NaN", "NAN", "NA", "N/A", "n/a", "null", "-", "--"]


def rows_of(table: Table) -> Iterator[tuple[Array, dict[str, Array]]]:
    """Chunks of the file in SI: time shape (n,), and each channel's values, shape (n,), NaN where there is none."""
    import pandas as pd

    ours = {c.place for c in table.columns}
    try:
        reader = pd.read_csv(
            table.path,
            encoding=table.encoding,
            sep=table.separator,
            decimal=table.decimal,
            header=None,
            names=list(range(table.width + 1)),
            skiprows=table.header_line,
            comment="#",
            dtype={place: np.float64 if place in ours else str for place in range(table.width + 1)},
            na_values=_NOT_NUMBERS,
            keep_default_na=True,
            skipinitialspace=True,
            index_col=False,
            chunksize=_CHUNK_ROWS,
            on_bad_lines="error",
        )
        with reader:
            for frame in reader:
                if frame[table.width].notna().any():
                    raise ValueError("a row has more cells than the header")
                yield _in_si(table, frame)
    except pd.errors.EmptyDataError:
        return
    except (ValueError, pd.errors.ParserError, UnicodeDecodeError) as error:
        raise _bad_cell(table) or RecordingError(f"{table.name}: can't be read: {error}") from error


def _in_si(table: Table, frame: pd.DataFrame) -> tuple[Array, dict[str, Array]]:
    si = {c.channel: frame[c.place].to_numpy(dtype=np.float64) * c.factor for c in table.columns}
    for values in si.values():
        values[~np.isfinite(values)] = np.nan
    return si.pop("time"), si


def _bad_cell(table: Table) -> RecordingError | None:
    """Which cell of the file is not a number: looked for only after the fast reader has refused the file."""
    with table.path.open(encoding=table.encoding, errors="replace") as file:
        for number, line in enumerate(file, 1):
            content = line.split("#", 1)[0].strip("\r\n")
            if number <= table.header_line or not content.strip():
                continue
            cells = content.split(table.separator)
            if any(cell.strip() for cell in cells[table.width :]):
                return RecordingError(f"{table.name}: line {number}: {len(cells)} cells, the header has {table.width}{_COMMA}")
            for column in table.columns:
                cell = cells[column.place].strip().strip('"') if column.place < len(cells) else ""
                if cell and cell not in _NOT_NUMBERS and not _is_number(cell, table.decimal):
                    return RecordingError(f"{table.name}: line {number}, column {column.title}: {cell!r} is not a number")
    return None


def _is_number(cell: str, decimal: str) -> bool:
    try:
        float(cell.replace(decimal, "."))
    except ValueError:
        return False
    return True


class Timeline:
    """Rows in, rows whose time strictly increases out; a chunk's last rows of equal time wait for the next.

    Equal times are a time column of coarse resolution: such rows are spread evenly up to the next time. A row whose time goes
    back is dropped; a file that goes back and stays back is two recordings, which is an error.
    """

    def __init__(self, table: Table) -> None:
        self._table = table
        self._held: tuple[Array, dict[str, Array]] | None = None
        self._last = -math.inf
        self._back = 0
        self.spread = 0
        self.dropped = 0
        self._step = 0.0

    def feed(self, time_s: Array, values: dict[str, Array]) -> tuple[Array, dict[str, Array]]:
        keep = np.isfinite(time_s)
        highest = np.maximum.accumulate(np.where(keep, time_s, -np.inf)) if len(time_s) else time_s
        keep &= time_s >= np.maximum(highest, self._last)
        self._count_back(keep, max(self._last, float(highest[-1])) if len(highest) else self._last)
        time_s, values = time_s[keep], {c: v[keep] for c, v in values.items()}
        if self._held is not None:
            time_s = np.concatenate((self._held[0], time_s))
            values = {c: np.concatenate((self._held[1][c], v)) for c, v in values.items()}
        if not len(time_s):
            return time_s, values
        self._last = float(time_s[-1])
        ready = int(np.searchsorted(time_s, self._last, side="left"))
        self._held = time_s[ready:], {c: v[ready:] for c, v in values.items()}
        out = self._spread(time_s[:ready], self._last)
        return out, {c: v[:ready] for c, v in values.items()}

    def flush(self) -> tuple[Array, dict[str, Array]] | None:
        """The rows that waited, at the end of the file."""
        if self._held is None or not len(self._held[0]):
            return None
        time_s, values = self._held
        self._held = None
        return self._spread(time_s, float(time_s[0]) + (self._step or 1e-6) * len(time_s)), values

    def _count_back(self, keep: npt.NDArray[np.bool_], reached_s: float) -> None:
        self.dropped += int(np.count_nonzero(~keep))
        for run in np.split(keep, np.flatnonzero(np.diff(keep)) + 1):
            if len(run) and run[0]:
                self._back = 0
                continue
            self._back += len(run)
            if self._back > _BACK_ROWS:
                raise RecordingError(
                    f"{self._table.name}: time goes back after {reached_s:g} s and stays back for more than {_BACK_ROWS} rows: "
                    "are these two recordings in one file? keep one"
                )

    def _spread(self, time_s: Array, end: float) -> Array:
        if not len(time_s):
            return time_s
        distinct, first, count = np.unique(time_s, return_index=True, return_counts=True)
        following = np.append(distinct[1:], end)
        if len(distinct) > 1:
            self._step = float(np.median(np.diff(time_s))) or float(np.median((following - distinct) / count))
        if len(distinct) == len(time_s):
            return time_s
        self.spread += int(len(time_s) - len(distinct))
        within = np.arange(len(time_s)) - np.repeat(first, count)
        # Rows of one time belong to the next few samples, not to a pause that may follow.
        step = np.minimum((following - distinct) / count, max(self._step, 1e-12) * 8)
        spread: Array = np.repeat(distinct, count) + within * np.repeat(step, count)
        return spread


def strict_rows(table: Table) -> Iterator[tuple[Array, dict[str, Array]]]:
    timeline = Timeline(table)
    ready: tuple[Array, dict[str, Array]] | None = None
    for time_s, values in rows_of(table):
        if ready is not None and len(ready[0]):
            yield ready
        ready = timeline.feed(time_s, values)
    last = timeline.flush()
    if ready is not None and last is not None:
        # The last rows go with those before: a block of one sample is of no use to anybody.
        yield np.concatenate((ready[0], last[0])), {c: np.concatenate((ready[1][c], v)) for c, v in last[1].items()}


def blocks_of(table: Table, interval_s: float) -> Iterator[Block]:
    """The file as blocks without gaps inside; times count from its first row."""
    main = [c for c in table.channels() if c in MAIN]
    threshold = max(5.0 * interval_s, _GAP_LEAST_S)
    origin: float | None = None
    gap, last = False, -math.inf
    for time_s, values in strict_rows(table):
        origin = float(time_s[0]) if origin is None else origin
        good = np.all([np.isfinite(values[c]) for c in main], axis=0) if main else np.ones(len(time_s), dtype=bool)
        for begin, end in _stretches(time_s, good, threshold):
            t = time_s[begin:end] - origin
            missing_rows = begin > 0 and not good[begin - 1]
            gap_before = last > -math.inf and (gap or missing_rows or float(t[0]) - last > threshold)
            traces = _traces(t, {c: v[begin:end] for c, v in values.items()})
            yield Block(float(t[0]), float(t[-1]) + interval_s, traces, gap_before)
            last, gap = float(t[-1]), False
        gap = gap or not bool(good[-1])


def _stretches(time_s: Array, good: npt.NDArray[np.bool_], threshold: float) -> Iterator[tuple[int, int]]:
    """Index ranges of good rows without a pause longer than threshold."""
    cut = np.flatnonzero((np.diff(good.astype(np.int8)) != 0) | (np.diff(time_s) > threshold)) + 1
    edges = [0, *cut.tolist(), len(time_s)]
    for begin, end in pairwise(edges):
        if good[begin]:
            yield begin, end


def _traces(t_s: Array, values: Mapping[str, Array]) -> dict[str, Trace]:
    traces: dict[str, Trace] = {}
    for channel, v in values.items():
        there = np.isfinite(v)
        if there.all():
            traces[channel] = Trace(t_s, v)
        elif there.any():
            traces[channel] = Trace(t_s[there], v[there])
    if "v_drop" not in traces and "v_in" in traces and "v_out" in traces:
        traces["v_drop"] = Trace(t_s, traces["v_in"].values - traces["v_out"].values)
    return traces


