"""Loudness to clicks: which sound is the unit's, when each click came, and which flashes did not come.

Strategy. Nothing is known of what a unit's clicks sound like, nor of the noise. So:

1. Whatever sets in at once is a candidate, and candidates that sound alike and come again at one interval give the period.
2. The best train of them gives a template of the click, matched to the noise of this recording; with that every step is looked at anew,
   and the train is chosen again.
3. A flash has two clicks, make and break. If every second click of the train differs from those between, the train was both; else the
   other click is looked for at a constant distance from the first, and the two are then followed together.
4. Where the train has a gap, either a flash did not come, or something louder covered it; which, the template says: would a click have
   been heard there?

Which of the two clicks is the make, sound does not tell.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from bench.clicks.alternation import alternation
from bench.clicks.energy import Energies, Loudness
from bench.clicks.follow import follow, period_of_moment
from bench.clicks.kind import FEWEST, PAUSE, ClickKind, flashes_in_gap, is_regular
from bench.clicks.onsets import Onsets, find_onsets, peaks
from bench.clicks.period import likely_periods
from bench.clicks.template import AFTER, BEFORE, Template, amount, learn
from bench.samples import Array

Steps = npt.NDArray[np.int64]

_APART = 15  # steps: two clicks of one unit are never within 30 ms
_SIGMAS, _LEAST = 4.5, 0.12  # of the noise, and of a usual click: what may be one
_SURE = 0.6  # of a usual click: counts in full
_HYPOTHESES = 4
_STRONG = 4.0, 25.0  # onsets stronger than nine of ten, within these, count alike
_PAIR_REACH = 0.06  # of the period: what the time from one click to the other varies by
_PAIRED = 0.5  # of the flashes: the other click was heard in so many at least
_EMPTY = 0.5  # of a click: what each place of a train without one speaks against its period
_SUPPORT = 0.7  # of a click: that the other comes when it should
_GAP, _LONG = 1.6, 1.25  # periods: a flash is missing (bench.measure counts them so); the flash or the pause was long


@dataclass(frozen=True)
class Flash:
    """From one click to the next of the same kind; `other_s`: after how long the other click came, None if it was not heard."""

    begun_s: float
    period_s: float
    other_s: float | None


@dataclass(frozen=True)
class Heard:
    """What was heard of a unit. `reason` says why nothing was, and is empty else.

    `flashes`: whole ones, those across a missing flash included, those across a covered one not. `missed`: flashes that did not come.
    `covered`: flashes of which it can't be told whether they came, since something louder was there. `long`: flashes of which a part
    lasted longer than usual, but by less than _GAP - 1 periods. `has_both`: whether make and break were both heard.
    """

    lasted_s: float
    reason: str = ""
    flashes: tuple[Flash, ...] = ()
    missed: int = 0
    covered: int = 0
    long: int = 0
    has_both: bool = False
    first_s: float = 0.0
    last_s: float = 0.0
    pauses_s: tuple[float, ...] = ()


def hear(loudness: Loudness) -> Heard:
    """Return what was heard of a unit in a recording; `Heard` says why not if nothing was."""
    found = _Ear(loudness).listen()
    return Heard(loudness.lasted_s, NO_CLICKS) if found is None else found


NO_CLICKS = "no regular clicks were found"


@dataclass
class _Train:
    steps: Steps
    period_s: float
    worth: float
    template: Template


class _Ear:
    def __init__(self, loudness: Loudness) -> None:
        self._loudness = loudness
        self._log: Energies = loudness.log_energy
        self._step_s = loudness.step_s
        self._onsets = find_onsets(loudness)

    def listen(self) -> Heard | None:
        if len(self._log) <= 4 * (BEFORE + AFTER):
            return None
        train = self._best_train(self._onsets)
        if train is None:
            return None
        others: Steps | None = None
        parity = alternation(self._log, self._step_s, train.steps, train.period_s, train.template)
        if parity is not None:
            even, odd = train.steps[parity == 0], train.steps[parity == 1]
            train = _Train(even, 2.0 * train.period_s, train.worth, learn(self._log, even, odd))
            others = odd
        for _ in range(2):
            offset_s = self._offset(train, others)
            if offset_s is None:
                others = None
                break
            train, others = self._followed_together(train, offset_s)
        return self._heard(train, others)

    def _times(self, steps: Steps) -> Array:
        return np.asarray(steps, dtype=np.float64) * self._step_s

    def _best_train(self, onsets: Onsets) -> _Train | None:
        times = self._times(onsets.steps)
        strong = float(np.clip(np.quantile(onsets.strength, 0.9), *_STRONG)) if len(times) else 1.0
        worth = np.sqrt(np.clip(onsets.strength / strong, 0.0, 1.0))
        first: list[tuple[float, float, Steps]] = []
        for period_s in likely_periods(onsets, self._step_s)[:_HYPOTHESES]:
            chosen, total = follow(times, worth, np.full(len(times), period_s), onsets.rises)
            first.append((total, period_s, onsets.steps[chosen]))
        first.sort(key=lambda one: -one[0])
        found: list[_Train] = []
        for _, period_s, steps in first[:2]:
            if len(steps) < FEWEST:
                continue
            train = _Train(steps, period_s, 0.0, learn(self._log, steps))
            for _ in range(2):
                train = self._refined(train)
                if len(train.steps) < FEWEST:
                    break
            else:
                found.append(train)
        return max(found, key=lambda one: one.worth, default=None)

    def _refined(self, train: _Train) -> _Train:
        """Return the train chosen anew by its template; at a half or a third of its period if that explains more."""
        amounts = amount(self._log, train.template)
        candidates = self._candidates(amounts, train.template)
        times, worth = self._times(candidates), _worth(amounts[candidates])
        best: _Train | None = None
        for part in (1.0, 0.5, 1.0 / 3.0):
            usual_s = train.period_s * part
            if usual_s < 0.18:
                continue
            periods = period_of_moment(self._times(train.steps), usual_s, times) if part == 1.0 else np.full(len(times), usual_s)
            chosen, total = follow(times, worth, periods)
            total -= _EMPTY * _lacking(times[chosen], usual_s)
            if best is None or total > 1.2 * best.worth:
                best = _Train(candidates[chosen], usual_s, total, train.template)
        assert best is not None
        if len(best.steps) < FEWEST:
            return best
        usual_s = _usual(self._times(best.steps), best.period_s)
        return _Train(best.steps, usual_s, best.worth, learn(self._log, best.steps))

    def _candidates(self, amounts: Array, template: Template) -> Steps:
        return peaks(amounts, _APART, max(_SIGMAS * template.noise, _LEAST))

    def _offset(self, train: _Train, others: Steps | None) -> float | None:
        """Return the time in s from a click to the other of the same flash; None if there is no other to be heard."""
        times = self._times(train.steps)
        if others is None:
            others = self._other_onsets(train.steps)
        there = self._times(others)
        before = np.searchsorted(times, there, side="right") - 1
        known = (before >= 0) & (before < len(times) - 1)
        delays = there[known] - times[before[known]]
        delays = delays[(delays > 0.08 * train.period_s) & (delays < 0.92 * train.period_s)]
        if len(delays) < 3:
            return None
        delays = np.sort(delays)
        reach_s = _PAIR_REACH * train.period_s
        first, last = np.searchsorted(delays, delays - reach_s), np.searchsorted(delays, delays + reach_s, side="right")
        densest = int(np.argmax(last - first))
        together = delays[first[densest] : last[densest]]
        count = len(together)
        # By chance as many fall within any such stretch as in the others.
        chance = (len(delays) - count) * 2.0 * _PAIR_REACH / 0.72
        if count < max(3.0, _PAIRED * (len(times) - 1)) and count < 6.0 + 4.0 * chance:
            return None
        return float(np.median(together))

    def _followed_together(self, train: _Train, offset_s: float) -> tuple[_Train, Steps | None]:
        """Return both clicks followed as one pattern; the second is None if it can't be heard in most flashes."""
        others = self._partners(train.steps, self._other_onsets(train.steps), offset_s, train.period_s)
        if len(others) < 3:
            return train, None
        mine, its = learn(self._log, train.steps, others), learn(self._log, others, train.steps)
        amounts, other_amounts = amount(self._log, mine), amount(self._log, its)
        candidates = self._candidates(amounts, mine)
        reach = max(1, round(_PAIR_REACH * train.period_s / self._step_s))
        # What sounds more like the other kind is none of this one, however loud.
        mistaken = np.clip(_nearby(other_amounts) - _nearby(amounts), 0.0, 1.0)
        rightly = np.clip(other_amounts - np.clip(_nearby(amounts) - _nearby(other_amounts), 0.0, 1.0), 0.0, None)
        support = np.zeros(len(candidates))
        for n, step in enumerate(candidates.tolist()):
            at = step + round(offset_s / self._step_s)
            support[n] = rightly[max(0, at - reach) : at + reach + 1].max(initial=0.0)
        times = self._times(candidates)
        periods = period_of_moment(self._times(train.steps), train.period_s, times)
        worth = _worth(amounts[candidates]) - mistaken[candidates] + _SUPPORT * np.clip(support / _SURE, 0.0, 1.0)
        chosen, total = follow(times, worth, periods)
        steps = candidates[chosen]
        if len(steps) < FEWEST:
            return train, None
        found = self._partners(steps, self._candidates(other_amounts, its), offset_s, train.period_s)
        usual_s = _usual(self._times(steps), train.period_s)
        again = _Train(steps, usual_s, total, learn(self._log, steps, found))
        return again, found if len(found) >= max(3.0, _PAIRED * (len(steps) - 1)) else None

    def _other_onsets(self, steps: Steps) -> Steps:
        """Return the onsets that are no clicks of the train."""
        after = np.searchsorted(steps, self._onsets.steps)
        to_next = np.abs(steps[np.minimum(after, len(steps) - 1)] - self._onsets.steps)
        to_last = np.abs(self._onsets.steps - steps[np.maximum(after - 1, 0)])
        return np.asarray(self._onsets.steps[np.minimum(to_next, to_last) > _APART])

    def _partners(self, steps: Steps, others: Steps, offset_s: float, period_s: float) -> Steps:
        """Return those of `others` that come after a click of the train, or after where one is lacking, by about the offset."""
        there = steps.astype(np.float64)
        counts = np.round(np.diff(there) * self._step_s / period_s).astype(int)
        lacking = [np.linspace(a, b, n + 1)[1:-1] for (a, b), n in zip(pairwise(there), counts, strict=True) if 2 <= n < PAUSE]
        due = np.sort(np.concatenate((there, *lacking))) + offset_s / self._step_s
        place = np.searchsorted(due, others)
        apart = np.minimum(np.abs(due[np.maximum(place - 1, 0)] - others), np.abs(due[np.minimum(place, len(due) - 1)] - others))
        return np.asarray(others[apart <= _PAIR_REACH * period_s / self._step_s])

    def _heard(self, train: _Train, others: Steps | None) -> Heard | None:
        mine = ClickKind(self._log, self._step_s, train.template, train.steps)
        its = None if others is None else ClickKind(self._log, self._step_s, learn(self._log, others, train.steps), others)
        delay_s = 0.0
        if its is not None:
            before = np.searchsorted(mine.times_s, its.times_s) - 1
            delay_s = float(np.median((its.times_s - mine.times_s[before])[before >= 0]))
        if not is_regular(mine, train.period_s):
            return None
        periods = period_of_moment(mine.times_s, train.period_s, mine.times_s)
        flashes: list[Flash] = []
        missed = covered = long = 0
        pauses_s: list[float] = []
        for begun_s, ended_s, period_s in zip(mine.times_s[:-1].tolist(), mine.times_s[1:].tolist(), periods.tolist(), strict=False):
            lasted = (ended_s - begun_s) / period_s
            count = round(lasted) if lasted >= _GAP else 1
            if lasted > PAUSE:
                pauses_s.append(begun_s)
                continue
            if count > 1:
                gone, hidden = flashes_in_gap(mine, its, begun_s, (ended_s - begun_s) / count, count, delay_s)
                missed, covered = missed + gone, covered + hidden
                if gone != count - 1:
                    continue
            elif lasted > _LONG:
                long += 1
            later = None if its is None else its.first_between(begun_s, ended_s)
            flashes.append(Flash(begun_s, ended_s - begun_s, None if later is None else later - begun_s))
        return Heard(
            self._loudness.lasted_s,
            "",
            tuple(flashes),
            missed,
            covered,
            long,
            its is not None,
            self._loudness.time_s(float(mine.times_s[0] / self._step_s)),
            self._loudness.time_s(float(mine.times_s[-1] / self._step_s)),
            tuple(pauses_s),
        )


def _worth(amounts: Array) -> Array:
    return np.clip((amounts - 0.25) / (_SURE - 0.25), -1.0, 1.0)


def _nearby(amounts: Array) -> Array:
    """Return the largest within two steps: two kinds of clicks are not aligned alike."""
    return np.asarray(np.max([np.roll(amounts, k) for k in range(-2, 3)], axis=0))


def _lacking(times_s: Array, period_s: float) -> float:
    """Return the number of clicks that did not come, of a train of that period: a fifth of the right one fits too, if make and break are 2
    to 3 apart."""
    gaps = np.round(np.diff(times_s) / period_s)
    return float(np.sum(gaps[(gaps > 1.0) & (gaps < PAUSE)] - 1.0))


def _usual(times_s: Array, about_s: float) -> float:
    gaps = np.diff(times_s)
    single = gaps[np.abs(gaps / about_s - 1.0) < 0.25]
    return float(np.median(single)) if len(single) else about_s
