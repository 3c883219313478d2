"""The board's clock against the host's: how far off it is, and how well that is known.

A ceramic resonator may be 0.5 % off, half a flash a minute, so every duration leans on this estimate.

Strategy. Two kinds of evidence, for two questions.

- *How far off?* Frames can only arrive late, never early, so the earliest arrivals carry the information. Stamps are gathered in bins of
  about a second; of each bin the least late arrival is kept; a straight line through these gives the relative error. It is exact where
  nothing delays the frames for long, and a delay that grows looks like a slow clock.
- *What is certain?* The stamp that answers a question lies between sending it and having the answer, and a frame's last sample was held
  before the frame arrived. Any two such bounds limit the mean rate between them, however busy computer and line are. What they exclude
  cannot be, and what they do not exclude must be in the uncertainty unless the line narrows it.

A clock a little outside its tolerance (a resonator that is warm or old) is corrected, since it was measured much better than it is off. One
that certainly is beyond `BELIEVED` times its tolerance is not the clock that the board describes: then nothing that was timed counts.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from bench.samples import Array
from bench.uncertainty import Component, combine, rectangular

# Crystal of a personal computer without time service: +-50 parts per million. Common practice, no source.
HOST_HALF_WIDTH = 50e-6
BELIEVED = 3.0
"""Times the stated tolerance: up to there an error is corrected, beyond it the board's clock or description is at fault."""
_HOST_SLEWED = 500e-6  # a time service may slew a computer's clock by as much (adjtimex(2), Linux): no fault of the board
_BIN_S = 1.0  # of each such span the least late arrival is kept
_BINS_MOST = 512  # bins kept, so that memory is bounded; with more each becomes twice as long
_ASKED_MOST = 256  # stamps asked that are kept, likewise
_DOF_LEAST = 2  # degrees of freedom from which on a line's own scatter says something
_SLACK_S = 2e-3  # a stamp may be of the sample before, and a computer reads its clock a little after the fact
_SIGNIFICANT = 4.0  # standard uncertainties by which the line alone must be off before it speaks against the board
_COVERED = 2.0  # standard uncertainties of a rate that its bounds may reach
_CHANGED, _CHANGED_LEAST = 5.0, 2e-4  # slopes of the two halves differ: standard uncertainties, and 0.02 flashes/min of 90
_HALF_LEAST = 4  # bins


@dataclass(frozen=True, slots=True)
class ClockEstimate:
    """`rel_error` e: a true duration is (1 + e) times the one the board's nominal clock gives. `parts` is its budget (relative).

    `corrected` says whether e was measured (True) or is 0 with an uncertainty that covers the board's own claim and whatever else was not
    excluded (False). `wrong`: what shows that the clock cannot be the one that the board describes; empty if nothing does.
    """

    rel_error: float
    parts: tuple[Component, ...]
    corrected: bool
    span_s: float
    wrong: str = ""

    @property
    def u(self) -> float:
        """Standard uncertainty of the relative error."""
        return combine(*(part.u for part in self.parts))

    @property
    def text(self) -> str:
        """The state of the clock in words for the record."""
        if self.corrected:
            return f"board's clock corrected by {self.rel_error * 100:+.4f} % after {self.span_s:.0f} s against the host's"
        if self.wrong:
            return f"board's clock not usable: {self.wrong}"
        return f"board's clock not corrected (only {self.span_s:.1f} s seen): its own tolerance is in the uncertainty"


@dataclass(frozen=True, slots=True)
class _Certain:
    """What bounds exclude: the relative error is between `least` and `most`, shown by so many seconds of board and host."""

    least: float = -math.inf
    most: float = math.inf
    by_least: tuple[float, float] = (0.0, 0.0)
    by_most: tuple[float, float] = (0.0, 0.0)


