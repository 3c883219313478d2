"""The conversation with a board: queries and their replies, commands that are known to have arrived, frames to whoever listens.

An edge: it drives a port. Lost or damaged replies are asked for again. A reply counts only if it can be read as an answer of the kind that
was asked for (`bench.wire.answers`), and is compared by its value. Whatever the board does by itself (a trip, a restart, silence) is raised
as a `BoardFault` from whichever call notices.

A board is late, or silent, by the time in which it was listened to. A computer that stands still (it is busy, asleep, or this program was
stopped) has not listened meanwhile: what came up by then waits, and is no evidence against the board.
"""

from __future__ import annotations

import logging
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict
from typing import Any, NamedTuple, TypeAlias, TypeVar

from bench.description import LINES_MOST, BoardDescription, DescriptionError, description_crc, parse_description
from bench.measure import BenchFault
from bench.ports import Port, PortError
from bench.ports.replay import HEARTBEAT, CaptureWriter
from bench.session.board.expect import Expect, quoted, shown
from bench.session.board.faults import (
    SELF_TEST_TEXT,
    TRIP_TEXT,
    BoardContradicts,
    BoardFault,
    BoardLacks,
    BoardLate,
    BoardMisspoken,
    BoardRefused,
    BoardRestarted,
    BoardSilent,
    BoardTripped,
)
from bench.session.commanded import Commanded
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
    format_channels,
    format_number,
)
from bench.wire.answers import CHANNELS, DESCRIPTION_LINE, DONE, ERROR, IDENTITY, NAME, NUMBER, STAMP, SWITCH, Answer, whole

HEARTBEAT_S = 0.3
# What a board has for a reply (PROTOCOL.md section 2), what is granted to link and computer, and how many times the former is waited.
REPLY_S = 0.5
LONG_REPLY_S = 2.0
_GRANTED_S = 0.05
_PATIENCE = 2.0
_PUMP_S = 0.05
_ANSWER_S = 0.01
_NO_TIME_S = 1e-6  # no clock of a port tells so little apart
_TRIES = 6
_STALL_S = 1.0
_DESCRIPTION_S = 30.0
_SAFE_S = 2.5
"""How long a board is asked whether everything is open: one that hears nothing any more has opened it by itself after a second."""
_SAFE_TRIES = 12  # should the port's clock stand still, or what is raised come at once

_log = logging.getLogger(__name__)

T = TypeVar("T")
Listener: TypeAlias = Callable[[Sequence[SampleFrame | EventFrame], float], None]


class StampAsked(NamedTuple):
    """`SYSTem:STAMp?` answered: the run stood at `stamp` and `ticks` at a moment between `sent_s` and `received_s` of the port's clock."""

    stamp: int
    ticks: int
    sent_s: float
    received_s: float


_MASTER_OFF = Expect("OUTP?", SWITCH, False)
_NONE_CLOSED: Expect[frozenset[int]] = Expect("ROUT:CLOS?", CHANNELS, frozenset())
_TESTS_MOST = 0xFFFF

