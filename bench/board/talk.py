"""Talking with a board: queries and their replies, commands that are known to have arrived, frames to the listener.

Lost or damaged replies are asked for again. A reply counts only if it can be read as an answer of the kind that was asked for
(`bench.wire.answers`), and is compared by its value. Whatever the board does by itself (a trip, a restart, silence) is raised as a
`BoardFault` from whichever call notices.

A board is late, or silent, by the time in which it was listened to. A computer that stands still (it is busy, asleep, or this program was
stopped) has not listened meanwhile: what came up by then waits, and is no evidence against the board.
"""

from __future__ import annotations

import logging
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from typing import Any, TypeAlias, TypeVar

from bench.board.commanded import Commanded
from bench.board.expect import Expect, quoted, shown
from bench.board.faults import TRIP_TEXT
from bench.errors import BoardContradicts, BoardFault, BoardLate, BoardMisspoken, BoardRefused, BoardRestarted, BoardSilent, BoardTripped
from bench.measure import BenchFault
from bench.ports import Port
from bench.ports.replay import HEARTBEAT, CaptureWriter
from bench.typed_json import encode
from bench.wire import (
    Decoder,
    EventFrame,
    EventKind,
    Reply,
    ResetCause,
    SampleFrame,
    TripCause,
    cause_word,
    encode_command,
    format_number,
)
from bench.wire.answers import ERROR, NUMBER, Answer

HEARTBEAT_S = 0.3
# What a board has for a reply (PROTOCOL.md section 2), what is granted to link and computer, and how many times the former is waited.
REPLY_S = 0.5
LONG_REPLY_S = 2.0
TRIES = 6
PUMP_S = 0.05
_GRANTED_S = 0.05
_PATIENCE = 2.0
_ANSWER_S = 0.01
_LEAST_S = 1e-6  # of a read: the clock of a port that is asked to wait for less may not go on at all
_STALL_S = 1.0

_log = logging.getLogger(__name__)

T = TypeVar("T")
Listener: TypeAlias = Callable[[Sequence[SampleFrame | EventFrame], float], None]


