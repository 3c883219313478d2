"""What the contract's tests take from a board's description and from its frames."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from bench.description import BoardDescription, parse_description, scan_plan
from bench.lamps import expected_current_a
from bench.wire import (
    SAMPLES_PER_FRAME,
    EventFrame,
    SampleFrame,
    format_channels,
    unpack_samples,
)

SYSTEM_V = 12.0


@dataclass(frozen=True)
class Loads:
    """The loads of a description as tests need them: two lamps of the most watts, and one more load of any kind.

    numbers: those that the board has, loads of kinds that no host knows among them; lacking: one that it has not.
    """

    description: BoardDescription
    all: tuple[int, ...]
    numbers: frozenset[int]
    lacking: int
    a: int
    b: int
    other: int

    @property
    def both(self) -> str:
        return format_channels((self.a, self.b))

    @property
    def both_bits(self) -> int:
        return bits(self.a, self.b)

    def amps(self, volts: float, *numbers: int) -> float:
        """What these lamps take when lit, by the page."""
        return expected_current_a([self.description.loads[n].nominal for n in numbers], SYSTEM_V, volts)


def bits(*numbers: int) -> int:
    return sum(1 << (n - 1) for n in numbers)


def one(number: int) -> str:
    """A channel list of this load."""
    return format_channels((number,))


def loads_of(lines: Iterable[str]) -> Loads:
    """Of a description's lines as they came: what a host passes over may still be a load of the board's."""
    lines = list(lines)
    description = parse_description(lines)
    lamps = sorted((n for n, load in description.loads.items() if load.kind == "LAMP"), key=lambda n: (-description.loads[n].nominal, n))
    assert len(lamps) >= 2, "the contract's bench has two filament lamps at least"
    a, b = lamps[:2]
    other = next(n for n in sorted(description.loads, reverse=True) if n not in (a, b))
    numbers = frozenset(round(float(line.split(",")[1])) for line in lines if line.startswith("load,"))
    lacking = next(n for n in range(1, 10) if n not in numbers)
    return Loads(description, tuple(sorted(description.loads)), numbers, lacking, a, b, other)


def readings(frames: Sequence[SampleFrame], description: BoardDescription, name: str) -> Mapping[int, float]:
    """Readings of a channel by stamp, at its places of the scan plan."""
    if not frames:
        return {}
    plan = np.zeros(64 * description.slots, bool)
    plan[scan_plan(description)[name]] = True
    r = description.channels[name].range(frames[0].range_number)
    stamps = np.concatenate([frame.stamp + np.arange(SAMPLES_PER_FRAME) for frame in frames])
    counts = unpack_samples([frame.body for frame in frames]).ravel()
    mine = plan[stamps % len(plan)]
    return dict(zip(stamps[mine].tolist(), ((counts[mine] - r.zero) * r.scale).tolist(), strict=True))


def current_channel(description: BoardDescription) -> str:
    """The channel for small currents; a board may lack the narrow one."""
    return "i_load_low" if "i_load_low" in description.channels else "i_load"


def loop_ohm(description: BoardDescription) -> float:
    """Resistance from the supply to the lamps, 0.10 ohm where the description says nothing of it."""
    return 0.10 if description.loop is None else description.loop.ohm


def seconds(description: BoardDescription, begin: EventFrame, end: EventFrame, mode: str = "FAST") -> float:
    """Time between two events of a run by the board's own stamps."""
    ticks = description.modes[mode].ticks_per_sample
    return ((end.stamp - begin.stamp) * ticks + end.ticks - begin.ticks) / description.clock_hz


def settled_samples(description: BoardDescription, name: str = "i_load") -> int:
    """Samples after which a step has passed a channel's input filter: ten time constants, and one."""
    return 1 + round(10.0 * description.channels[name].delay_s / description.sample_period_s("FAST"))
