"""The way up from a board to its host: the serial line's speed, and the bridge's delay."""

from __future__ import annotations

import math
from collections import deque

import numpy as np

from bench.simboard.link import Link

# Ten bits a byte at 1 Mbaud; then up to a millisecond in the bridge, which its host asks once a millisecond.
BYTE_S = 1.0e-5
BRIDGE_DELAY_S = 1.0e-3
BRIDGE_PERIOD_S = 1.0e-3


class Uplink:
    """The bytes under way: they go in when they are ready and come out when the host has them; none overtakes another."""

    def __init__(self, rng: np.random.Generator, link: Link) -> None:
        self._rng = rng
        self._link = link
        self._line_free_s = 0.0
        self._last_arrival_s = 0.0
        self._arrivals: deque[tuple[float, bytes]] = deque()

    def send(self, ready_s: float, data: bytes) -> None:
        """Send a frame or reply that is ready at ready_s."""
        self._line_free_s = max(self._line_free_s, ready_s) + len(data) * BYTE_S
        asked = math.ceil((self._line_free_s + BRIDGE_DELAY_S * self._rng.random()) / BRIDGE_PERIOD_S)
        for arrival_s, part in self._link.carry_up(asked * BRIDGE_PERIOD_S, data):
            self._last_arrival_s = max(arrival_s, self._last_arrival_s)
            self._arrivals.append((self._last_arrival_s, part))

    def next_arrival(self) -> float | None:
        """Return when the next bytes reach the host; None if none are on their way."""
        return self._arrivals[0][0] if self._arrivals else None

    def take(self, until_s: float) -> bytes:
        """Take the bytes that have reached the host by then."""
        parts = []
        while self._arrivals and self._arrivals[0][0] <= until_s:
            parts.append(self._arrivals.popleft()[1])
        return b"".join(parts)
