"""A run that is over, in the panes of the live trace: any part of it, with two cursors."""

from __future__ import annotations

import math

import numpy as np

from bench.judging.traces import RunTrace
from bench.tui.canvas import Canvas, Drawn, Look
from bench.tui.panes import GUTTER, UNDER_PANES, DotColumns, draw_panes, panes_of
from bench.tui.raster import BLOCKS, Ink
from bench.tui.timeline import Window, draw_lamps, draw_time, stretches
from bench.tui.view import Scales, View, at_first, columns_of

_LINES = {Look.CURSOR: "│", Look.SECOND: "┊"}


class StillTrace(Drawn):
    """`show` a run, then set `view` and the cursors, and `redraw`. Cursor 1 is always there, cursor 2 where it was put."""

    def __init__(self, ink: Ink = BLOCKS) -> None:
        super().__init__(ink)
        self.run: RunTrace | None = None
        self.view = View(0.0, 1.0)
        self.cursor_s = 0.0
        self.second_s: float | None = None
        self.words = ""
        self._scales: Scales | None = None

    def show(self, run: RunTrace) -> None:
        """Another run, from its beginning."""
        self.run, self._scales = run, Scales(run)
        self.view = at_first(run)
        self.cursor_s, self.second_s = self.view.middle_s, None

    def say(self, words: str) -> None:
        """Words instead of a trace."""
        self.words, self.run = words, None
        self.redraw()

    @property
    def cells(self) -> int:
        """How many cells the view is shown in."""
        return max(4, self.size.width - GUTTER)

    @property
    def cell_s(self) -> float:
        """How long one cell lasts."""
        return self.view.span_s / self.cells

    def draw(self, height: int, width: int, ink: Ink) -> Canvas:
        canvas = Canvas(height, width)
        run, scales = self.run, self._scales
        if run is None or scales is None or not run.traces or width < GUTTER + 4:
            words = self.words if run is None else "this run ended before the first sample"
            canvas.put(height // 2, max(0, (width - len(words)) // 2), words, Look.STRONG)
            return canvas
        columns = columns_of(run, self.view, width - GUTTER)
        row = draw_panes(canvas, 1, height - 1 - UNDER_PANES, panes_of(run.units), lambda pane: scales.scale(pane, columns), columns, ink)
        window = Window(columns.begin_s, columns.cell_s, columns.cells, run.end_s, run.on_s)
        draw_lamps(canvas, row, window, stretches(run.changes, run.end_s), run.changes)
        draw_time(canvas, row + 1, window, run.changes)
        canvas.put(0, 0, "cursor", Look.QUIET)
        if self.second_s is not None:
            self._cursor(canvas, row, columns, self.second_s, "2", Look.SECOND, ink)
        self._cursor(canvas, row, columns, self.cursor_s, "1", Look.CURSOR, ink)
        return canvas

    def _cursor(self, canvas: Canvas, rows: int, columns: DotColumns, t_s: float, name: str, look: Look, ink: Ink) -> None:
        """A line through all panes, where nothing else is drawn; its number on top."""
        cell = math.floor((t_s - columns.begin_s) / columns.cell_s)
        if not 0 <= cell < columns.cells:
            side, place = ("◂", GUTTER) if cell < 0 else ("▸", GUTTER + columns.cells - 2)
            canvas.put(0, place, f"{side}{name}" if cell < 0 else f"{name}{side}", look)
            return
        canvas.put(0, GUTTER + cell, name, look)
        codes, looks = canvas.codes[1:rows, GUTTER + cell], canvas.looks[1:rows, GUTTER + cell]
        free = np.isin(codes, (ink.blank, ord(" ")))
        codes[free] = ord(_LINES[look])
        looks[free] = look
