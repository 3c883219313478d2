"""The live trace: voltages, current and lamps of the last few seconds, coming in on the right.

It is given bins of least and greatest values and draws from these alone. A column of dots holds the same bins, counted from the run's
start, for as long as it is seen, so nothing shimmers; the picture moves by whole cells.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping, Sequence

import numpy as np
import numpy.typing as npt

from bench.envelope import BIN_S, Bins
from bench.samples import Array
from bench.transitions import Change, Gap, SupplyEdge, Transition
from bench.tui.canvas import Canvas, Drawn, Look
from bench.tui.panes import GUTTER, UNDER_PANES, DotColumns, Pane, draw_panes, lost_cells, panes_of
from bench.tui.raster import ACROSS, BLOCKS, Ink
from bench.tui.scale import LASTING_S, Scale, extent
from bench.tui.timeline import Window, draw_lamps, draw_time, stretches

KEPT_S = 60.0
_MOST_CHANGES = 4000
_MOST_MARKS = 16


class KeptBins:
    """The bins of the last minute, found by their number; older ones are let go. Memory is fixed from the first bins on."""

    def __init__(self) -> None:
        self.bin_s = BIN_S
        self.first = self.end = 0
        self._held: dict[str, tuple[npt.NDArray[np.float32], npt.NDArray[np.float32]]] = {}
        self._origin: int | None = None
        self._capacity = 0

    def add(self, bins: Bins) -> None:
        """Bins follow each other; where some are left out, nothing is known."""
        if self._origin is None:
            self.bin_s = bins.bin_s
            self.first = self.end = self._origin = bins.first
            self._capacity = 2 * round(KEPT_S / bins.bin_s)
        count, first = len(bins), bins.first
        if count > self._capacity // 2:
            first, count = bins.first + count - self._capacity // 2, self._capacity // 2
        if first - self.end > self._capacity // 2:
            self._held, self.first, self._origin = {}, first, first
        elif first + count - self._origin > self._capacity:
            self._move()
        place = first - self._origin
        for name in bins.low:
            if name not in self._held:
                self._held[name] = tuple(np.full(self._capacity, np.nan, dtype=np.float32) for _ in range(2))  # type: ignore[assignment]
            low, high = self._held[name]
            low[place : place + count] = bins.low[name][len(bins) - count :]
            high[place : place + count] = bins.high[name][len(bins) - count :]
        self.end = first + count
        self.first = max(self.first, self.end - self._capacity // 2)

    def _move(self) -> None:
        """Move the newest half to the front."""
        assert self._origin is not None
        begin, end = self.first - self._origin, self.end - self._origin
        for pair in self._held.values():
            for held in pair:
                held[: end - begin] = held[begin:end].copy()
                held[end - begin :] = np.nan
        self._origin = self.first

    def between(self, name: str, begin: int, end: int) -> tuple[Array, Array]:
        """Least and greatest value of bins `begin` to `end` (exclusive); NaN for those that are not there."""
        low, high = np.full((2, max(0, end - begin)), np.nan)
        first, last = max(begin, self.first), min(end, self.end)
        if self._origin is not None and name in self._held and last > first:
            place = slice(first - self._origin, last - self._origin)
            low[first - begin : last - begin], high[first - begin : last - begin] = (held[place] for held in self._held[name])
        return low, high


class LiveTrace(Drawn):
    """`begin` a run, then `add` what comes. It never looks at a clock and never asks for anything.

    `window_s`: how much time it shows, about: a column of dots holds whole bins.
    """

    def __init__(self, ink: Ink = BLOCKS, *, window_s: float = 4.0) -> None:
        super().__init__(ink)
        self.window_s = window_s
        self._panes: tuple[Pane, ...] = ()
        self._forget()

    def _forget(self) -> None:
        self._bins = KeptBins()
        self._changes: deque[Change] = deque(maxlen=_MOST_CHANGES)
        self._closed_before: bool | None = None
        self._on_s: float | None = None
        self._marks: deque[tuple[float, str]] = deque(maxlen=_MOST_MARKS)
        self._seen: dict[str, tuple[float, float]] = {}

    def begin(self, channels: Mapping[str, str], drop_limit_v: float | None = None) -> None:
        """A run begins: forget the last one. `channels`: names and units; `drop_limit_v`: the tightest limit on a contact drop, in V."""
        self._panes = panes_of(channels, drop_limit_v)
        self._forget()
        self.redraw()

    def mark(self, words: str) -> None:
        """Say these words at the time axis where the trace has come to by now."""
        self._marks.append((self._bins.end * self._bins.bin_s, words))

    def add(self, bins: Bins | None, changes: Sequence[Change] = ()) -> None:
        """Bins that came and changes that were settled since the last time (they may lie a little further back)."""
        for change in changes:
            self._changes.append(change)
            if isinstance(change, SupplyEdge) and change.on and self._on_s is None:
                self._on_s = change.t_s
        if bins is not None and len(bins):
            self._bins.add(bins)
            self._look_at_scales(self._bins.end - len(bins))
        oldest_s = self._bins.first * self._bins.bin_s
        while self._changes and self._changes[0].t_s < oldest_s:
            gone = self._changes.popleft()
            if isinstance(gone, Transition | Gap):
                self._closed_before = gone.closed
        self.redraw()

    def _look_at_scales(self, first: int) -> None:
        """A scale grows with what is seen and never shrinks in a run: the picture must not jump."""
        lasting = round(LASTING_S / self._bins.bin_s)
        for pane in self._panes:
            least, most = self._seen.get(pane.short, (0.0, 0.0))
            for line in pane.curves:
                columns = lasting if pane.lasting else 1
                seen = extent(*self._bins.between(line.channel, first - columns + 1, self._bins.end), columns)
                least, most = min(least, seen[0]), max(most, seen[1])
            self._seen[pane.short] = least, most

    def _scale(self, pane: Pane) -> Scale:
        least, most = self._seen.get(pane.short, (0.0, 0.0))
        return pane.scale(least, most)

    def _columns(self, cells: int, dot_bins: int) -> DotColumns:
        """The newest bins as columns; the last cell may be half full."""
        bins, count = self._bins, (cells + 1) * ACROSS
        first = -(-bins.end // (ACROSS * dot_bins)) * ACROSS - count
        names = {line.channel for pane in self._panes for line in pane.curves}
        low, high = {}, {}
        for name in names:
            lows, highs = bins.between(name, first * dot_bins, (first + count) * dot_bins)
            low[name] = np.fmin.reduce(lows.reshape(count, dot_bins), axis=1)
            high[name] = np.fmax.reduce(highs.reshape(count, dot_bins), axis=1)
        dot_s = dot_bins * bins.bin_s
        return DotColumns(first, dot_s, low, high, lost_cells(self._changes, first, dot_s, cells + 1))

    def draw(self, height: int, width: int, ink: Ink) -> Canvas:
        canvas = Canvas(height, width)
        cells = width - GUTTER
        if cells < 4 or not self._panes or self._bins.end == self._bins.first:
            canvas.put(height // 2, max(0, width // 2 - 9), "no samples have come", Look.QUIET)
            return canvas
        dot_bins = max(1, round(self.window_s / self._bins.bin_s / (cells * ACROSS)))
        columns = self._columns(cells, dot_bins)
        row = draw_panes(canvas, 0, height - UNDER_PANES, self._panes, self._scale, columns, ink)
        changes = sorted(self._changes, key=lambda change: change.t_s)
        window = Window(columns.begin_s, columns.cell_s, cells, self._bins.end * self._bins.bin_s, self._on_s)
        draw_lamps(canvas, row, window, stretches(changes, window.until_s, self._closed_before), changes)
        draw_time(canvas, row + 1, window, changes, self._marks)
        return canvas