class BoardTalk:
    """What a `BoardClient` says and hears, whatever it is about.

    `listener` gets frames as they come; `idle` is called before each line and each read, and may raise to break off (a cancelled test).
    """

    def __init__(self, port: Port, capture: CaptureWriter | None = None) -> None:
        self.port = port
        self.listener: Listener | None = None
        self.idle: Callable[[], None] | None = None
        self.retries = 0
        self.strays = 0
        self._other: str | None = None  # the last answer that was of another kind
        self._capture = capture
        self._decoder = Decoder()
        self._commanded = Commanded()
        self._replies: deque[str] = deque(maxlen=64)
        self._written_s = -1e9
        self._waited_s = 0.0  # listened in vain for the answer that is asked for
        self._new_frames, self._unfed_s = 0, 0.0  # and listened for so long since the last of them
        self._alert: BoardFault | None = None
        self._watch = False
        self._sampling = False
        self._ending = False
        self._half_said = False

    def send(self, line: str) -> None:
        """Send a line, without knowing whether it arrives, unless it is time to break off. The board comes first, then the capture."""
        data = encode_command(line)
        if self.idle is not None:
            self.idle()
        if self._half_said:
            # What was broken off in the middle must not spoil this line.
            data = b"\n" + data
        self._half_said = True
        self.port.write(data)
        self._half_said = False
        self._commanded.note_sent(line)
        self._written_s = self.port.now_s()
        if self._capture is not None:
            self._capture.sent(data, self._written_s)

    def query(self, line: str, kind: Answer[T], duty_s: float = REPLY_S, tries: int = TRIES) -> T:
        """Return the value of the answer to a query, which must be of this kind. `duty_s`: what a board has for it.

        BoardSilent if none comes, BoardMisspoken if what comes is of another kind, BoardLate if it comes too late. Where it had to be asked
        again, a reply counts if no other follows: else both were late, and the first is not the answer to what was asked last.
        """
        # While everything is opened, that is said again at once instead.
        patience_s, tries = (duty_s, 1) if self._ending else (_PATIENCE * duty_s, tries)
        self._replies.clear()
        self._waited_s = 0.0
        asking = f"asking {line} of the board at {self.port.address}:"
        for attempt in range(tries):
            self.retries += attempt > 0
            self._other = None
            self.send(line)
            found = self._answer(kind, patience_s)
            if found is None:
                continue
            late_s = self._waited_s
            if late_s > duty_s + _GRANTED_S and (attempt == 0 or self._answer(kind, patience_s + _GRANTED_S) is not None):
                what = f"it answers too late ({late_s:.1f} s; the page allows {duty_s:g} s)"
                raise BoardLate(f"{asking} {what}; look at its program and at the bridge")
            return found[0]
        if self._other is not None:
            what = f"it answers {quoted(self._other)}, expected {kind.text}"
            raise BoardMisspoken(f"{asking} {what}; it does not keep to the board protocol")
        raise BoardSilent(f"{asking} no answer in {tries} tries of {patience_s:g} s; look at cable and power")

    def _answer(self, kind: Answer[T], patience_s: float) -> tuple[T] | None:
        """Return the value of the next reply that is of this kind, None if none comes in time; the last that is of another is kept."""
        left_s = patience_s
        while True:
            while self._replies:
                text = self._replies.popleft()
                try:
                    return (kind.read(text),)
                except ValueError:
                    self.strays += 1
                    self._other = text
            if left_s <= 0.0:
                return None
            listened_s = self._pump(min(_ANSWER_S, max(left_s, _LEAST_S)))
            left_s -= listened_s
            self._waited_s += listened_s

    def command(self, line: str, expect: Expect[Any] | None = None) -> None:
        """Send a command and make sure: by the error queue, and by what `expect` says. BoardRefused if it won't."""
        problem = ""
        for attempt in range(1 if self._ending else TRIES):
            if attempt:
                # The line was damaged or lost on the way, or an error stood in the queue from before: say it again.
                self.retries += 1
                self.send("*CLS")
            self.send(line)
            problem = self._problem(expect)
            if not problem:
                return
        raise BoardRefused(f"telling {line} to the board at {self.port.address}: {problem}")

    def _problem(self, expect: Expect[Any] | None) -> str:
        """Return what shows that the lines sent last were not done; empty if they were, which frames must show from now on."""
        number, text = self.query("SYST:ERR?", ERROR)
        if number:
            return f"error {number} {text}"
        if expect is None:
            return ""
        answer = self.query(expect.ask, expect.kind)
        if not expect.kind.same(answer, expect.wanted):
            return f"{expect.ask} answers {shown(answer)}, not {shown(expect.wanted)}"
        self._commanded.confirmed(expect.ask, answer)
        return ""

    def set_number(self, header: str, value: float) -> None:
        """Set what `header` names to `value`, in the unit that the protocol has for it, and make sure."""
        self.command(f"{header} {format_number(value)}", Expect(f"{header}?", NUMBER, value))

    def attend(self, seconds: float) -> None:
        """Spend this long listening and keeping the board's attention."""
        while seconds > 0.0:
            seconds -= self._pump(min(PUMP_S, max(seconds, _LEAST_S)))

    def _pump(self, timeout_s: float) -> float:
        """Read once: bytes to the capture, replies kept, frames to the listener; then whatever is the matter is raised. Return for how long
        the board was listened to, in s: as long as it took, but for what this computer stood still."""
        began_s = self.port.now_s()
        if self.idle is not None:
            self.idle()
        if self.port.now_s() - self._written_s >= HEARTBEAT_S - PUMP_S:
            self.send(HEARTBEAT)
        data = self.port.read(timeout_s)
        now_s = self.port.now_s()
        if data:
            self._take(data, now_s)
        listened_s = min(self.port.now_s() - began_s, timeout_s + _GRANTED_S)
        self._unfed_s += listened_s
        if self._alert is None and self._sampling and self._unfed_s > _STALL_S:
            self._alert = BoardSilent(f"the board at {self.port.address} stopped sending new samples; look at the cable")
        if self._watch and self._alert is not None:
            alert, self._alert = self._alert, None
            raise alert
        return listened_s

    def _take(self, data: bytes, now_s: float) -> None:
        if self._capture is not None:
            self._capture.received(data, now_s)
        frames: list[SampleFrame | EventFrame] = []
        for piece in self._decoder.feed(data):
            if isinstance(piece, Reply):
                self._replies.append(piece.text)
            else:
                frames.append(piece)
                if self._commanded.is_new(piece):
                    self._new_frames, self._unfed_s = self._new_frames + 1, 0.0
                self._notice(piece)
        if frames and self.listener is not None:
            self._tell_listener(frames, now_s)

    def _tell_listener(self, frames: Sequence[SampleFrame | EventFrame], now_s: float) -> None:
        assert self.listener is not None
        try:
            self.listener(frames, now_s)
        except Exception:
            if not self._ending:
                raise
            # A listener that fails must not keep the loads closed.
            _log.debug("listening while everything is being opened", exc_info=True)
            self.listener = None

    def _notice(self, frame: SampleFrame | EventFrame) -> None:
        """Notice trips, restarts and contradictions; a trip shows in every later frame too, should its own event be lost."""
        contradiction = self._commanded.contradiction(frame)
        if isinstance(frame, EventFrame) and frame.kind == EventKind.STARTED:
            cause = cause_word(ResetCause, frame.reason)
            self._alert = BoardRestarted(
                f"the board at {self.port.address} restarted by itself (cause {cause}); look at its supply and cable"
            )
        elif isinstance(frame, EventFrame) and frame.kind == EventKind.TRIP:
            known = TripCause(frame.reason) if frame.reason in set(TripCause) else None
            why = TRIP_TEXT[known] if known is not None else f"for its cause {frame.reason}, which this program does not know"
            self._alert = BoardTripped(f"the board at {self.port.address} opened everything: {why}", known)
        elif frame.tripped and self._alert is None:
            self._alert = BoardTripped(f"the board at {self.port.address} opened everything; the cause was lost on the way", None)
        elif contradiction and self._alert is None:
            text = f"the board at {self.port.address} contradicts itself: {contradiction}; nothing that it shows counts: restart it"
            self._alert = BoardContradicts(f"{text}, and have it looked at if that does not help")

    def _clock_s(self) -> float:
        """Return the port's time; that of the last line sent, should the clock fail."""
        try:
            return self.port.now_s()
        except BaseException:
            return self._written_s

    def link(self) -> Mapping[str, int]:
        """Damage so far, by kind."""
        damage: dict[str, Any] = encode(self._decoder.damage)
        return {**damage, "replies_asked_again": self.retries, "replies_unexpected": self.strays}

    def note(self, **content: Any) -> None:
        """Put a note in the capture, if there is one."""
        if self._capture is not None:
            self._capture.note(content, self._clock_s())

    def note_fault(self, fault: BenchFault) -> None:
        """Put a fault of the bench in the capture, or it would be forgotten when that is judged again."""
        self.note(note="bench fault", **encode(fault))
