"""What frames say together: where each stands in its run, what is missing before it, what came twice.

Pure. Stamps are unwrapped to plain integers here, so nothing to the right of this module knows that they wrap.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from typing import NamedTuple

from bench.wire.frames import SAMPLES_PER_FRAME, STAMP_MODULUS, EventFrame, EventKind, Frame, SampleFrame

_HALF = STAMP_MODULUS // 2
_EVENTS_REMEMBERED = 8


class Placed(NamedTuple):
    """A frame in its place. (One is made for every frame, and a tuple is made in half the time of a dataclass.)

    `run` counts runs (and starts of the board) since the first frame seen, from 0. `stamp` is unwrapped. `lost_before`: samples missing
    between the run's last sample frame (or its sample 0) and this one, or dropped there because stamps went back; 0 for an event. An event
    that is not `timed` has no place in the run.
    """

    frame: Frame
    run: int
    stamp: int
    lost_before: int = 0

    @property
    def timed(self) -> bool:
        frame = self.frame
        return isinstance(frame, SampleFrame) or frame.sampling or frame.kind == EventKind.STOPPED


@dataclass(frozen=True, slots=True)
class SequenceCount:
    """`frames_missing` by sequence numbers (modulo 256, so a lower bound), `samples_lost` by stamps, and what was dropped."""

    duplicates: int = 0
    backwards: int = 0
    frames_missing: int = 0
    samples_lost: int = 0


class Sequencer:
    """Put frames in, in the order in which they came; get them placed, or None for one that must be dropped (counted)."""

    def __init__(self) -> None:
        self._run = 0
        self._run_bits: int | None = None
        self._expected: int | None = None
        self._sequence: int | None = None
        self._last_samples: SampleFrame | None = None
        self._last_events: deque[EventFrame] = deque(maxlen=_EVENTS_REMEMBERED)
        self._duplicates = 0
        self._backwards = 0
        self._frames_missing = 0
        self._samples_lost = 0
        self._unplaced = 0  # samples that were dropped since the last frame, because its stamp went back

    @property
    def count(self) -> SequenceCount:
        return SequenceCount(self._duplicates, self._backwards, self._frames_missing, self._samples_lost)

    def place(self, frame: Frame) -> Placed | None:
        if isinstance(frame, SampleFrame):
            return self._place_samples(frame)
        return self._place_event(frame)

    def _place_samples(self, frame: SampleFrame) -> Placed | None:
        if frame == self._last_samples:
            self._duplicates += 1
            return None
        new_run = self._run_bits is not None and frame.run != self._run_bits
        if new_run or self._expected is None:
            stamp, lost = frame.stamp, frame.stamp
        else:
            lost = (frame.stamp - self._expected) % STAMP_MODULUS
            stamp = self._expected + lost
            if lost >= _HALF:
                self._backwards += 1
                if self._is_next(frame):
                    # Not an old frame that came late: the board's own count went back, and how far it went on since nobody knows.
                    self._sequence = frame.sequence
                    self._unplaced += SAMPLES_PER_FRAME
                return None
            lost = max(lost, self._unplaced)
        self._unplaced = 0
        self._take(frame, new_run)
        self._last_samples = frame
        self._expected = stamp + SAMPLES_PER_FRAME
        self._samples_lost += lost
        return Placed(frame, self._run, stamp, lost)

    def _place_event(self, frame: EventFrame) -> Placed | None:
        started = frame.kind == EventKind.STARTED
        # Every start of a board looks the same.
        if frame in self._last_events and not started:
            self._duplicates += 1
            return None
        if started:
            self._sequence = None
        self._take(frame, started or (self._run_bits is not None and frame.run != self._run_bits))
        self._last_events.append(frame)
        near = self._expected
        stamp = frame.stamp if near is None else near + (frame.stamp - near + _HALF) % STAMP_MODULUS - _HALF
        return Placed(frame, self._run, stamp)

    def _is_next(self, frame: Frame) -> bool:
        """Whether it was sent after the last one, as its sequence number says."""
        return self._sequence is not None and 0 < (frame.sequence - self._sequence) % 256 < 128

    def _take(self, frame: Frame, new_run: bool) -> None:
        if self._sequence is not None:
            self._frames_missing += (frame.sequence - self._sequence - 1) % 256
        self._sequence = frame.sequence
        self._run_bits = frame.run
        if new_run:
            self._run += 1
            self._expected = None
