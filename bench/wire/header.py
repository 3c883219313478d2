"""What every frame's header says of the board at that moment (firmware/PROTOCOL.md section 3)."""

from __future__ import annotations

from functools import lru_cache
from typing import Literal, NamedTuple, TypeAlias, get_args

ModeName: TypeAlias = Literal["FAST", "PREC"]
"""The sample modes, by the short words of `SENSe:MODE`."""
MODE_NAMES: tuple[ModeName, ...] = get_args(ModeName)


class HeaderState(NamedTuple):
    """The bits of a header's bytes `state` and `flags`, for both ends of the wire.

    `range_number`: the voltage range selected, 0 to 3. `run`: number of the run, modulo 4. `samples_lost`: the board itself could not keep
    up before this frame. `line_lost`: a command line was too long for the board or came too fast. `comparator`: the voltage at the unit's
    output is above half that at its input.
    """

    master: bool = False
    tripped: bool = False
    range_number: int = 0
    precise: bool = False
    sampling: bool = False
    run: int = 0
    samples_lost: bool = False
    line_lost: bool = False
    comparator: bool = False

    def encode(self) -> tuple[int, int]:
        """Return the bytes `state` and `flags`."""
        state = self.master | self.tripped << 1 | self.range_number << 2 | self.precise << 4 | self.sampling << 5 | self.run << 6
        return state, self.samples_lost | self.line_lost << 1 | self.comparator << 2


@lru_cache(maxsize=1024)  # a run shows a handful of them; cached, reading a bit costs no more than masking it
def decode_state(state: int, flags: int) -> HeaderState:
    """Return what the bytes `state` and `flags` say; bits of `flags` that are not known are passed over (PROTOCOL.md section 11)."""
    return HeaderState(
        master=bool(state & 1),
        tripped=bool(state & 2),
        range_number=state >> 2 & 3,
        precise=bool(state & 16),
        sampling=bool(state & 32),
        run=state >> 6 & 3,
        samples_lost=bool(flags & 1),
        line_lost=bool(flags & 2),
        comparator=bool(flags & 4),
    )


class Header:
    """What samples and events have in common: when, and how the board stood at that moment (`HeaderState` says what each bit means).

    `stamp` counts samples modulo 2**32. `loads` has bit n-1 set for load n closed. `edges`: comparator changes since the last frame.
    (Frames are tuples, because hundreds are made in a second, and a tuple is made in a third of the time of a dataclass.)
    """

    __slots__ = ()

    sequence: int
    stamp: int
    loads: int
    state: int
    flags: int
    edges: int

    @property
    def closed_loads(self) -> frozenset[int]:
        """Numbers of the loads that were closed."""
        return frozenset(n for n in range(1, 9) if self.loads >> (n - 1) & 1)

    @property
    def mode(self) -> ModeName:
        """The sampling mode."""
        return "PREC" if self.precise else "FAST"

    @property
    def master(self) -> bool:
        """Whether the master switch was on."""
        return decode_state(self.state, self.flags).master

    @property
    def tripped(self) -> bool:
        """Whether the board had opened by itself."""
        return decode_state(self.state, self.flags).tripped

    @property
    def range_number(self) -> int:
        """The voltage range selected."""
        return decode_state(self.state, self.flags).range_number

    @property
    def precise(self) -> bool:
        """Whether sampling was precise."""
        return decode_state(self.state, self.flags).precise

    @property
    def sampling(self) -> bool:
        """Whether a run was on."""
        return decode_state(self.state, self.flags).sampling

    @property
    def run(self) -> int:
        """Number of the run, modulo 4."""
        return decode_state(self.state, self.flags).run

    @property
    def samples_lost(self) -> bool:
        """Whether the board lost samples before this frame."""
        return decode_state(self.state, self.flags).samples_lost

    @property
    def line_lost(self) -> bool:
        """Whether the board lost a command line."""
        return decode_state(self.state, self.flags).line_lost

    @property
    def comparator(self) -> bool:
        """Whether the output was above half the input."""
        return decode_state(self.state, self.flags).comparator
