"""Blocks to whether the board's comparator says what its samples say: two ways in which one board sees the same output.

Strategy. The comparator is high while the unit's output is above half of its input, and follows within 1 ms (PROTOCOL.md section 3); each
sample frame says how it stood at its first sample. Where every sample of that frame and of the one before it lies plainly on one side, the
comparator can stand on no other. A board that shows it there, time and again without a frame that fits, shows samples that were not read at
the unit, or has a comparator that is broken: from outside the two can't be told apart.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from bench.description import ChannelName
from bench.samples import Block, Trace

_ABOVE, _BELOW = 0.65, 0.35  # of the input: half, and more than scales, zeros and the comparator's own threshold are off by
_SUPPLIED_V = 4.0  # below twice the least input that a comparator counts (2 V in the reference rig's wide range) half is not its level
_PERSISTS = 3  # frames: 12 ms in FAST; shorter than any flash or gap, longer than a disturbance of one reading of the comparator


class ComparatorWatch:
    """Add the blocks of a run in their order; `against_s` is for how long, at the longest, the comparator stood against the samples."""

    def __init__(self) -> None:
        self._side = 0
        self._frames = 0
        self.against_s = 0.0

    def feed(self, block: Block) -> None:
        """Compare what the comparator said in a block with its samples."""
        if not block.comparator or not {ChannelName.V_IN, ChannelName.V_OUT} <= block.traces.keys():
            return
        frame_s = (block.end_s - block.begin_s) / len(block.comparator)
        before = 0 if block.gap_before else self._side
        for side, high in zip(_sides(block), block.comparator, strict=True):
            if side and side == before:
                self._frames = self._frames + 1 if high != (side > 0) else 0
                if self._frames >= _PERSISTS:
                    self.against_s = max(self.against_s, self._frames * frame_s)
            before = side
        self._side = before


def _sides(block: Block) -> list[int]:
    """Return for each frame of the block 1 if all its samples show the output plainly above half the input, -1 if below, 0 if neither."""
    bounds = np.linspace(block.begin_s, block.end_s, len(block.comparator) + 1)
    least_in, most_in = _extremes(block.traces[ChannelName.V_IN], bounds)
    least_out, most_out = _extremes(block.traces[ChannelName.V_OUT], bounds)
    supplied = least_in >= _SUPPLIED_V  # not where a frame holds no sample: NaN
    above, below = supplied & (least_out > _ABOVE * most_in), supplied & (most_out < _BELOW * least_in)
    sides: list[int] = (above.astype(int) - below.astype(int)).tolist()
    return sides


def _extremes(trace: Trace, bounds: npt.NDArray[np.float64]) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Return least and greatest value between each bound and the next; NaN where no sample lies."""
    at = np.searchsorted(trace.t_s, bounds - 1e-9)  # a sample on a bound belongs to what follows, whatever rounding says
    empty = at[1:] == at[:-1]
    if empty.all():
        nothing = np.full(len(empty), np.nan)
        return nothing, nothing
    begins = at[:-1][~empty]
    least, most = np.full(len(empty), np.nan), np.full(len(empty), np.nan)
    values = trace.values[: at[-1]]
    least[~empty], most[~empty] = np.minimum.reduceat(values, begins), np.maximum.reduceat(values, begins)
    return least, most
