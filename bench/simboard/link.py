"""The link between board and host, and its faults by name: bytes lost, damaged, doubled, late, or none at all any more."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import TypeAlias

import numpy as np

Arrival: TypeAlias = tuple[float, bytes]
Carrier: TypeAlias = Callable[[float, bytes], list[Arrival]]

_CHANCE = 0.01
_CHANCE_DOWN = 0.05


@dataclass
class Link:
    """The serial link with what happens to bytes on it; without faults nothing. `up` and `down` apply in turn. Times in s since the board
    began."""

    up: list[Carrier] = field(default_factory=list)
    down: list[Callable[[bytes], bytes]] = field(default_factory=list)
    unplugged_at_s: float = math.inf
    board_reset_at_s: float = math.inf

    def carry_up(self, arrival_s: float, data: bytes) -> list[Arrival]:
        """Return when which bytes reach the host, of a frame or reply that would reach it whole at arrival_s."""
        arrivals = [(arrival_s, data)]
        for carrier in self.up:
            arrivals = [later for arrival in arrivals for later in carrier(*arrival)]
        return arrivals

    def carry_down(self, data: bytes) -> bytes:
        """Return the bytes that the board gets of those that the host sent."""
        for carrier in self.down:
            data = carrier(data)
        return data


@dataclass(frozen=True, slots=True)
class LinkFault:
    """A fault of the link: what it is, and how it gets into a `Link`; the generator decides the moments."""

    name: str
    text: str
    enter: Callable[[Link, np.random.Generator], None] = field(repr=False)


def _piece(rng: np.random.Generator, data: bytes, longest: int) -> tuple[int, int]:
    """Return begin and end of a random piece of data, at least one byte long."""
    begin = int(rng.integers(len(data)))
    return begin, min(len(data), begin + 1 + int(rng.integers(longest)))


def _bytes_lost(link: Link, rng: np.random.Generator) -> None:
    def carry(arrival_s: float, data: bytes) -> list[Arrival]:
        if rng.random() < _CHANCE:
            begin, end = _piece(rng, data, 40)
            data = data[:begin] + data[end:]
        return [(arrival_s, data)]

    link.up.append(carry)


def _flipped(rng: np.random.Generator, data: bytes) -> bytes:
    damaged = bytearray(data)
    damaged[rng.integers(len(data))] ^= 1 << int(rng.integers(8))
    return bytes(damaged)


def _bytes_damaged(link: Link, rng: np.random.Generator) -> None:
    link.up.append(lambda arrival_s, data: [(arrival_s, _flipped(rng, data) if rng.random() < _CHANCE else data)])


def _bytes_duplicated(link: Link, rng: np.random.Generator) -> None:
    def carry(arrival_s: float, data: bytes) -> list[Arrival]:
        chance = rng.random()
        if chance < _CHANCE / 2:
            return [(arrival_s, data), (arrival_s, data)]
        if chance < _CHANCE:
            begin, end = _piece(rng, data, 60)
            data = data[:end] + data[begin:]
        return [(arrival_s, data)]

    link.up.append(carry)


def _noise_burst(link: Link, rng: np.random.Generator) -> None:
    next_s = rng.uniform(1.0, 3.0)

    def carry(arrival_s: float, data: bytes) -> list[Arrival]:
        nonlocal next_s
        if arrival_s < next_s:
            return [(arrival_s, data)]
        next_s = arrival_s + rng.uniform(0.5, 3.0)
        return [(arrival_s, rng.bytes(int(rng.integers(1, 500)))), (arrival_s, data)]

    link.up.append(carry)


def _stall(link: Link, rng: np.random.Generator) -> None:
    begin_s = rng.uniform(3.0, 8.0)
    end_s = begin_s + 3.0
    link.up.append(lambda arrival_s, data: [(end_s if begin_s <= arrival_s < end_s else arrival_s, data)])


def _slow_bridge(link: Link, rng: np.random.Generator) -> None:
    link.up.append(lambda arrival_s, data: [(math.ceil(arrival_s / 0.016) * 0.016, data)])


def _commands_damaged(link: Link, rng: np.random.Generator) -> None:
    link.down.append(lambda data: _flipped(rng, data) if data and rng.random() < _CHANCE_DOWN else data)


def _unplug(link: Link, rng: np.random.Generator) -> None:
    link.unplugged_at_s = rng.uniform(3.0, 10.0)


def _board_reset(link: Link, rng: np.random.Generator) -> None:
    link.board_reset_at_s = rng.uniform(3.0, 10.0)


LINK_FAULTS: Mapping[str, LinkFault] = {
    fault.name: fault
    for fault in (
        LinkFault("bytes-lost", "one frame in a hundred loses up to 40 bytes", _bytes_lost),
        LinkFault("bytes-damaged", "one frame in a hundred has a bit flipped", _bytes_damaged),
        LinkFault("bytes-duplicated", "one frame in a hundred comes twice, or a piece of it does", _bytes_duplicated),
        LinkFault("noise-burst", "every few seconds up to 500 random bytes come between frames", _noise_burst),
        LinkFault("stall", "after some seconds nothing comes for three seconds, then all at once", _stall),
        LinkFault("slow-bridge", "the bridge hands bytes over only every 16 ms", _slow_bridge),
        LinkFault("commands-damaged", "one command in twenty has a bit flipped", _commands_damaged),
        LinkFault("unplug", "after some seconds the cable is pulled", _unplug),
        LinkFault("board-reset", "after some seconds the board resets", _board_reset),
    )
}


def faulty_link(names: Iterable[str], seed: int) -> Link:
    """Return a link with these faults, each with moments of its own drawn from `seed`. KeyError for a name that is not in LINK_FAULTS."""
    link = Link()
    for name in names:
        LINK_FAULTS[name].enter(link, np.random.default_rng([seed, list(LINK_FAULTS).index(name), 0x11]))
    return link