class ClockComparison:
    """Gathers pairs of board time and host time in bounded memory; its verbs are `add` and `bracket`. Their grouping does not matter.

    `half_width`, `host_half_width`: of the two clocks' relative errors.
    """

    def __init__(self, half_width: float, host_half_width: float = HOST_HALF_WIDTH, name: str = "board's clock") -> None:
        self._half_width = half_width
        self._name = name
        self._host = Component("host's clock", rectangular(host_half_width), shape="rectangular")
        self._bin_s = _BIN_S
        self._run = 0
        self._least: dict[tuple[int, int], tuple[float, float]] = {}
        self._asked: list[tuple[int, float, float, float]] = []

    def begin_run(self) -> None:
        """Begin another run of the same clock, whose stamps start again from 0."""
        self._run += 1

    def add(self, board_s: float, arrival_s: float) -> None:
        """Add the arrival at arrival_s (host clock, s) of a frame whose last sample was held at board_s (nominal seconds of this run)."""
        index = self._run, int(board_s // self._bin_s)
        kept = self._least.get(index)
        late = arrival_s - board_s
        if kept is None or late < kept[1] - kept[0]:
            self._least[index] = (board_s, arrival_s)
            if len(self._least) > _BINS_MOST:
                self._halve()

    def bracket(self, board_s: float, sent_s: float, received_s: float) -> None:
        """Add two bounds: the board's clock stood at board_s at a moment between these two of the host's."""
        self._asked.append((self._run, board_s, sent_s, received_s))
        if len(self._asked) > _ASKED_MOST:
            del self._asked[1::2]

    def _halve(self) -> None:
        self._bin_s *= 2.0
        kept, self._least = self._least, {}
        for (run, _), (board_s, arrival_s) in kept.items():
            index = run, int(board_s // self._bin_s)
            other = self._least.get(index)
            if other is None or arrival_s - board_s < other[1] - other[0]:
                self._least[index] = board_s, arrival_s

    def estimate(self) -> ClockEstimate:
        """Return the straight line through the least late arrivals where the bounds allow it; else no correction and what is not
        excluded."""
        board, late, span = self._centred()
        certain = self._certain()
        believed = BELIEVED * self._half_width + _HOST_SLEWED
        wrong = _excluded(certain, believed)
        reach = min(max(-certain.least, certain.most), 1.0) if self._asked else math.inf
        dof = len(board) - len(span) - 1
        if dof >= _DOF_LEAST:
            sxx = float(board @ board)
            slope = float(board @ late) / sxx
            residual = late - slope * board
            fit = Component("board's clock against the host's", math.sqrt(float(residual @ residual) / dof / sxx), float(dof), "A")
            parts = (fit, *self._changing(board, late, len(span)), self._host)
            u = combine(*(part.u for part in parts))
            possible = certain.least - _SIGNIFICANT * u <= slope <= certain.most + _SIGNIFICANT * u
            if not self._asked and abs(slope) > believed + _SIGNIFICANT * u:
                wrong = _said("", sum(span), (1.0 + slope) * sum(span))
            if possible:
                reach = min(reach, abs(slope) + _COVERED * u, 1.0)
            if possible and not wrong and abs(slope) <= believed and u < rectangular(self._half_width):
                return ClockEstimate(slope, parts, True, sum(span))
        return ClockEstimate(0.0, (self._uncorrected(reach),), False, sum(span), wrong)

    def _uncorrected(self, reach: float) -> Component:
        """Return what is known without a correction: the board's claim, or as much more as nothing excludes (`reach`; infinite: not looked
        at)."""
        if not self._half_width < reach < math.inf:
            return Component(f"{self._name} (its own tolerance)", rectangular(self._half_width), shape="rectangular")
        return Component(f"{self._name} (as far as it was compared)", rectangular(reach), shape="rectangular")

    def _changing(self, board: Array, late: Array, runs: int) -> tuple[Component, ...]:
        """Return what a clock that is not steady adds: how much its two halves' rates differ, if that is more than scatter."""
        half = len(board) // 2
        if runs != 1 or half < _HALF_LEAST:
            return ()
        fits = [_line(board[part], late[part]) for part in (slice(half), slice(half, None))]
        scatter = math.sqrt(sum(rss for _, rss, _ in fits) / (len(board) - 4))
        u = scatter * math.sqrt(sum(1.0 / sxx for _, _, sxx in fits))
        change = abs(fits[0][0] - fits[1][0])
        if change <= max(_CHANGED * u, _CHANGED_LEAST):
            return ()
        return (Component(f"{self._name}, not steady", rectangular(change), shape="rectangular"),)

    def _certain(self) -> _Certain:
        """Return what the bounds of all runs exclude together."""
        found = _Certain()
        for run in {asked[0] for asked in self._asked}:
            asked = np.array([(board, sent, received) for one, board, sent, received in self._asked if one == run])
            frames = np.array([pair for (one, _), pair in self._least.items() if one == run]).reshape(-1, 2)
            found = _narrow(found, asked[:, :2], np.concatenate((asked[:, ::2], frames)))
        return found

    def _centred(self) -> tuple[Array, Array, list[float]]:
        """Return board times and latenesses of all runs, each run about its own means, and the runs' spans in s."""
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


def _narrow(found: _Certain, not_before: Array, not_after: Array) -> _Certain:
    """Return the same with the bounds of one run: rows of board time and the host time before or after which it cannot have been."""
    board_from, host_from = not_before[:, 0][:, None], not_before[:, 1][:, None]
    board_to, host_to = not_after[:, 0][None, :], not_after[:, 1][None, :]
    with np.errstate(divide="ignore", invalid="ignore"):
        # From a bound below to a later one above: so much host time at most.
        most = np.where(board_to > board_from, (host_to - host_from + _SLACK_S) / (board_to - board_from) - 1.0, math.inf)
        # From a bound above to a later one below: so much at the least, and a clock that has not moved meanwhile stands still.
        passed = host_from - host_to - _SLACK_S
        least = np.where(passed > 0.0, np.where(board_from > board_to, passed / (board_from - board_to) - 1.0, math.inf), -math.inf)
    i, j = np.unravel_index(int(most.argmin()), most.shape)
    if most[i, j] < found.most:
        shown = float(board_to[0, j] - board_from[i, 0]), float(host_to[0, j] - host_from[i, 0])
        found = _Certain(found.least, float(most[i, j]), found.by_least, shown)
    i, j = np.unravel_index(int(least.argmax()), least.shape)
    if least[i, j] > found.least:
        shown = float(board_from[i, 0] - board_to[0, j]), float(host_from[i, 0] - host_to[0, j])
        found = _Certain(float(least[i, j]), found.most, shown, found.by_most)
    return found


def _excluded(certain: _Certain, believed: float) -> str:
    """Return what shows that the error is beyond `believed`, either way; empty if it may be within."""
    if certain.least > believed:
        return _said("at least ", *certain.by_least)
    if certain.most < -believed:
        return _said("at most ", *certain.by_most)
    return ""


def _said(how: str, board_s: float, host_s: float) -> str:
    return f"what the board's stamps call {board_s:.2f} s took {how}{host_s:.2f} s by this computer's clock"


def _line(x: Array, y: Array) -> tuple[float, float, float]:
    """Return the slope, residual sum of squares and sum of squares of x about its mean of the straight line through these points."""
    from_mean = x - x.mean()
    sxx = float(from_mean @ from_mean)
    slope = float(from_mean @ y) / sxx
    residual = y - y.mean() - slope * from_mean
    return slope, float(residual @ residual), sxx
