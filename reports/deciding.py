"""When the sample that decided a test was taken, and when the session decided: read out of the test's capture.

The board's clock is tied to this machine's by the least late frame of the run: a frame can come late, never early. What the way up
takes at the least (a frame's bytes, the bridge) is therefore not in it: some 3 to 5 ms with the simulated board.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from bench.analysis import Analysis
from bench.description import BoardDescription, parse_description
from bench.measure import Conditions
from bench.ports.replay import NOTE, RECEIVED, read_capture
from bench.samples import Block
from bench.transitions import Change, Transition
from bench.wire import Decoder, EventFrame, SampleFrame


@dataclass(frozen=True, slots=True)
class Deciding:
    """Of the last run, in s of this machine's monotonic clock: the last change of the contact that was seen before the session had the
    unit switched off, and when it did that. `bytes_per_s`: what came from the board meanwhile."""

    sample_s: float
    off_s: float
    bytes_per_s: float


def deciding(capture: Path) -> Deciding:
    """ValueError if the capture holds no run that was switched off in good order."""
    run = _Run(None)
    decoder = Decoder()
    for entry in read_capture(capture):
        if entry.kind == NOTE and entry.note["note"] == "board":
            run = _Run(parse_description(entry.note["lines"]))
        elif entry.kind == NOTE and entry.note["note"] == "run":
            run = _Run(run.description)
        elif entry.kind == NOTE and entry.note["note"] == "off":
            run.off_s = entry.t_s
        elif entry.kind == RECEIVED:
            pieces = [p for p in decoder.feed(entry.payload) if isinstance(p, SampleFrame | EventFrame)]
            run.feed(pieces, entry.t_s, len(entry.payload))
    return run.found(capture)


class _Run:
    """One run as it came."""

    def __init__(self, description: BoardDescription | None) -> None:
        self.description = description
        self.off_s: float | None = None
        self._analysis = None if description is None else Analysis(description, Conditions(12.0), observer=self._observe)
        self._seen_to_s = 0.0
        self._least_late_s = float("inf")
        self._changes_s: list[float] = []
        self._arrived: list[tuple[float, int]] = []

    def _observe(self, block: Block, changes: Sequence[Change]) -> None:
        self._seen_to_s = block.end_s
        self._changes_s += [change.t_s for change in changes if isinstance(change, Transition)]

    def feed(self, pieces: list[SampleFrame | EventFrame], now_s: float, size: int) -> None:
        if self._analysis is None or self.off_s is not None:
            return
        self._arrived.append((now_s, size))
        self._analysis.feed(pieces, now_s)
        before_s = self._seen_to_s
        self._analysis.catch_up()
        if self._seen_to_s > before_s:
            self._least_late_s = min(self._least_late_s, now_s - self._seen_to_s)

    def found(self, capture: Path) -> Deciding:
        if self.off_s is None or not self._changes_s:
            raise ValueError(f"capture {capture.name}: it holds no run that was switched off in good order")
        span_s = self._arrived[-1][0] - self._arrived[0][0]
        rate = sum(size for _, size in self._arrived) / span_s
        return Deciding(self._changes_s[-1] + self._least_late_s, self.off_s, rate)
