"""The main contact, which follows the armature: it bounces, sticks, welds, films over and wears."""

from __future__ import annotations

import math
import random
from collections import deque

from bench.simboard.ageing import contact_factor, fatigue
from bench.simboard.units import Unit

_WIDEST_SCATTER = 0.4
_GAP_S = (0.00015, 0.0004)


class MainContact:
    """The contact of a unit: whether it conducts, and its resistance. `rng` None: no bounce, no scatter, nothing by chance."""

    __slots__ = ("_film_ohm", "_rng", "_spec", "_unit", "conducting", "flashes", "ohm", "pending")

    def __init__(self, unit: Unit, closed: bool, rng: random.Random | None) -> None:
        self._unit = unit
        self._spec = unit.contact
        self._rng = rng
        self._film_ohm = unit.contact.film_ohm
        self.flashes = unit.flashes
        self.pending: deque[tuple[float, bool]] = deque()
        self.conducting = (closed or self._spec.welded) and not self._spec.dead
        self.ohm = 0.0
        self._touch()

    @property
    def next_s(self) -> float:
        """Instant of the next change, inf if none is to come."""
        return self.pending[0][0] if self.pending else math.inf

    def follow(self, t_s: float, closed: bool, skip: bool = False) -> None:
        """Plan the contact's changes after a move of the armature at t_s. `skip`: this make fails to conduct."""
        if closed:
            self.flashes += 1
            self._touch()
        if self._spec.welded or self._spec.dead:
            return
        self.pending.clear()
        if closed and skip:
            return
        start = t_s if closed else t_s + self._stuck_s()
        if closed != self.conducting:
            self.pending.append((start, closed))
            self._bounce(start, closed)

    def change(self) -> None:
        """Make the next planned change."""
        _, self.conducting = self.pending.popleft()

    def misses(self) -> bool:
        """Draw whether the coming flash is missed."""
        if self._rng is None:
            return False
        tired, _ = fatigue(self.flashes, self._unit.life_flashes)
        return self._rng.random() < max(self._spec.miss_probability, tired)

    def _touch(self) -> None:
        """Draw the resistance of a new place of touch."""
        ohm = self._spec.ohm * contact_factor(self.flashes)
        if self._rng is not None:
            spread = min(_WIDEST_SCATTER, 0.05 * ohm / self._spec.good_ohm)
            ohm *= max(0.1, 1.0 + spread * self._rng.gauss(0.0, 1.0))
        self.ohm = ohm + self._film_ohm
        self._film_ohm *= 0.75

    def _stuck_s(self) -> float:
        rng = self._rng
        if rng is None or rng.random() >= self._spec.stick_probability:
            return 0.0
        return rng.uniform(*self._spec.stick_s)

    def _bounce(self, start_s: float, closed: bool) -> None:
        if self._rng is None:
            return
        lasting = self._rng.uniform(*(self._spec.bounce_make_s if closed else self._spec.bounce_break_s))
        t, end = start_s, start_s + lasting
        while True:
            # Apart for a while, touching for a while, in either order; the last change leaves it where the armature stands.
            first = t + self._rng.uniform(*_GAP_S)
            second = first + self._rng.uniform(*_GAP_S)
            if second > end:
                return
            self.pending.append((first, not closed))
            self.pending.append((second, closed))
            t = second