class BoardClient:
    """One board behind one port.

    `listener` gets frames as they come; `idle` is called before each line and each read, and may raise to break off (a cancelled test).
    `described`: the lines of its description, as they came.
    """

    def __init__(self, port: Port, capture: CaptureWriter | None = None) -> None:
        self.port = port
        self.listener: Listener | None = None
        self.idle: Callable[[], None] | None = None
        self.retries = 0
        self.strays = 0
        self._other: str | None = None  # the last answer that was of another kind
        self.described: tuple[str, ...] = ()
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

    # --- talking

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
        self._commanded.told(line)
        self._written_s = self.port.now_s()
        if self._capture is not None:
            self._capture.sent(data, self._written_s)

    def query(self, line: str, kind: Answer[T], duty_s: float = REPLY_S, tries: int = _TRIES) -> T:
        """The value of the answer to a query, which must be of this kind. `duty_s`: what a board has for it.

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
        """The value of the next reply that is of this kind, None if none comes in time; the last that is of another is kept."""
        left_s = patience_s
        while True:
            while self._replies:
                text = self._replies.popleft()
                try:
                    return (kind.read(text),)
                except ValueError:
                    self.strays += 1
                    self._other = text
            if left_s <= _NO_TIME_S:
                return None
            listened_s = self._pump(min(_ANSWER_S, left_s))
            left_s -= listened_s
            self._waited_s += listened_s

    def command(self, line: str, expect: Expect[Any] | None = None) -> None:
        """Send a command and make sure: by the error queue, and by what `expect` says. BoardRefused if it won't."""
        problem = ""
        for attempt in range(1 if self._ending else _TRIES):
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
        """What shows that the lines sent last were not done; empty if they were, which frames must show from now on."""
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
        """Set something that is a number, and make sure."""
        self.command(f"{header} {format_number(value)}", Expect(f"{header}?", NUMBER, value))

    def close_loads(self, loads: Sequence[int]) -> None:
        """Close these loads and no others."""
        channels = format_channels(loads)
        for _ in range(_TRIES):
            # A damaged line may have closed others: begin with none.
            self.command("ROUT:OPEN:ALL", _NONE_CLOSED)
            try:
                return self.command(f"ROUT:CLOS {channels}", Expect("ROUT:CLOS?", CHANNELS, frozenset(loads)))
            except BoardRefused as error:
                refusal = error
        raise refusal

    def switch_loads(self, loads: Sequence[int]) -> None:
        """Change the closed loads to exactly these while the unit goes on: what stays is not touched. BoardRefused if it won't.

        What is too much opens before what is missing closes. Only where no load stays closed does it close first, so that a unit that
        conducts is never without one.
        """
        wanted = frozenset(loads)
        problem = ""
        for attempt in range(_TRIES):
            if attempt:
                # As in `command`; a damaged line may also have switched another load, so begin with what is closed now.
                self.retries += 1
                self.send("*CLS")
            closed = self.query("ROUT:CLOS?", CHANNELS)
            steps = [("OPEN", closed - wanted), ("CLOS", wanted - closed)]
            for word, some in steps if closed & wanted else reversed(steps):
                if some:
                    self.send(f"ROUT:{word} {format_channels(some)}")
            problem = self._problem(Expect("ROUT:CLOS?", CHANNELS, wanted))
            if not problem:
                return
        raise BoardRefused(f"switching the loads of the board at {self.port.address} to {format_channels(wanted)}: {problem}")

    def switch_master(self, on: bool) -> None:
        self.command(f"OUTP {'ON' if on else 'OFF'}", Expect("OUTP?", SWITCH, on))

    def select_range(self, volts: float) -> int:
        """Have the lowest voltage range that reads these volts selected; its number."""
        self.command(f"SENS:VOLT:RANG {format_number(volts)}")
        number = self.query("SENS:VOLT:RANG?", whole(0, 3))
        self._commanded.confirmed("SENS:VOLT:RANG?", number)
        return number

    def all_open(self) -> None:
        self.switch_master(False)
        self.command("ROUT:OPEN:ALL", _NONE_CLOSED)

    # --- listening

    def attend(self, seconds: float) -> None:
        """Spend this long listening and keeping the board's attention."""
        while seconds > _NO_TIME_S:
            seconds -= self._pump(min(_PUMP_S, seconds))

    def _pump(self, timeout_s: float) -> float:
        """One read: bytes to the capture, replies kept, frames to the listener; then whatever is the matter is raised. Return for how long
        the board was listened to, in s: as long as it took, but for what this computer stood still."""
        began_s = self.port.now_s()
        if self.idle is not None:
            self.idle()
        if self.port.now_s() - self._written_s >= HEARTBEAT_S - _PUMP_S:
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
            # Whoever listens must not keep the loads closed.
            _log.debug("listening while everything is being opened", exc_info=True)
            self.listener = None

    def _notice(self, frame: SampleFrame | EventFrame) -> None:
        """Trips, restarts and contradictions; a trip shows in every later frame too, should its own event be lost."""
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

    # --- the usual conversation

    def open(self) -> BoardDescription:
        """Make contact (PROTOCOL.md section 7) and read what the board is. Everything is open afterwards. BoardFault if not."""
        self._watch = False
        self.attend(0.05)
        self.send("")
        self.query("*OPC?", DONE, tries=8)
        self.command("*CLS")
        self.command("*RST", _MASTER_OFF)
        description = self._describe()
        self._alert = None
        self._watch = True
        return description

    def _describe(self) -> BoardDescription:
        """The board's description, read again if its check does not fit. BoardFault if it can't be used or takes too long."""
        reading = f"reading the description of the board at {self.port.address}:"
        until_s = self.port.now_s() + _DESCRIPTION_S
        for _ in range(3):
            count = self.query("SYST:BOAR?", whole(1, LINES_MOST))
            lines: list[str] = []
            for n in range(1, count + 1):
                lines.append(self.query(f"SYST:BOAR:LINE? {n}", DESCRIPTION_LINE))
                if self.port.now_s() > until_s:
                    came = f"only {n} of its {count} lines came in {_DESCRIPTION_S:g} s"
                    raise BoardFault(f"{reading} {came}; the board or the line to it is too slow")
            if self.query("SYST:BOAR:CHEC?", whole(0, 0xFFFF)) == description_crc(lines):
                try:
                    description = parse_description(lines)
                except DescriptionError as error:
                    raise BoardFault(f"{reading} {error}") from error
                self.described = tuple(lines)
                return description
            self.retries += 1
        raise BoardFault(f"{reading} its check does not fit the {count} lines that came")

    def need_channels(self, description: BoardDescription) -> None:
        """BoardLacks if the board lacks a channel without which nothing can be said of a unit."""
        if description.missing:
            lacks = f"the board at {self.port.address} has no channel {' and no '.join(description.missing)}"
            raise BoardLacks(f"{lacks}, which every test of a unit needs; makebreak check tells what the board has")

    def self_test(self) -> str:
        """Have the board test itself, not while sampling. What it finds wrong, or empty."""
        result = self.query("*TST?", whole(0, _TESTS_MOST), duty_s=LONG_REPLY_S)
        self.command("*CLS")
        wrong = [text for bit, text in SELF_TEST_TEXT.items() if result & bit]
        unknown = result & ~sum(SELF_TEST_TEXT)
        return "; ".join([*wrong, f"it says {unknown}, which this program does not know"] if unknown else wrong)

    def identity(self) -> str:
        return self.query("*IDN?", IDENTITY)

    def simulated_unit(self) -> str | None:
        """The unit in a simulated board's socket; None for a real board, which does not know the word."""
        for _ in range(_TRIES):
            self.send("SIM:UNIT?")
            self.attend(_PUMP_S)
            # The board has its time for both replies.
            number, _ = self.query("SYST:ERR?", ERROR, duty_s=2.0 * REPLY_S)
            if number == 0:
                return self.query("SIM:UNIT?", NAME)
        # A damaged line is an unknown word too, but not so often in a row.
        return None

    def start_sampling(self) -> None:
        """INITiate, and make sure that samples come."""
        for _ in range(_TRIES):
            self.send("INIT")
            number, text = self.query("SYST:ERR?", ERROR)
            before, self._unfed_s = self._new_frames, 0.0
            self.attend(0.1)
            if self._new_frames > before:
                self._sampling = True
                return self._commanded.began()
            if number <= -200 and number != -213:
                break
        raise BoardSilent(f"starting the samples of the board at {self.port.address}: none came (error {number} {text})")

    def stop_sampling(self) -> None:
        self._sampling = False
        self.command("ABOR")
        self.attend(0.1)

    def make_safe(self) -> str:
        """Open everything, whatever else fails. Empty if the board confirmed it, else the one-line reason why that is not known.

        The first thing done is to send `*RST`. Nothing is raised, not even by the keyboard; it takes some _SAFE_S at the most.
        """
        self.idle = None
        self._watch = self._sampling = False
        self._ending = True
        problem: BaseException | None = None
        until_s: float | None = None
        for attempt in range(_SAFE_TRIES):
            try:
                if attempt:
                    self.send("*RST")
                    self.send("*CLS")
                self.command("*RST", _MASTER_OFF)
                self.all_open()
                problem = None
                break
            except BaseException as error:
                problem = error
            now_s = self._clock_s()
            until_s = now_s + _SAFE_S if until_s is None else until_s
            if now_s > until_s:
                break
        self._ending = False
        if problem is None:
            return ""
        return f"the board did not confirm that everything is open ({_line(problem)}); it opens by itself within a second of silence"

    def _clock_s(self) -> float:
        """The port's time; that of the last line sent, should the clock fail."""
        try:
            return self.port.now_s()
        except BaseException:
            return self._written_s

    def go_on(self, idle: Callable[[], None] | None) -> None:
        """Work with the board again after `make_safe`: it must have got over its trip. BoardFault if it has not."""
        self.command("*CLS")
        self._alert = None
        self._watch, self.idle = True, idle

    def ask_stamp(self) -> StampAsked:
        """Where in the run the board is, and when that was. However often it must be asked: the first question was sent before, and the
        answer came after."""
        sent_s = self.port.now_s()
        stamp, ticks = self.query("SYST:STAM?", STAMP)
        return StampAsked(stamp, ticks, sent_s, self.port.now_s())

    def link(self) -> Mapping[str, int]:
        """Damage so far, by kind."""
        damage: dict[str, Any] = asdict(self._decoder.damage)
        return {**damage, "replies_asked_again": self.retries, "replies_unexpected": self.strays}

    def note(self, **content: Any) -> None:
        """Put a note in the capture, if there is one."""
        if self._capture is not None:
            self._capture.note(content, self._clock_s())

    def note_fault(self, fault: BenchFault) -> None:
        """Put a fault of the bench in the capture, or it would be forgotten when that is judged again."""
        self.note(note="bench fault", **asdict(fault))


def _line(error: BaseException) -> str:
    """What was raised, in one line."""
    return str(error) if isinstance(error, PortError | BoardFault) else f"{type(error).__name__}: {error}".rstrip(": ")
