"""Which part of a run is looked at, and that part as columns of dots."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from bench.cycles import Cycle
from bench.envelope import extremes
from bench.judging.traces import RunTrace
from bench.samples import Array, Trace
from bench.tui.panes import DotColumns, Pane, lost_cells
from bench.tui.raster import ACROSS
from bench.tui.scale import LASTING_S, Scale, extent

_LEAST_SAMPLES = 24
"""So many samples of a channel are seen at the closest."""
_MARGIN = 0.08  # of a flash, shown before and after it
_AT_FIRST_S = 4.0
_BEFORE_SUPPLY_S = 0.2
_LASTING_PART = 1.0 / 60.0  # of what is seen; what lasts so long decides the current's scale
_APART = 3.0  # intervals between two samples that still belong together


@dataclass(frozen=True, slots=True)
class View:
    """What is seen of a run: `span_s` from `begin_s` on."""

    begin_s: float
    span_s: float

    @property
    def end_s(self) -> float:
        """When the view ends."""
        return self.begin_s + self.span_s

    @property
    def middle_s(self) -> float:
        """The instant in its middle."""
        return self.begin_s + self.span_s / 2.0

    def holds(self, t_s: float) -> bool:
        """Return whether this instant is seen."""
        return self.begin_s <= t_s <= self.end_s


def inside(view: View, run: RunTrace) -> View:
    """The view moved, and made shorter or longer, so that it shows something of the run."""
    lasts_s = max(run.end_s - run.begin_s, 1e-3)
    span_s = min(max(view.span_s, min(_LEAST_SAMPLES * interval_s(run), lasts_s)), lasts_s)
    return View(min(max(view.begin_s, run.begin_s), run.end_s - span_s), span_s)


def at_first(run: RunTrace) -> View:
    """The switching on and the first flashes."""
    begin_s = run.begin_s if run.on_s is None or run.on_s < run.begin_s else run.on_s - _BEFORE_SUPPLY_S
    return inside(View(begin_s, _AT_FIRST_S), run)


def whole(run: RunTrace) -> View:
    """Return the view of the whole run."""
    return inside(View(run.begin_s, run.end_s - run.begin_s), run)


def zoomed(view: View, factor: float, about_s: float, run: RunTrace) -> View:
    """`factor` times as long, with the instant `about_s` where it was."""
    part = (about_s - view.begin_s) / view.span_s
    span_s = inside(View(view.begin_s, view.span_s * factor), run).span_s
    return inside(View(about_s - part * span_s, span_s), run)


def moved(view: View, by_s: float, run: RunTrace) -> View:
    """Return the view moved by so many seconds, inside the run."""
    return inside(View(view.begin_s + by_s, view.span_s), run)


def around(cycle: Cycle, run: RunTrace) -> View:
    """One flash, from its make to the next, with a little before and after."""
    margin_s = _MARGIN * cycle.period_s
    return inside(View(cycle.begun.t_s - margin_s, cycle.period_s + 2.0 * margin_s), run)


def interval_s(run: RunTrace) -> float:
    """From one sample of the output to the next."""
    trace = run.traces.get("v_out")
    return float(trace.t_s[1] - trace.t_s[0]) if trace is not None and len(trace.t_s) > 1 else 1e-3


def columns_of(run: RunTrace, view: View, cells: int) -> DotColumns:
    """The view in so many cells. Where samples are further apart than columns, they are joined by straight lines, but not over a gap."""
    dot_s = view.span_s / (cells * ACROSS)
    first = int(np.floor(view.begin_s / dot_s / ACROSS + 1e-6)) * ACROSS - ACROSS
    edges_s = (first + np.arange((cells + 1) * ACROSS + 1, dtype=np.float64)) * dot_s
    low, high = {}, {}
    for name, trace in run.traces.items():
        low[name], high[name] = extremes(trace, edges_s)
        if len(trace.t_s) > 1 and dot_s < 2.0 * (trace.t_s[1] - trace.t_s[0]):
            between = _between(trace, edges_s)
            low[name] = np.fmin(low[name], np.fmin(between[:-1], between[1:]))
            high[name] = np.fmax(high[name], np.fmax(between[:-1], between[1:]))
    return DotColumns(first, dot_s, low, high, lost_cells(run.changes, first, dot_s, cells + 1))


def _between(trace: Trace, t_s: Array) -> Array:
    """The value at instants between samples; NaN where the samples on both sides are too far apart."""
    after = trace.t_s.searchsorted(t_s)
    known = (after > 0) & (after < len(trace.t_s))
    after = np.clip(after, 1, len(trace.t_s) - 1)
    apart = trace.t_s[after] - trace.t_s[after - 1]
    found: Array = np.interp(t_s, trace.t_s, trace.values)
    return np.where(known & (apart < _APART * float(trace.t_s[1] - trace.t_s[0])), found, np.nan)


class Scales:
    """The scales of one run: each holds what is seen, and at least what lasts in the whole run, so that panning does not change it."""

    def __init__(self, run: RunTrace) -> None:
        self._run = run
        self._whole: dict[str, tuple[float, float]] = {}

    def scale(self, pane: Pane, columns: DotColumns) -> Scale:
        """Return the scale of this pane."""
        if pane.short not in self._whole:
            self._whole[pane.short] = self._of_run(pane)
        least, most = self._whole[pane.short]
        for line in pane.curves:
            if line.channel in columns.low:
                part_s = min(LASTING_S, _LASTING_PART * columns.cells * columns.cell_s)
                lasting = round(part_s / columns.dot_s) if pane.lasting else 1
                seen = extent(columns.low[line.channel], columns.high[line.channel], lasting)
                least, most = min(least, seen[0]), max(most, seen[1])
        return pane.scale(least, most)

    def _of_run(self, pane: Pane) -> tuple[float, float]:
        bin_s = LASTING_S / 25.0
        edges_s = np.arange(self._run.begin_s, self._run.end_s + bin_s, bin_s)
        least, most = 0.0, 0.0
        for line in pane.curves:
            if line.channel in self._run.traces and len(edges_s) > 1:
                seen = extent(*extremes(self._run.traces[line.channel], edges_s), 25 if pane.lasting else 1)
                least, most = min(least, seen[0]), max(most, seen[1])
        return least, most
