"""Rows of a recording, in SI, in chunks, with time that strictly increases; and the blocks made of them."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from bench.errors import RecordingError
from bench.recording.cells import BadCells, Grid, pieces, row_line
from bench.recording.layout import MAIN, FileLayout
from bench.recording.stamps import Clock, NotATime
from bench.samples import Array, Block, Trace

_GAP_LEAST_S = 5e-3
_BACK_ROWS = 50


def rows_of(layout: FileLayout) -> Iterator[tuple[Array, dict[str, Array]]]:
    """Yield chunks of the file in SI: time shape (n,), and each channel's values, shape (n,), NaN where there is none.

    Readings beyond the range are infinite until `layout` knows what becomes of them.
    """
    of_time = layout.time
    titles = {column.place: column.title for column in layout.columns} | {of_time.place: of_time.title}
    numbers = {column.place for column in layout.columns} | ({of_time.place} if of_time.kind == "number" else set())
    texts = {of_time.place} if of_time.kind in ("exact", "stamp") else set()
    grid, clock = Grid(layout.separator, layout.decimal, layout.width, numbers, texts), Clock(of_time)
    try:
        for line, text in pieces(layout.path, layout.encoding, layout.lines_before):
            cells = grid.read(line, text, titles)
            try:
                time_s = clock.seconds(cells)
            except NotATime as bad:
                said = f"column {of_time.title}: {bad.cell[:40]!r} is not a time like the first"
                raise BadCells(row_line(bad.row, line, text), said) from bad
            yield _wanted(layout, time_s, {c.channel: cells[c.place].to_numpy(dtype=np.float64) * c.factor for c in layout.columns})
    except BadCells as bad:
        raise RecordingError(f"{layout.name}: line {bad.line}{',' if bad.text.startswith('column') else ':'} {bad.text}") from bad
    except OSError as error:
        raise RecordingError(f"{layout.name}: can't be read: {error.strerror or error}") from error


def _wanted(layout: FileLayout, time_s: Array, values: dict[str, Array]) -> tuple[Array, dict[str, Array]]:
    """Return the rows inside the window, with readings beyond a channel's range clipped, or taken out, as the layout knows."""
    begin, end = layout.window_s
    if begin > -math.inf or end < math.inf:
        inside = (time_s >= begin) & (time_s <= end)
        time_s, values = time_s[inside], {channel: v[inside] for channel, v in values.items()}
    for channel in layout.ends.keys() & values.keys():
        values[channel] = np.clip(values[channel], *layout.ends[channel])
    for channel in layout.odd & values.keys():
        values[channel] = np.where(np.isinf(values[channel]), np.nan, values[channel])
    return time_s, values


class Timeline:
    """Rows in, rows whose time strictly increases out; a chunk's last rows of equal time wait for the next.

    Equal times are a time column of coarse resolution: such rows are spread evenly up to the next time. A row whose time goes
    back is dropped; a file that goes back and stays back is two recordings, which is an error.
    """

    def __init__(self, layout: FileLayout) -> None:
        self._layout = layout
        self._held: tuple[Array, dict[str, Array]] | None = None
        self._last = -math.inf
        self._back = 0
        self.spread = 0
        self.dropped = 0
        self._step = 0.0

    def feed(self, time_s: Array, values: dict[str, Array]) -> tuple[Array, dict[str, Array]]:
        """Return the rows of this piece whose time increases, with those held back before; the last is held for the next piece."""
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
        """Return the rows that waited, at the end of the file."""
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
                    f"{self._layout.name}: time goes back after {reached_s:g} s and stays back for more than {_BACK_ROWS} rows: "
                    "are these two recordings in one file? keep one"
                )

    def _spread(self, time_s: Array, end: float) -> Array:
        if not len(time_s):
            return time_s
        distinct, first, count = np.unique(time_s, return_index=True, return_counts=True)
        following = np.append(distinct[1:], end)
        if len(distinct) > 1:
            self._step = float(np.median((following - distinct) / count))
        if len(distinct) == len(time_s):
            return time_s
        self.spread += int(len(time_s) - len(distinct))
        within = np.arange(len(time_s)) - np.repeat(first, count)
        # Rows of one time belong to the next few samples, not to a pause that may follow.
        step = np.minimum((following - distinct) / count, max(self._step, 1e-12) * 2)
        spread: Array = np.repeat(distinct, count) + within * np.repeat(step, count)
        return spread


