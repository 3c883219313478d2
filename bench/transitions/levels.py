"""The state levels of the ratio: 0 and 1, unless a lasting level in between shows that one of them is another."""

from __future__ import annotations

import math

import numpy as np

from bench.transitions.at_hand import SamplesAtHand, VoltageChannels

GROUP_S, _GROUP_LEAST = 4.0e-3, 4  # samples are looked at for lasting levels in groups of about this length, and of at least so many
_GROUPS_TOGETHER = 64  # looked at in one go, of which perhaps only the first is used
_FLAT = 0.08  # a group whose ratio moves less than this is at a level
LOW, _HIGH = 0.25, 0.80  # levels outside these are what they seem
_OPEN_OHM = 10.0  # a burnt or filmed contact has less, the ballast of a hot wire or a leak more (6 V hot wire: 11 ohm, computed)
_SAME = 0.05  # levels nearer than this are one
_STEP = 0.15  # two levels nearer than this are not two states
_LASTING_S = 20.0e-3  # a level counts once it has stood this long: longer than any inrush stands still
_WAIT_S = 6.0  # how long an unclear level may hold decisions back


class StateLevels:
    """Learns from groups of samples which ratios, `low` and `high`, are those of the open and of the closed contact.

    `group`: samples in a group, 0 until their interval is known. `understood`: samples whose state the levels tell, in whole groups: while
    a new level is not understood it waits.
    """

    def __init__(self, channels: VoltageChannels, samples: SamplesAtHand) -> None:
        self._channels = channels
        self._samples = samples
        self._forget()
        self.restart()

    def restart(self) -> None:
        """Begin with the first of the samples at hand, the levels as they are known."""
        self.group = 0
        self._grouped = 0  # samples whose lasting levels were looked at
        self._hold: int | None = None  # first sample of a level not yet understood
        self._held_level: float  # that level

    def _forget(self) -> None:
        self.low, self.high = 0.0, 1.0
        self._seen_low = self._seen_high = False

    @property
    def understood(self) -> int:
        """Samples whose state the levels tell, counted from the first at hand."""
        return self._grouped if self._hold is None else self._hold

    def dropped(self, count: int) -> None:
        """Follow the samples at hand, the first `count` of which are forgotten."""
        self._grouped -= count
        if self._hold is not None:
            self._hold -= count

    def learn(self) -> bool:
        """Look at the next groups for lasting levels between open and closed, if there is a whole one: whether there was."""
        if not self.group and len(self._samples) > 1:
            self.group = max(_GROUP_LEAST, round(GROUP_S / self._samples.interval_s))
        if not self.group or len(self._samples) - self._grouped < self.group:
            return False
        self._grouped += self._look() * self.group
        return True

    def _look(self) -> int:
        """Return the number of groups looked at."""
        floor_v = self._channels.supply_floor_v
        count = min((len(self._samples) - self._grouped) // self.group, _GROUPS_TOGETHER)
        span = slice(self._grouped, self._grouped + count * self.group)
        groups = self._samples.ratio[span].reshape(count, self.group)
        supplied = np.all(self._samples.v_in[span].reshape(count, self.group) > floor_v, axis=1)
        mean = groups.mean(axis=1)
        flat = groups.max(axis=1) - groups.min(axis=1) < _FLAT + 6.0 * self._channels.noise_v / floor_v
        # Levels change only with these, so they come one at a time.
        special = ~supplied | (flat & (mean > LOW) & (mean < _HIGH))
        plain = int(special.argmax()) if special.any() else count
        if self._hold is not None or plain == 0:
            self._learn_group(float(mean[0]), bool(flat[0]), bool(supplied[0]))
            return 1
        self._seen_low |= bool((flat & (mean <= LOW))[:plain].any())
        self._seen_high |= bool((flat & (mean >= _HIGH))[:plain].any())
        return plain

    def _learn_group(self, mean: float, flat: bool, supplied: bool) -> None:
        if not supplied:
            self._forget()
            self._hold = None
            return
        if not flat:
            return
        if mean <= LOW:
            self._seen_low = True
        elif mean >= _HIGH:
            self._seen_high = True
        elif abs(mean - self.low) > _SAME and abs(mean - self.high) > _SAME:
            self._wait_at(mean)
            return
        if self._hold is not None and (self._seen_low or self._seen_high):
            self._end_hold(self._hold, mean)

    def _wait_at(self, mean: float) -> None:
        """Wait at a level not met before until it is clear which state it is."""
        if self._hold is None or abs(mean - self._held_level) > _SAME:
            self._hold, self._held_level = self._grouped, mean
        # Of samples as slow as that, one flat group is enough.
        lasted_s = max(self._grouped - self._hold, self.group) * self._samples.interval_s
        if lasted_s < _LASTING_S:
            return
        closed = self._is_closed()
        if closed is None and self._seen_high != self._is_dark_known:
            closed = self._is_dark_known
        if closed is not None:
            self._set_level(mean, closed)
            self._hold = None
        elif self._is_dark_known or lasted_s > _WAIT_S:
            self._hold = None

    def _end_hold(self, hold: int, mean: float) -> None:
        """Settle a level that is over and whose counterpart is known. Without a step between them they are one state: a filament that warms
        up behind a filmed contact passes all levels on its way."""
        has_stepped = abs(mean - self._held_level) > _STEP
        if has_stepped and (self._grouped - hold) * self._samples.interval_s >= _LASTING_S:
            if mean >= _HIGH and not self._is_dark_known:
                self._set_level(self._held_level, closed=False)
            elif mean <= LOW and not self._seen_high:
                self._set_level(self._held_level, closed=True)
        self._hold = None

    def _set_level(self, level: float, closed: bool) -> None:
        """Set the level of this state. The other one's, if it was no step from that, is unknown again."""
        if closed:
            self.low, self.high = self.low if self.low < level - _STEP else 0.0, level
        else:
            self.low, self.high = level, self.high if self.high > level + _STEP else 1.0

    @property
    def _is_dark_known(self) -> bool:
        """Whether the level of a supplied, open contact was met. Without the input's voltage a level of 0 may be that of no supply."""
        return self._seen_low and self._channels.v_in_v is None

    def _is_closed(self) -> bool | None:
        """Return whether the group at hand shows a closed contact, by the ohms between input and output; None without a current channel."""
        span = slice(self._grouped, self._grouped + self.group)
        amps = float(self._samples.amps[span].mean())
        if not math.isfinite(amps):
            return None
        return float((self._samples.v_in[span] - self._samples.v_out[span]).mean()) < _OPEN_OHM * amps
