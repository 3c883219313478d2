"""The panes of a trace: what each shows, how they share the height, and how one is drawn."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from bench.samples import Array
from bench.transitions import Change, Gap
from bench.tui.canvas import Canvas, Look
from bench.tui.raster import ACROSS, BRAILLE, FULL, Ink, characters, filled, joined, levels
from bench.tui.scale import ROOM, Axis, Scale, axis_for, scale_for, tick_text

GUTTER = 8
"""Cells on the left for titles and the numbers of the axis."""
UNDER_PANES = 2
"""Rows below the panes: the lamps, and the time."""
LOST = "░"
CURRENT_CHANNELS = ("i_load", "i_load_low")
"""The first of these that a board has is drawn: the wider one, which no inrush leaves."""
_HEADED = 4  # rows from which on a pane has a heading in whole words; with fewer its name takes the place of a tick
_ROOM_FOR = ((4, 26), (3, 12), (2, 2), (1, 1))
"""So many panes from so many rows of all together on."""
_LIMIT = "╌"


@dataclass(frozen=True, slots=True)
class Curve:
    """One curve of a pane, named by `words` in its heading; a dotted one lies behind the others."""

    channel: str
    words: str
    look: Look
    dotted: bool = False


@dataclass(frozen=True, slots=True)
class Pane:
    """What a pane shows. `least_top`: its scale reaches at least so far. `lasting`: the scale is chosen for what lasts, and peaks that
    go beyond are cut off with an arrow, since an inrush ten times the steady current would leave nothing to see of that. `fixed`: the
    scale ends at `least_top` whatever comes. `only_closed`: nothing is drawn while the contact is open, where the value says nothing.
    `limit`: where a line marks a limit. `least_top` and
    `limit` are in `unit`."""

    short: str
    heading: str
    unit: str
    curves: tuple[Curve, ...]
    least_top: float
    lasting: bool = False
    fixed: bool = False
    only_closed: bool = False
    limit: float | None = None

    def scale(self, least: float, most: float) -> Scale:
        """The scale for what was seen, from `least` to `most`."""
        return scale_for(0.0, 0.0, self.least_top) if self.fixed else scale_for(least, ROOM * most, self.least_top)


@dataclass(frozen=True, slots=True)
class DotColumns:
    """Least and greatest values by channel and column of dots, from column number `first` (even) on; column k spans `dot_s` from
    `k * dot_s` on. The first cell (two columns) is not shown: it is there to be joined to. `lost`, by cell: samples are missing."""

    first: int
    dot_s: float
    low: Mapping[str, Array]
    high: Mapping[str, Array]
    lost: npt.NDArray[np.bool_]

    @property
    def begin_s(self) -> float:
        """When the first cell that is shown begins."""
        return (self.first + ACROSS) * self.dot_s

    @property
    def cell_s(self) -> float:
        """How long one cell lasts."""
        return ACROSS * self.dot_s

    @property
    def cells(self) -> int:
        """How many cells are shown."""
        return len(self.lost) - 1


def lost_cells(changes: Sequence[Change], first: int, dot_s: float, cells: int) -> npt.NDArray[np.bool_]:
    """Which of the cells from column `first` on lie in a gap, be it a short one."""
    lost = np.zeros(cells, dtype=np.bool_)
    for change in changes:
        # A gap without length only says how the contact stood where looking began: nothing was lost.
        if isinstance(change, Gap) and change.end_s > change.t_s:
            begin, end = (math.floor(t_s / (ACROSS * dot_s)) - first // ACROSS for t_s in (change.t_s, change.end_s))
            lost[max(0, begin) : max(0, end + 1)] = True
    return lost


def draw_panes(
    canvas: Canvas, top: int, height: int, panes: Sequence[Pane], scale_of: Callable[[Pane], Scale], columns: DotColumns, ink: Ink
) -> int:
    """As many panes as there is room for in `height` rows from `top` on; the row below them."""
    for pane, rows in shares(panes, height):
        draw_pane(canvas, top, rows, pane, scale_of(pane), columns, ink)
        top += rows
    return top


_OUT = Curve("v_out", "out, to the lamps", Look.OUT)
_IN = Curve("v_in", "in, from the supply", Look.SUPPLY, dotted=True)
_DROP = Curve("v_drop", "", Look.OUT)
PILOT_CHANNEL = "v_pilot"
_PILOT = Curve(PILOT_CHANNEL, "", Look.PILOT)
DROP_V = 1.0
"""So far the lane of the contact drop reaches, or a little over its limit."""
VOLTS = Pane("volts", "volts at the unit, V", "V", (_OUT, _IN), 10.0)
PILOT = Pane("pilot", "volts at the pilot terminal, V", "V", (_PILOT,), 10.0)


def _current(channel: str) -> Pane:
    return Pane("current", "current, A", "A", (Curve(channel, "", Look.CURRENT),), 1.0, lasting=True)


def _drop(limit_v: float | None) -> Pane:
    return Pane(
        "drop",
        "contact drop while closed, V",
        "V",
        (_DROP,),
        max(DROP_V, 1.25 * (limit_v or 0.0)),
        fixed=True,
        only_closed=True,
        limit=limit_v,
    )


def panes_of(channels: Mapping[str, str], drop_limit_v: float | None = None) -> tuple[Pane, ...]:
    """The panes for these channels (name to unit), the most wanted first."""
    amps = [name for name in CURRENT_CHANNELS if name in channels]
    wanted = (VOLTS, *(_current(name) for name in amps[:1]), _drop(drop_limit_v), PILOT)
    return tuple(pane for pane in wanted if any(curve.channel in channels for curve in pane.curves))


def shares(panes: Sequence[Pane], height: int) -> list[tuple[Pane, int]]:
    """The panes that there is room for, each with its rows, which add up to `height`."""
    if not panes or height < 1:
        return []
    shown = panes[: next(count for count, least in _ROOM_FOR if height >= least)]
    small = max(4, height // 5)
    rest = height - small * (len(shown) - 2) if len(shown) > 2 else height
    large = (rest - rest // 2, rest // 2) if len(shown) > 1 else (rest,)
    return list(zip(shown, (*large, *[small] * (len(shown) - 2)), strict=True))


def draw_pane(canvas: Canvas, top: int, rows: int, pane: Pane, scale: Scale, columns: DotColumns, ink: Ink) -> None:
    """The pane on rows `top` to `top + rows` of the canvas."""
    headed = rows >= _HEADED
    first, plot_rows = (top + 1, rows - 1) if headed else (top, rows)
    if plot_rows < 1:
        return
    axis = axis_for(scale, plot_rows)
    over = _plot(canvas, first, pane, axis, columns, ink)
    _draw_axis(canvas, first, axis)
    peak = f"▲ peaks are cut off: they reach {tick_text(float(f'{over:.2g}'))} {pane.unit}" if over is not None else ""
    if headed:
        _heading(canvas, top, pane, peak, ink)
    else:
        canvas.put(top + rows // 2 - (rows == 2), 0, f"{pane.short:<{GUTTER - 1}}", Look.STRONG)


def _plot(canvas: Canvas, top: int, pane: Pane, axis: Axis, columns: DotColumns, ink: Ink) -> float | None:
    """The lines; the greatest value that was cut off, if any was."""
    rows, dots = axis.rows, axis.rows * ink.down
    least, greatest = axis.reach(ink.down)
    drawn: npt.NDArray[np.bool_] = np.zeros((dots, columns.cells * ACROSS), dtype=np.bool_)
    beyond = np.zeros(columns.cells * ACROSS, dtype=np.bool_)
    looks = np.full((rows, columns.cells), pane.curves[0].look, dtype=np.uint8)
    most = greatest
    for line in sorted(pane.curves, key=lambda curve: not curve.dotted):
        if line.channel not in columns.low:
            continue
        low, high = columns.low[line.channel], columns.high[line.channel]
        if pane.only_closed:
            low, high = (np.where(_closed(columns), values, np.nan) for values in (low, high))
        reach_low, reach_high = levels(low, least, greatest, dots), levels(high, least, greatest, dots)
        if line.dotted:
            # One dot of each cell, or each second cell where a cell is one dot.
            apart = 2 * ACROSS if ink is FULL else ACROSS
            reach_low = reach_high = np.where(np.arange(columns.first, columns.first + len(low)) % apart == 0, reach_high, -1)
        else:
            reach_low, reach_high = joined(reach_low, reach_high)
        mine = filled(reach_low, reach_high, dots)[:, ACROSS:]
        looks[_cells_with(mine, ink)] = line.look
        np.logical_or(drawn, mine, out=drawn)
        np.logical_or(beyond, high[ACROSS:] > greatest, out=beyond)
        most = max(most, float(np.fmax.reduce(high[ACROSS:], initial=-np.inf)))
    codes = characters(drawn, ink)
    codes[0, _cells_with(beyond[None, :].repeat(ink.down, axis=0), ink)[0]] = ord("▲")
    if pane.limit is not None:
        row = max(axis.row(pane.limit), 0)
        free = codes[row] == ink.blank
        codes[row, free], looks[row, free] = ord(_LIMIT), Look.LOST
    codes[:, columns.lost[1:]] = ord(LOST)
    looks[:, columns.lost[1:]] = Look.LOST
    canvas.codes[top : top + rows, GUTTER : GUTTER + columns.cells] = codes
    canvas.looks[top : top + rows, GUTTER : GUTTER + columns.cells] = looks
    return most if most > greatest else None


def _closed(columns: DotColumns) -> npt.NDArray[np.bool_]:
    """In which columns the contact is closed all the time: more than half of what comes in goes out."""
    if not {"v_in", "v_out"} <= columns.low.keys():
        return np.ones(2 * len(columns.lost), dtype=np.bool_)
    with np.errstate(invalid="ignore"):
        return np.array(columns.low["v_out"] > 0.5 * columns.high["v_in"], dtype=np.bool_)


def _cells_with(dots: npt.NDArray[np.bool_], ink: Ink) -> npt.NDArray[np.bool_]:
    height, width = dots.shape
    cells = dots.reshape(height // ink.down, ink.down, width // ACROSS, ACROSS)
    return np.array(cells.any(axis=(1, 3)), dtype=np.bool_)


def _draw_axis(canvas: Canvas, top: int, axis: Axis) -> None:
    for row in range(axis.rows):
        canvas.put(top + row, GUTTER - 1, "│", Look.QUIET)
    if axis.rows >= 3:
        for tick in axis.ticks:
            canvas.put(top + axis.row(tick), 0, f"{tick_text(tick):>{GUTTER - 2}} ┤", Look.QUIET)


def sample(curve: Curve, ink: Ink) -> str:
    """Return how the curve is drawn, as two characters."""
    if ink is BRAILLE:
        return "⠄⠄" if curve.dotted else "⠤⠤"
    if ink is FULL:
        return "█ " if curve.dotted else "██"
    return "▖▖" if curve.dotted else "▄▄"


def _heading(canvas: Canvas, row: int, pane: Pane, more: str, ink: Ink) -> None:
    canvas.put(row, 0, pane.heading, Look.STRONG)
    place = len(pane.heading) + 3
    for curve in pane.curves:
        if curve.words:
            canvas.put(row, place, f"{sample(curve, ink)} {curve.words}", curve.look)
            place += len(curve.words) + 6
    if pane.limit is not None:
        more = f"{_LIMIT * 2} limit {tick_text(pane.limit)} {pane.unit}   {more}"
    canvas.put(row, place, more, Look.QUIET)
