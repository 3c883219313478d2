"""Frames to whether their samples are new ones: a converter that stands still, or a buffer that is sent again, shows no unit.

Strategy. Readings of a steady input scatter by the noise that the board states for them, so two frames never hold the same 160 samples. A
board whose samples at rest, with everything open, were new in every frame has shown that it scatters; if frames then bring again what was
there before, for longer in all than chance and damage can make it, they are not readings. A board without noise (an ideal one, or one that
reads coarsely) shows the same at rest again and again, which is not held against it: whether it still reads is seen when the supply goes.
"""

from __future__ import annotations

from bench.description import BoardDescription
from bench.wire import MODE_NAMES, SAMPLES_PER_FRAME, SampleFrame

_SCATTERS = 0.4  # of a count: what a reading's stated standard deviation, quantisation included, must be for its counts to scatter
_REMEMBERED = 4096  # frames: 17 s in FAST; a buffer that is sent again and again may hold several flashes
_RESTED_LEAST, _REPEATED_MOST = 20, 0.05  # frames at rest, and the part of them that may be the same by damage or chance
_CHANCE = 3.0  # times the part at rest, of which few frames tell little


class Stillness:
    """Add the sample frames of a run in their order; `still_s` is for how long in all they held what was there before, on a board that
    scatters. `new` counts the frames that brought something new. Bounded memory.
    """

    def __init__(self, description: BoardDescription) -> None:
        currents = [channel for channel in description.channels.values() if channel.unit == "A"]
        self._scatters = any(r.noise >= _SCATTERS * r.scale for channel in currents for r in channel.ranges)
        self._frame_s = {name: SAMPLES_PER_FRAME * description.sample_period_s(description.mode_of(name).name) for name in MODE_NAMES}
        self._seen: dict[bytes, int] = {}
        self._added = 0
        self._rested = self._repeated = 0
        self._was_on = False
        self.new = 0
        self._now_s = self._again_s = self._on_s = 0.0

    def add(self, frame: SampleFrame) -> None:
        """Look at the next sample frame of the run."""
        self._added += 1
        again = self._added - self._seen.get(frame.body, -_REMEMBERED) <= _REMEMBERED
        self._seen[frame.body] = self._added
        if len(self._seen) > 2 * _REMEMBERED:
            self._seen = {body: when for body, when in self._seen.items() if self._added - when < _REMEMBERED}
        self.new += not again
        if frame.master:
            self._was_on = True
        elif not self._was_on:
            self._rested += 1
            self._repeated += again
        frame_s = self._frame_s[frame.mode]
        self._now_s = self._now_s + frame_s if again else 0.0
        if self._was_on:
            self._on_s += frame_s
            self._again_s += frame_s if again else 0.0

    @property
    def now_s(self) -> float:
        """In s since the last frame that brought something new, be it that the board has no noise."""
        return self._now_s

    @property
    def still_s(self) -> float:
        """In s since the master switch was closed, less what chance makes; 0 while it is not known that this board's readings scatter."""
        if not self._scatters or self._rested < _RESTED_LEAST or self._repeated > _REPEATED_MOST * self._rested:
            return 0.0
        return max(self._again_s - _CHANCE * self._on_s * self._repeated / self._rested, 0.0)
