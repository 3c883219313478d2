"""Looking at a board's channels for a while, apart from any run of a unit: means, noise, how many samples."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from bench.board.client import BoardClient
from bench.description import BoardDescription
from bench.samples import Block, Sampler
from bench.uncertainty import TypeA
from bench.wire import SAMPLES_PER_FRAME, EventFrame, Placed, SampleFrame, Sequencer


class Watch:
    """A listener for `BoardClient`: sums up each channel's samples since it was made or last `restart`ed, in little memory."""

    def __init__(self, description: BoardDescription) -> None:
        self._sequencer = Sequencer()
        self._sampler = Sampler(description)
        self.frame_s = SAMPLES_PER_FRAME * max(map(description.sample_period_s, description.modes))
        """How long the slowest mode takes to fill a frame: samples of before a change may come for so long after it."""
        self.restart()

    def restart(self) -> None:
        """Forget what was summed up by now."""
        self._sums: dict[str, tuple[int, float, float]] = {}

    def __call__(self, frames: Sequence[SampleFrame | EventFrame], arrival_s: float) -> None:
        placed: list[Placed] = [p for p in map(self._sequencer.place, frames) if p is not None]
        for item in self._sampler.feed(placed):
            if isinstance(item, Block):
                self._add(item)

    def _add(self, block: Block) -> None:
        for name, trace in block.traces.items():
            n, mean, m2 = self._sums.get(name, (0, 0.0, 0.0))
            k = len(trace.values)
            if not k:
                continue
            # Sums of squares about the mean, joined without cancellation (Chan, Golub and LeVeque 1983).
            block_mean = float(trace.values.mean())
            step = block_mean - mean
            m2 += float(((trace.values - block_mean) ** 2).sum()) + step * step * n * k / (n + k)
            self._sums[name] = n + k, mean + step * k / (n + k), m2

    def readings(self) -> Mapping[str, TypeA]:
        """Return mean, standard deviation of one sample and number of samples of each channel."""
        return {name: TypeA(mean, (m2 / (n - 1)) ** 0.5 if n > 1 else 0.0, n) for name, (n, mean, m2) in self._sums.items()}


def look(board: BoardClient, watch: Watch, *, master: bool, loads: Sequence[int], settle_s: float, seconds: float) -> Mapping[str, TypeA]:
    """Return readings of so many seconds with the switches so, after a while to settle. The switches stay; `watch` must be listening."""
    if loads:
        board.close_loads(loads)
    board.switch_master(master)
    board.attend(settle_s + watch.frame_s)
    watch.restart()
    board.attend(seconds)
    return watch.readings()
