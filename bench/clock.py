"""The board's clock against the host's: how far off it is, and how well that is known.

Pure. A ceramic resonator may be 0.5 % off, half a flash a minute, so every duration leans on this estimate.

Frames can only arrive late, never early, so the earliest arrivals carry the information. Stamps are gathered in bins of about
a second; of each bin the least late arrival is kept; a straight line through these gives the relative error.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from bench.samples import Array
from bench.uncertainty import Component, combine, rectangular

# Crystal of a personal computer without time service: +-50 parts per million. Common practice, no source.
HOST_HALF_WIDTH = 50e-6
_BIN_S = 1.0
_BINS_MOST = 512
_DOF_LEAST = 2
_BEYOND_BELIEF = 10.0  # times the board's tolerance: then it is the arrival times that are wrong


@dataclass(frozen=True, slots=True)
class ClockEstimate:
    """`rel_error` e: a true duration is (1 + e) times the one the board's nominal clock gives. `parts` is its budget (relative).

    `corrected` says whether e was measured (True) or is 0 with the uncertainty widened to the board's own claim (False).
    """

    rel_error: float
    parts: tuple[Component, ...]
    corrected: bool
    span_s: float

    @property
    def u(self) -> float:
        return combine(*(part.u for part in self.parts))

    @property
    def text(self) -> str:
        if self.corrected:
            return f"board's clock corrected by {self.rel_error * 100:+.4f} % after {self.span_s:.0f} s against the host's"
        return f"board's clock not corrected (only {self.span_s:.1f} s seen): its own tolerance is in the uncertainty"


class ClockComparison:
    """Gathers (board time, host arrival time) pairs in bounded memory; its verb is `add`. The pairs' grouping does not matter."""

    def __init__(self, half_width: float, host_half_width: float = HOST_HALF_WIDTH, name: str = "board's clock") -> None:
        self._half_width = half_width
        self._name = name
        self._host = Component("host's clock", rectangular(host_half_width), shape="rectangular")
        self._bin_s = _BIN_S
        self._run = 0
        self._least: dict[tuple[int, int], tuple[float, float]] = {}

    def begin_run(self) -> None:
        """Stamps start again from 0: the same clock, another origin."""
        self._run += 1

    def add(self, board_s: float, arrival_s: float) -> None:
        """A frame whose last sample was held at board_s (nominal seconds of this run) was in the host's hands at arrival_s."""
        index = self._run, int(board_s // self._bin_s)
        kept = self._least.get(index)
        late = arrival_s - board_s
        if kept is None or late < kept[1] - kept[0]:
            self._least[index] = (board_s, arrival_s)
            if len(self._least) > _BINS_MOST:
                self._halve()

    def _halve(self) -> None:
        self._bin_s *= 2.0
        kept, self._least = self._least, {}
        for (run, _), (board_s, arrival_s) in kept.items():
            index = run, int(board_s // self._bin_s)
            other = self._least.get(index)
            if other is None or arrival_s - board_s < other[1] - other[0]:
                self._least[index] = board_s, arrival_s

    def estimate(self) -> ClockEstimate:
        """The straight line through the least late arrivals; without enough of them, no correction and the full tolerance."""
        board, late, span = self._centred()
        own = Component(f"{self._name} (its own tolerance)", rectangular(self._half_width), shape="rectangular")
        runs = len(span)
        dof = len(board) - runs - 1
        if dof < _DOF_LEAST:
            return ClockEstimate(0.0, (own,), False, sum(span))
        sxx = float(board @ board)
        slope = float(board @ late) / sxx
        residual = late - slope * board
        fit = Component("board's clock against the host's", math.sqrt(float(residual @ residual) / dof / sxx), float(dof), "A")
        if combine(fit.u, self._host.u) >= own.u or abs(slope) > _BEYOND_BELIEF * self._half_width:
            return ClockEstimate(0.0, (own,), False, sum(span))
        return ClockEstimate(slope, (fit, self._host), True, sum(span))

    def _centred(self) -> tuple[Array, Array, list[float]]:
        """Board times and latenesses of all runs, each run about its own means, and the runs' spans in s."""
        by_run: dict[int, list[tuple[float, float]]] = {}
        for (run, _), pair in sorted(self._least.items()):
            by_run.setdefault(run, []).append(pair)
        boards, lates, spans = [np.empty(0)], [np.empty(0)], []
        for pairs in by_run.values():
            # A bin that is not yet full holds a worse minimum than the others: the last is left out.
            if len(pairs) < 3:
                continue
            board = np.array([b for b, _ in pairs[:-1]])
            late = np.array([a - b for b, a in pairs[:-1]])
            boards.append(board - board.mean())
            lates.append(late - late.mean())
            spans.append(float(board[-1] - board[0]))
        return np.concatenate(boards), np.concatenate(lates), spans
