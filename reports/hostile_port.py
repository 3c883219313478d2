"""The line to a simulated board whose words, frames and bytes are changed on their way, as a sick or lying board would send them.

Frames are decoded, changed, and encoded again with their right CRC. A `Mischief` says what is changed; several apply in turn.
"""

from __future__ import annotations

import heapq
import itertools
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any, TypeAlias

from bench.errors import PortError
from bench.ports.simulated import SimulatedLine
from bench.simboard.board import SimulatedBoard
from bench.wire import Decoder, EventFrame, EventKind, Frame, Reply, SampleFrame, encode_event, encode_sample_frame

_STEP_S = 0.005
ADDRESS = "sim://hostile"


@dataclass(frozen=True, slots=True)
class Heard:
    """What became of a command line: `down`, the lines that the board gets in its place, and `up`, replies and after how many s."""

    down: tuple[str, ...] = ()
    up: tuple[tuple[float, str], ...] = ()


Up: TypeAlias = Frame | bytes
"""What goes up: a frame, or bytes that are sent as they are."""


@dataclass(frozen=True, slots=True)
class Mischief:
    """What a board does otherwise; each part is given the line on which it happens, and what is None is as with an honest board.

    - `begin`: done once, before the host says anything.
    - `line`: a command line from the host. `reply`: a reply, and what is sent in its place after how many s.
    - `frame`: a frame, and what is sent in its place. `more`: what comes besides; asked every few milliseconds.
    - `gone`: whether the port fails now. `own_sequence`: frames keep the sequence number that they were given.
    """

    text: str
    begin: Callable[[HostileLine], None] | None = None
    line: Callable[[HostileLine, str], Heard] | None = None
    reply: Callable[[HostileLine, str], Iterable[tuple[float, str]]] | None = None
    frame: Callable[[HostileLine, Frame], Iterable[Up]] | None = None
    more: Callable[[HostileLine], Iterable[Up]] | None = None
    gone: Callable[[HostileLine], bool] | None = None
    own_sequence: bool = False


