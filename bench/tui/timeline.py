"""The two rows below the panes: when the lamps were lit, with a mark at every transition found, and the time."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
import numpy.typing as npt

from bench.transitions import Change, Gap, Interruption, SupplyEdge, Transition
from bench.tui.canvas import Canvas, Look
from bench.tui.panes import GUTTER, LOST
from bench.tui.scale import round_step, tick_text

Flags: TypeAlias = npt.NDArray[np.bool_]

MARK = "┃"
"""A make or a break was found here."""
DROP_OUT = "╎"
"""The contact left its state for less than 3 ms here."""
_LIT, _DARK, _BOTH = "█", "▁", "▒"
_TICK, _LAST_TICK = "└", "┘"
_MARK_ROOM = 3  # cells for each mark, on the average, at least
_APART = 9  # cells between two numbers on the time axis, at least


@dataclass(frozen=True, slots=True)
class Window:
    """The time that is shown: `cells` cells of `cell_s` from `begin_s` on; nothing is known from `until_s` on. `zero_s` is when the
    supply came, from which time is told, None if it has not."""

    begin_s: float
    cell_s: float
    cells: int
    until_s: float
    zero_s: float | None

    def cell_of(self, t_s: float) -> int:
        """The cell that holds the instant; it may lie outside."""
        return math.floor((t_s - self.begin_s) / self.cell_s + 1e-9)


@dataclass(frozen=True, slots=True)
class Stretch:
    """The contact was `closed` (None: not known) from `begin_s` to `end_s`; `whole` if both ends are transitions that were found."""

    begin_s: float
    end_s: float
    closed: bool | None
    whole: bool


def stretches(changes: Sequence[Change], until_s: float, closed_before: bool | None = None) -> list[Stretch]:
    """The changes, in order of time, as the states between them, up to `until_s`."""
    found: list[Stretch] = []
    begin_s, closed, by_transition = -math.inf, closed_before, False

    def turn(t_s: float, to: bool | None, transition: bool) -> None:
        nonlocal begin_s, closed, by_transition
        found.append(Stretch(begin_s, t_s, closed, by_transition and transition))
        begin_s, closed, by_transition = t_s, to, transition

    for change in changes:
        match change:
            case Transition(t_s=t_s, closed=to):
                turn(t_s, to, True)
            case Gap(t_s=t_s, end_s=end_s, closed=to):
                turn(t_s, None, False)
                turn(end_s, to, False)
            case SupplyEdge(t_s=t_s, on=False) if closed:
                turn(t_s, False, False)
            case SupplyEdge(t_s=t_s, on=True) if closed is None:
                turn(t_s, False, False)
    found.append(Stretch(begin_s, until_s, closed, False))
    return found


def draw_lamps(canvas: Canvas, row: int, window: Window, states: Sequence[Stretch], changes: Sequence[Change]) -> None:
    """A bar where the lamps were lit, how long each stretch lasted where there is room to say so, and the marks."""
    canvas.put(row, 0, "lamps", Look.STRONG)
    canvas.put(row, GUTTER - 1, "│", Look.QUIET)
    last = min(window.cells, window.cell_of(window.until_s) + 1)
    for stretch in states:
        begin = 0 if stretch.begin_s == -math.inf else max(0, window.cell_of(stretch.begin_s))
        end = min(last, window.cell_of(min(stretch.end_s, window.until_s)) + 1)
        if end <= begin or stretch.closed is None:
            continue
        canvas.put(row, GUTTER + begin, (_LIT if stretch.closed else _DARK) * (end - begin), Look.OUT if stretch.closed else Look.QUIET)
        if stretch.whole:
            _say_how_long(canvas, row, window, stretch)
    marks: list[tuple[int, str]] = []
    for change in changes:
        cell = window.cell_of(change.t_s)
        if isinstance(change, Gap):
            if change.end_s <= change.t_s:
                continue
            first, end = max(0, cell), min(window.cells, window.cell_of(change.end_s) + 1)
            canvas.put(row, GUTTER + first, LOST * (end - first), Look.LOST)
        elif 0 <= cell < window.cells and not isinstance(change, SupplyEdge):
            marks.append((cell, DROP_OUT if isinstance(change, Interruption) else MARK))
    # Seen from so far that marks would stand side by side, they would hide what they mark, and single cells would tell of no flash.
    near = _MARK_ROOM * len(marks) <= window.cells
    for cell, mark in marks:
        canvas.put(row, GUTTER + cell, mark if near else _BOTH, Look.STRONG if near else Look.OUT)


def _say_how_long(canvas: Canvas, row: int, window: Window, stretch: Stretch) -> None:
    begin, end = window.cell_of(stretch.begin_s) + 1, window.cell_of(stretch.end_s)
    lasted_s = stretch.end_s - stretch.begin_s
    lasted = f"{lasted_s:.2f} s" if lasted_s >= 0.1 else f"{lasted_s * 1e3:.0f} ms"
    for words in (f" {'lit' if stretch.closed else 'dark'} {lasted} ", f" {lasted} "):
        place = begin + (end - begin - len(words)) // 2
        if len(words) <= end - begin and place >= 0 and place + len(words) <= window.cells:
            canvas.put(row, GUTTER + place, words, Look.LIT_WORD if stretch.closed else Look.QUIET)
            return


def draw_time(canvas: Canvas, row: int, window: Window, changes: Sequence[Change], marks: Iterable[tuple[float, str]] = ()) -> None:
    """Seconds since the supply came, words where it came and went, and the words of `marks` at their instants."""
    canvas.put(row, 0, f"{'seconds':<{GUTTER}}", Look.QUIET)
    taken: Flags = np.zeros(window.cells + 1, dtype=np.bool_)
    for change in changes:
        if isinstance(change, SupplyEdge):
            first = change.on and change.t_s == window.zero_s
            _label(canvas, row, window, taken, change.t_s, f"{'0 ' if first else ''}supply {'on' if change.on else 'off'}")
    for t_s, words in marks:
        _label(canvas, row, window, taken, t_s, words)
    if window.zero_s is None:
        return
    step_s = round_step(_APART * window.cell_s)
    number = math.ceil((window.begin_s - window.zero_s) / step_s)
    while (t_s := window.zero_s + number * step_s) < window.begin_s + window.cells * window.cell_s:
        if number >= 0:
            _label(canvas, row, window, taken, t_s, tick_text(round(number * step_s, 9)))
        number += 1


def _label(canvas: Canvas, row: int, window: Window, taken: Flags, t_s: float, words: str) -> None:
    """The tick with its words to the right of it, or to the left at the right end; not at all where something stands already.

    Words are never cut: half a number would be another number.
    """
    cell = window.cell_of(t_s)
    if not 0 <= cell < window.cells:
        return
    written, place = f"{_TICK}{words}", cell
    if cell + len(written) > window.cells:
        written, place = f"{words}{_LAST_TICK}", cell - len(words)
    if place < 0 or taken[place : place + len(written) + 1].any():
        return
    taken[max(0, place - 1) : place + len(written) + 1] = True
    canvas.put(row, GUTTER + place, written, Look.QUIET)