def strict_rows(layout: FileLayout) -> Iterator[tuple[Array, dict[str, Array]]]:
    """Yield pieces of rows whose times increase strictly."""
    timeline = Timeline(layout)
    ready: tuple[Array, dict[str, Array]] | None = None
    for time_s, values in rows_of(layout):
        if ready is not None and len(ready[0]):
            yield ready
        ready = timeline.feed(time_s, values)
    last = timeline.flush()
    if ready is not None and last is not None:
        # The last rows go with those before: a block of one sample is of no use to anybody.
        yield np.concatenate((ready[0], last[0])), {c: np.concatenate((ready[1][c], v)) for c, v in last[1].items()}


def blocks_of(layout: FileLayout, interval_s: float) -> Iterator[Block]:
    """Yield the file as blocks without gaps inside; times count from its first row."""
    main = [c for c in layout.channels() if c in MAIN]
    threshold = max(5.0 * interval_s, _GAP_LEAST_S)
    holes = {c: _Holes(5.0 * interval_s * layout.slow[c] if c in layout.slow else 0.0) for c in main}
    origin: float | None = None
    gap, last = False, -math.inf
    for time_s, values in strict_rows(layout):
        origin = float(time_s[0]) if origin is None else origin
        good = np.all([holes[c].filled(time_s, values[c]) for c in main], axis=0) if main else np.ones(len(time_s), dtype=bool)
        for begin, end in _stretches(time_s, good, threshold):
            t = time_s[begin:end] - origin
            missing_rows = begin > 0 and not good[begin - 1]
            gap_before = last > -math.inf and (gap or missing_rows or float(t[0]) - last > threshold)
            traces = _traces(t, {c: v[begin:end] for c, v in values.items()}, layout.contact_channels)
            if any(c not in traces or len(traces[c].t_s) < 2 for c in main):
                gap = True  # too short to show a change, or for a slower channel
                continue
            yield Block(float(t[0]), float(t[-1]) + interval_s, traces, gap_before)
            last, gap = float(t[-1]), False
        gap = gap or not bool(good[-1])


class _Holes:
    """Where one channel has its readings, chunk after chunk: rows between two of them not further apart than `reach_s` count as read."""

    def __init__(self, reach_s: float) -> None:
        self._reach_s = reach_s
        self._last_s = -math.inf

    def filled(self, time_s: Array, values: Array) -> npt.NDArray[np.bool_]:
        there = np.isfinite(values)
        if self._reach_s == 0.0:
            return there
        at = np.concatenate(([self._last_s], time_s[there], [math.inf]))
        following = np.searchsorted(at, time_s, side="left")
        before, after = at[np.maximum(following - 1, 0)], at[following]
        if there.any():
            self._last_s = float(time_s[there][-1])
        # The reading after a chunk's last rows is in the next chunk.
        near = (after - before <= self._reach_s) | ((after == math.inf) & (time_s - before <= self._reach_s))
        filled: npt.NDArray[np.bool_] = there | near | ((before == -math.inf) & (after - time_s <= self._reach_s))
        return filled


def _stretches(time_s: Array, good: npt.NDArray[np.bool_], threshold: float) -> Iterator[tuple[int, int]]:
    """Yield the index ranges of good rows without a pause longer than threshold."""
    cut = np.flatnonzero((np.diff(good.astype(np.int8)) != 0) | (np.diff(time_s) > threshold)) + 1
    edges = [0, *cut.tolist(), len(time_s)]
    for begin, end in pairwise(edges):
        if good[begin]:
            yield begin, end


def _traces(t_s: Array, values: Mapping[str, Array], contact_channels: Sequence[str]) -> dict[str, Trace]:
    """Return a trace for each channel with a reading. Those that show the contact have the same instants.

    None is read more often than the slowest of them: what it was between their readings belongs to no known state of the contact.
    """
    traces: dict[str, Trace] = {}
    for channel, v in values.items():
        there = np.isfinite(v)
        if there.all():
            traces[channel] = Trace(t_s, v)
        elif there.any():
            traces[channel] = Trace(t_s[there], v[there])
    if instants := [traces[channel].t_s for channel in contact_channels if channel in traces]:
        base = min(instants, key=len)
        traces = {c: _laid_on(base, v) if c in contact_channels or len(v.t_s) > len(base) else v for c, v in traces.items()}
    if "v_in" in traces and "v_out" in traces and "v_drop" not in values:
        traces["v_drop"] = Trace(traces["v_in"].t_s, traces["v_in"].values - traces["v_out"].values)
    return traces


def _laid_on(t_s: Array, trace: Trace) -> Trace:
    """Return the trace at these instants, straight between its own."""
    return trace if np.array_equal(t_s, trace.t_s) else Trace(t_s, np.interp(t_s, trace.t_s, trace.values))
