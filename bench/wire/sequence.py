"""What frames say together: where each stands in its run, what is missing before it, what came twice.

Stamps are unwrapped to plain integers here, so nothing to the right of this module knows that they wrap.

Strategy. A check sum of 16 bits lets one damaged frame of 65 536 pass, and the run number is two of its bits. So one frame ends no run: an
event that names another run stands in the one that may follow, which begins with its first sample frame (or the board's start); and where
the sample frames go back to the run that they had left, as no board does, what came in between was none.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from typing import NamedTuple

from bench.wire.frames import SAMPLES_PER_FRAME, STAMP_MODULUS, EventFrame, EventKind, Frame, SampleFrame

_HALF = STAMP_MODULUS // 2
_EVENTS_REMEMBERED = 8  # an event that came twice comes again within the next few
_OUT_MOST = 2  # sample frames in a row that may name another run by damage; what persists is the board's doing (bench.board.commanded)


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
        """Whether the frame's stamp is a place in the run."""
        frame = self.frame
        return isinstance(frame, SampleFrame) or frame.sampling or frame.kind == EventKind.STOPPED


@dataclass(frozen=True, slots=True)
class SequenceCount:
    """`frames_missing` by sequence numbers (modulo 256, so a lower bound), `samples_lost` by stamps, and what was dropped.

    `frames_out_of_run`: frames between others of one run that named another run.
    """

    duplicates: int = 0
    backwards: int = 0
    frames_missing: int = 0
    samples_lost: int = 0
    frames_out_of_run: int = 0


class _Left(NamedTuple):
    """The run before the one at hand: its number, its bits in a frame, and the stamp with which it would go on."""

    run: int
    bits: int
    expected: int


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
        self._left: _Left | None = None
        self._frames_since = self._lost_since = 0  # sample frames since that was left, and samples that they lack
        self._events_ahead = 0  # events of another run since the last sample frame
        self._out_of_run = 0
        self._unplaced = 0  # samples that were dropped since the last frame, because its stamp went back

    @property
    def count(self) -> SequenceCount:
        """What was dropped, and what is missing, so far."""
        lost = self._samples_lost + (self._lost_since if self._left is None or self._is_lasting else 0)
        return SequenceCount(self._duplicates, self._backwards, self._frames_missing, lost, self._out_of_run)

    def place(self, frame: Frame) -> Placed | None:
        """Return the frame in its place; None for one that must be dropped."""
        if isinstance(frame, SampleFrame):
            return self._place_samples(frame)
        return self._place_event(frame)

    def _place_samples(self, frame: SampleFrame) -> Placed | None:
        if frame == self._last_samples:
            self._duplicates += 1
            return None
        if self._run_bits is None:
            self._run_bits = frame.run
        elif frame.run != self._run_bits and not self._went_back(frame):
            if self._expected is not None and (self._left is None or self._is_lasting):
                self._leave(_Left(self._run, self._run_bits, self._expected))
            self._begin(frame.run)
        if self._expected is None:
            stamp, lost = frame.stamp, frame.stamp
        else:
            lost = (frame.stamp - self._expected) % STAMP_MODULUS
            stamp = self._expected + lost
            if lost >= _HALF:
                self._backwards += 1
                if self._is_next(frame):
                    # Not an old frame that came late: the board's own count went back, and how far it went on since is not known.
                    self._sequence = frame.sequence
                    self._unplaced += SAMPLES_PER_FRAME
                return None
            lost = max(lost, self._unplaced)
        self._unplaced = 0
        self._follow(frame)
        # Events ahead of the run that has now begun were its own; others were of none.
        self._out_of_run += self._events_ahead if self._expected is not None else 0
        self._events_ahead = 0
        self._frames_since += 1
        self._last_samples = frame
        self._expected = stamp + SAMPLES_PER_FRAME
        self._lost_since += lost
        return Placed(frame, self._run, stamp, lost)

    @property
    def _is_lasting(self) -> bool:
        """Whether more sample frames came since the last run was left than damage may seem to begin another with."""
        return self._frames_since > _OUT_MOST

    def _went_back(self, frame: SampleFrame) -> bool:
        """Go back to the run before the one at hand if this frame goes on with it, and return whether it does."""
        left = self._left
        if left is None or frame.run != left.bits or self._is_lasting:
            return False
        if (frame.stamp - left.expected) % STAMP_MODULUS >= _HALF:
            return False  # of short runs the fourth has the number of the first
        self._out_of_run += self._frames_since
        self._lost_since = 0
        self._leave(None)
        self._run, self._run_bits, self._expected = left
        return True

    def _leave(self, left: _Left | None) -> None:
        """Leave a run, because another seems to begin; `left` is None if nothing before it could go on."""
        self._samples_lost += self._lost_since
        self._left, self._frames_since, self._lost_since = left, 0, 0

    def _place_event(self, frame: EventFrame) -> Placed | None:
        started = frame.kind == EventKind.STARTED
        # Every start of a board looks the same.
        if frame in self._last_events and not started:
            self._duplicates += 1
            return None
        if started:
            self._sequence = None
            self._leave(None)
            self._begin(frame.run)
        self._follow(frame)
        self._last_events.append(frame)
        if self._run_bits is not None and frame.run != self._run_bits:
            self._events_ahead += 1
            return Placed(frame, self._run + 1, frame.stamp)
        near = self._expected
        stamp = frame.stamp if near is None else near + (frame.stamp - near + _HALF) % STAMP_MODULUS - _HALF
        return Placed(frame, self._run, stamp)

    def _is_next(self, frame: Frame) -> bool:
        """Return whether it was sent after the last one, as its sequence number says."""
        return self._sequence is not None and 0 < (frame.sequence - self._sequence) % 256 < 128

    def _begin(self, bits: int) -> None:
        """Begin another run, which these bits name, or follow a start of the board."""
        self._run += 1
        self._run_bits, self._expected = bits, None

    def _follow(self, frame: Frame) -> None:
        """Count what is missing in the sequence before this frame."""
        if self._sequence is not None:
            self._frames_missing += (frame.sequence - self._sequence - 1) % 256
        self._sequence = frame.sequence