class HostileLine:
    """The host's end of the cable, in the pace of the honest `line` beneath; it stands for that line wherever one is served.

    `until_s`: when a test that does not end is broken off, by an error of the port. `asked`: the last command line. `last`: the last frame
    of the board. `broke_s`: when the board became one that no host can work with, if it said so. `switched`: when which master and loads.
    """

    def __init__(self, line: SimulatedLine, mischiefs: Sequence[Mischief], until_s: float = float("inf")) -> None:
        assert isinstance(line.board, SimulatedBoard)
        self.board: SimulatedBoard = line.board
        self.asked = ""
        self.last: Frame | None = None
        self.broke_s: float | None = None
        self.endless = False
        self.switched: list[tuple[float, bool]] = []
        self._line = line
        self._mischiefs = mischiefs
        self._until_s = until_s
        self._decoder = Decoder()
        self._down = b""
        self._waiting: list[tuple[float, int, bytes]] = []
        self._number = itertools.count()
        self._sequence = -1
        self._watch_switches()
        for mischief in mischiefs:
            if mischief.begin is not None:
                mischief.begin(self)

    @property
    def now_s(self) -> float:
        return self._line.now_s

    @property
    def all_open(self) -> bool:
        return not self.board.master and not self.board.loads

    # --- the host's side

    def write(self, data: bytes) -> None:
        self._check()
        *lines, self._down = (self._down + data).split(b"\n")
        for line in lines:
            self._obey(line.decode("latin-1").strip())

    def read(self, timeout_s: float) -> bytes:
        deadline_s = self.now_s + max(timeout_s, 0.0)
        while True:
            self._check()
            self._gather(deadline_s)
            due = b"".join(self._due())
            if due or self.now_s >= deadline_s:
                return due

    def poll(self) -> bytes:
        """What is there, without waiting."""
        self._check()
        self._send(self._line.poll())
        self._add_more()
        return b"".join(self._due())

    def close(self) -> None:
        """Nothing to let go of."""

    def let_go(self, seconds: float) -> None:
        """Time passes, and nobody says or hears anything."""
        end_s = self.now_s + seconds
        while self.now_s < end_s:
            self._line.read(min(_STEP_S, end_s - self.now_s))

    def open_after(self, t_s: float) -> float | None:
        """How long after t_s everything was open for the first time; None if it never was."""
        if not [closed for at_s, closed in self.switched if at_s <= t_s][-1]:
            return 0.0
        return next((at_s - t_s for at_s, closed in self.switched if at_s > t_s and not closed), None)

    # --- what is done to it

    def broken(self) -> None:
        """From now on no host can work with this board."""
        if self.broke_s is None:
            self.broke_s = self.now_s

    def _check(self) -> None:
        if self.now_s > self._until_s:
            self.endless = True
            raise PortError(f"reading {ADDRESS}: the test does not end")
        if any(m.gone is not None and m.gone(self) for m in self._mischiefs):
            self.broken()
            raise PortError(f"reading {ADDRESS}: the port is gone")

    def _obey(self, text: str) -> None:
        self.asked = text
        lines: tuple[str, ...] = (text,)
        for mischief in self._mischiefs:
            if mischief.line is not None:
                heard = [mischief.line(self, line) for line in lines]
                lines = tuple(line for one in heard for line in one.down)
                for after_s, reply in (reply for one in heard for reply in one.up):
                    self._put(self.now_s + after_s, reply.encode("latin-1") + b"\n\0")
        for line in lines:
            self._line.write(line.encode("latin-1") + b"\n")

    def _gather(self, deadline_s: float) -> None:
        """Let time pass until bytes come, at most until then."""
        if self._waiting:
            deadline_s = min(deadline_s, max(self._waiting[0][0], self.now_s))
        if any(m.more is not None for m in self._mischiefs):
            deadline_s = min(deadline_s, self.now_s + _STEP_S)
        self._send(self._line.read(deadline_s - self.now_s))
        self._add_more()

    def _add_more(self) -> None:
        for mischief in self._mischiefs:
            for up in mischief.more(self) if mischief.more is not None else ():
                self._put(self.now_s, self._bytes(up))

    def _due(self) -> Iterator[bytes]:
        while self._waiting and self._waiting[0][0] <= self.now_s:
            yield heapq.heappop(self._waiting)[2]

    def _put(self, at_s: float, data: bytes) -> None:
        heapq.heappush(self._waiting, (at_s, next(self._number), data))

    def _send(self, data: bytes) -> None:
        for piece in self._decoder.feed(data):
            if isinstance(piece, Reply):
                for after_s, text in self._replies(piece.text):
                    self._put(self.now_s + after_s, text.encode("latin-1") + b"\n\0")
            else:
                self.last = piece
                for up in self._frames(piece):
                    self._put(self.now_s, self._bytes(up))

    def _replies(self, text: str) -> list[tuple[float, str]]:
        replies = [(0.0, text)]
        for mischief in self._mischiefs:
            if mischief.reply is not None:
                replies = [(after + more, new) for after, old in replies for more, new in mischief.reply(self, old)]
        return replies

    def _frames(self, frame: Frame) -> list[Up]:
        frames: list[Up] = [frame]
        for mischief in self._mischiefs:
            if mischief.frame is not None:
                frames = [new for old in frames for new in ((old,) if isinstance(old, bytes) else mischief.frame(self, old))]
        return frames

    def _bytes(self, up: Up) -> bytes:
        """As they go over the wire. Frames that were put in or left out do not show in the sequence numbers unless they are to."""
        if isinstance(up, bytes):
            return up
        if not any(m.own_sequence for m in self._mischiefs):
            self._sequence = 0 if _starts(up) else (self._sequence + 1) % 256
            up = up._replace(sequence=self._sequence)
        return encode_sample_frame(up) if isinstance(up, SampleFrame) else encode_event(up)

    def _watch_switches(self) -> None:
        world, switch = self.board.world, self.board.world.switch
        self.switched.append((0.0, False))

        def watched(**given: Any) -> None:
            switch(**given)
            self.switched.append((self.board.now_s, not self.all_open))

        world.switch = watched  # type: ignore[method-assign]


def _starts(frame: Frame) -> bool:
    return isinstance(frame, EventFrame) and frame.kind == EventKind.STARTED


class HostilePort:
    """A `Port` over such a line."""

    address = ADDRESS

    def __init__(self, line: HostileLine) -> None:
        self.line = line
        self.write, self.read, self.close = line.write, line.read, line.close

    def now_s(self) -> float:
        return self.line.now_s


def event(line: HostileLine, kind: int, reason: int = 0, value: int = 0, **header: int) -> EventFrame:
    """An event that the board did not send, with the header of its last frame but for what is given."""
    last = line.last
    stamp = 0 if last is None else last.stamp
    loads, state = (0, 0) if last is None else (last.loads, last.state)
    made = EventFrame(0, stamp, loads, state, 0, 0, kind, reason, 0, value)
    return made._replace(**header) if header else made
