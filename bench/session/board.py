"""The conversation with a board: queries and their replies, commands that are known to have arrived, frames to whoever listens.

An edge: it drives a port. Lost or damaged replies are asked for again; a reply counts only if it looks like an answer to what was
asked. Whatever the board does by itself (a trip, a restart, silence) is raised as a `BoardFault` from whichever call notices.
"""

from __future__ import annotations

import re
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict
from typing import Any, NamedTuple, TypeAlias

from bench.description import BoardDescription, DescriptionError, description_crc, parse_description
from bench.measure import BenchFault
from bench.ports import Port, PortError
from bench.ports.replay import HEARTBEAT, CaptureWriter
from bench.session.commanded import Commanded
from bench.wire import (
    Decoder,
    EventFrame,
    EventKind,
    Reply,
    ResetCause,
    SampleFrame,
    TripCause,
    encode_command,
    format_channels,
    format_number,
    parse_channels,
    parse_error,
)

HEARTBEAT_S = 0.3
REPLY_S = 0.5
SELF_TEST_S = 2.5
_PUMP_S = 0.05
_ANSWER_S = 0.01
_TRIES = 6
_STALL_S = 1.0
_CHANNELS = r"\(@(\d(,\d)*)?\)"

Listener: TypeAlias = Callable[[Sequence[SampleFrame | EventFrame], float], None]


class StampAsked(NamedTuple):
    """`SYSTem:STAMp?` answered: the run stood at `stamp` and `ticks` at a moment between `sent_s` and `received_s` of the port's clock."""

    stamp: int
    ticks: int
    sent_s: float
    received_s: float


class BoardFault(Exception):
    """The bench failed, not the unit. One line: what happened, at which board, what to do."""


class BoardSilent(BoardFault):
    """No answer, or no more samples."""


class BoardTripped(BoardFault):
    """The board has opened everything by itself; `cause` is a TripCause or None if it could not be told."""

    def __init__(self, text: str, cause: TripCause | None) -> None:
        super().__init__(text)
        self.cause = cause


class BoardRestarted(BoardFault):
    """The board has started anew in the middle of the work."""


class BoardUnfit(BoardFault):
    """The board says of itself that something in it is wrong."""


class BoardContradicts(BoardFault):
    """The board's frames show another state than the one that it was told and has confirmed."""


class BoardRefused(BoardFault):
    """The board took a command for an error, or did not do it."""


_TRIP_TEXT: Mapping[TripCause, str] = {
    TripCause.NONE: "for no cause that it knows",
    TripCause.CURR: "over-current: look for a short in the unit, its wiring or a lamp, or for a unit that is in backwards",
    TripCause.LATC: "hardware over-current latch or emergency stop: look for a short in the unit, its wiring or a lamp, for a unit "
    "that is in backwards, and whether the stop button is pressed",
    TripCause.SIL: "it heard nothing from this computer for too long: look at the cable, and whether the computer was asleep",
    TripCause.TIME: "the supply was on for the longest time allowed",
    TripCause.SUPP: "a voltage went out of the range that protects the board: look at the supply",
}


_SELF_TEST_TEXT: Mapping[int, str] = {
    1: "its built-in standard reads wrong",
    2: "a channel is stuck",
    4: "its program memory is damaged",
    8: "its stored scales are damaged",
}


_VALUE: Mapping[str, Callable[[str], object]] = {"OUTP?": lambda text: text == "1", "ROUT:CLOS?": parse_channels, "SENS:VOLT:RANG?": int}


class BoardClient:
    """One board behind one port.

    `listener` gets frames as they come; `idle` is called between reads and may raise to break off (a cancelled test).
    """

    def __init__(self, port: Port, capture: CaptureWriter | None = None) -> None:
        self.port = port
        self.listener: Listener | None = None
        self.idle: Callable[[], None] | None = None
        self.retries = 0
        self.strays = 0
        self._capture = capture
        self._decoder = Decoder()
        self._commanded = Commanded()
        self._replies: deque[str] = deque(maxlen=64)
        self._written_s = -1e9
        self._frame_s = 0.0
        self._alert: BoardFault | None = None
        self._watch = False
        self._sampling = False

    # --- talking

    def send(self, line: str) -> None:
        """Send a line, without knowing whether it arrives."""
        data = encode_command(line)
        if self._capture is not None:
            self._capture.sent(data, self.port.now_s())
        self._commanded.told(line)
        self.port.write(data)
        self._written_s = self.port.now_s()

    def query(self, line: str, like: str = ".*", timeout_s: float = REPLY_S, tries: int = _TRIES) -> str:
        """The reply to a query; `like` is a pattern that every answer to it has, and others hardly. BoardSilent if none comes."""
        pattern = re.compile(like)
        for attempt in range(tries):
            if attempt:
                self.retries += 1
                # A reply may only be late: let it come and go, so that it isn't taken for the next one.
                self._pump(_PUMP_S)
            self._replies.clear()
            self.send(line)
            until_s = self.port.now_s() + timeout_s
            while True:
                while self._replies:
                    text = self._replies.popleft()
                    if pattern.fullmatch(text):
                        return text
                    self.strays += 1
                left_s = until_s - self.port.now_s()
                if left_s <= 0.0:
                    break
                self._pump(min(_ANSWER_S, left_s))
        tried = f"no answer in {tries} tries of {timeout_s:g} s"
        raise BoardSilent(f"asking {line} of the board at {self.port.address}: {tried}; look at cable and power")

    def command(self, line: str, ask: str | None = None, expected: str | None = None, like: str = r"[^,]*") -> None:
        """Send a command and make sure: by the error queue, and by asking `ask` for `expected`. BoardRefused if it won't."""
        problem = ""
        for attempt in range(_TRIES):
            if attempt:
                # The line was damaged or lost on the way, or an error stood in the queue from before: say it again.
                self.retries += 1
                self.send("*CLS")
            self.send(line)
            number, text = parse_error(self.query("SYST:ERR?", r'[+-]?\d+,"[^"]*"'))
            if number == 0:
                if ask is None:
                    return
                problem = self.query(ask, like)
                if problem == expected:
                    return self._commanded.confirmed(ask, _VALUE.get(ask, str)(problem))
                problem = f"{ask} answers {problem}, not {expected}"
            else:
                problem = f"error {number} {text}"
        raise BoardRefused(f"telling {line} to the board at {self.port.address}: {problem}")

    def set_number(self, header: str, value: float) -> None:
        """Set something that is a number, and make sure."""
        text = format_number(value)
        self.command(f"{header} {text}", f"{header}?", text)

    def close_loads(self, loads: Sequence[int]) -> None:
        """Close these loads and no others."""
        channels = format_channels(loads)
        for _ in range(_TRIES):
            # A damaged line may have closed others: begin with none.
            self.command("ROUT:OPEN:ALL", "ROUT:CLOS?", "(@)", like=_CHANNELS)
            try:
                return self.command(f"ROUT:CLOS {channels}", "ROUT:CLOS?", channels, like=_CHANNELS)
            except BoardRefused as error:
                refusal = error
        raise refusal

    def switch_loads(self, loads: Sequence[int]) -> None:
        """Change the closed loads to exactly these while the unit goes on: what stays is not touched. BoardRefused if it won't.

        What is too much opens before what is missing closes. Only where no load stays closed does it close first, so that a unit that
        conducts is never without one.
        """
        wanted, expected = frozenset(loads), format_channels(loads)
        problem = ""
        for attempt in range(_TRIES):
            if attempt:
                # As in `command`; a damaged line may also have switched another load, so begin with what is closed now.
                self.retries += 1
                self.send("*CLS")
            closed = parse_channels(self.query("ROUT:CLOS?", _CHANNELS))
            steps = [("OPEN", closed - wanted), ("CLOS", wanted - closed)]
            for word, some in steps if closed & wanted else reversed(steps):
                if some:
                    self.send(f"ROUT:{word} {format_channels(some)}")
            number, text = parse_error(self.query("SYST:ERR?", r'[+-]?\d+,"[^"]*"'))
            answer = self.query("ROUT:CLOS?", _CHANNELS)
            if number == 0 and answer == expected:
                return self._commanded.confirmed("ROUT:CLOS?", wanted)
            problem = f"error {number} {text}" if number else f"ROUT:CLOS? answers {answer}, not {expected}"
        raise BoardRefused(f"switching the loads of the board at {self.port.address} to {expected}: {problem}")

    def switch_master(self, on: bool) -> None:
        self.command(f"OUTP {'ON' if on else 'OFF'}", "OUTP?", "1" if on else "0", like="[01]")

    def select_range(self, volts: float) -> int:
        """Have the lowest voltage range that reads these volts selected; its number."""
        self.command(f"SENS:VOLT:RANG {format_number(volts)}")
        number = int(self.query("SENS:VOLT:RANG?", r"[0-3]"))
        self._commanded.confirmed("SENS:VOLT:RANG?", number)
        return number

    def all_open(self) -> None:
        self.switch_master(False)
        self.command("ROUT:OPEN:ALL", "ROUT:CLOS?", "(@)", like=_CHANNELS)

    # --- listening

    def attend(self, seconds: float) -> None:
        """Spend this long listening and keeping the board's attention."""
        until_s = self.port.now_s() + seconds
        while (left_s := until_s - self.port.now_s()) > 0.0:
            self._pump(min(_PUMP_S, left_s))

    def _pump(self, timeout_s: float) -> None:
        """One read: bytes to the capture, replies kept, frames to the listener; then whatever is the matter is raised."""
        if self.idle is not None:
            self.idle()
        if self.port.now_s() - self._written_s >= HEARTBEAT_S - _PUMP_S:
            self.send(HEARTBEAT)
        data = self.port.read(timeout_s)
        now_s = self.port.now_s()
        if data:
            self._take(data, now_s)
        if self._alert is None and self._sampling and now_s - self._frame_s > _STALL_S:
            self._alert = BoardSilent(f"the board at {self.port.address} stopped sending new samples; look at the cable")
        if self._watch and self._alert is not None:
            alert, self._alert = self._alert, None
            raise alert

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
                    self._frame_s = now_s
                self._notice(piece)
        if frames and self.listener is not None:
            self.listener(frames, now_s)

    def _notice(self, frame: SampleFrame | EventFrame) -> None:
        """Trips, restarts and contradictions; a trip shows in every later frame too, should its own event be lost."""
        contradiction = self._commanded.contradiction(frame)
        if isinstance(frame, EventFrame) and frame.kind == EventKind.STARTED:
            cause = ResetCause(frame.reason).name if frame.reason in set(ResetCause) else str(frame.reason)
            self._alert = BoardRestarted(
                f"the board at {self.port.address} restarted by itself (cause {cause}); look at its supply and cable"
            )
        elif isinstance(frame, EventFrame) and frame.kind == EventKind.TRIP:
            known = TripCause(frame.reason) if frame.reason in set(TripCause) else TripCause.NONE
            self._alert = BoardTripped(f"the board at {self.port.address} opened everything: {_TRIP_TEXT[known]}", known)
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
        self.query("*OPC?", "1", tries=8)
        self.command("*CLS")
        self.command("*RST", "OUTP?", "0")
        description = self._describe()
        self._alert = None
        self._watch = True
        return description

    def _describe(self) -> BoardDescription:
        problem = ""
        for _ in range(3):
            count = int(self.query("SYST:BOAR?", r"\d{1,3}"))
            lines = [self.query(f"SYST:BOAR:LINE? {n}", r"[a-z_]+(,[^,\s]+)+") for n in range(1, count + 1)]
            if int(self.query("SYST:BOAR:CHEC?", r"\d{1,5}")) == description_crc(lines):
                try:
                    return parse_description(lines)
                except DescriptionError as error:
                    raise BoardFault(f"reading the description of the board at {self.port.address}: {error}") from error
            problem = f"its check does not fit the {count} lines that came"
            self.retries += 1
        raise BoardFault(f"reading the description of the board at {self.port.address}: {problem}")

    def self_test(self) -> str:
        """Have the board test itself, not while sampling. What it finds wrong, or empty."""
        result = int(self.query("*TST?", r"\d{1,3}", timeout_s=SELF_TEST_S))
        self.command("*CLS")
        wrong = [text for bit, text in _SELF_TEST_TEXT.items() if result & bit]
        return "; ".join(wrong) or (f"it says {result}, which nobody knows" if result else "")

    def identity(self) -> str:
        return self.query("*IDN?", r"[^,]+,[^,]+,[^,]+,[^,]+")

    def simulated_unit(self) -> str | None:
        """The unit in a simulated board's socket; None for a real board, which does not know the word."""
        for _ in range(_TRIES):
            self.send("SIM:UNIT?")
            self.attend(_PUMP_S)
            number, _ = parse_error(self.query("SYST:ERR?", r'[+-]?\d+,"[^"]*"'))
            if number == 0:
                return self.query("SIM:UNIT?", r"[^,]*")
        # A damaged line is an unknown word too, but not so often in a row.
        return None

    def start_sampling(self) -> None:
        """INITiate, and make sure that samples come."""
        for _ in range(_TRIES):
            self.send("INIT")
            number, text = parse_error(self.query("SYST:ERR?", r'[+-]?\d+,"[^"]*"'))
            before_s = self._frame_s = self.port.now_s()
            self.attend(0.1)
            if self._frame_s > before_s:
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
        """Open everything, come what may. Empty if the board confirmed it, else the one-line reason why that is not known."""
        self.idle = None
        self._watch = self._sampling = False
        try:
            self.command("*RST", "OUTP?", "0", like="[01]")
            self.all_open()
        except (PortError, BoardFault) as error:
            return f"the board did not confirm that everything is open ({error}); it opens by itself within a second of silence"
        return ""

    def go_on(self, idle: Callable[[], None] | None) -> None:
        """Work with the board again after `make_safe`: it must have got over its trip. BoardFault if it has not."""
        self.command("*CLS")
        self._alert = None
        self._watch, self.idle = True, idle

    def ask_stamp(self) -> StampAsked:
        """Where in the run the board is, and when that was. However often it must be asked: the first question was sent before, and the
        answer came after."""
        sent_s = self.port.now_s()
        stamp, ticks = self.query("SYST:STAM?", r"\d{1,10},\d{1,5}").split(",")
        return StampAsked(int(stamp), int(ticks), sent_s, self.port.now_s())

    def link(self) -> Mapping[str, int]:
        """Damage so far, by kind."""
        damage: dict[str, Any] = asdict(self._decoder.damage)
        return {**damage, "replies_asked_again": self.retries, "replies_unexpected": self.strays}

    def note(self, **content: Any) -> None:
        """Put a note in the capture, if there is one."""
        if self._capture is not None:
            self._capture.note(content, self.port.now_s())

    def note_fault(self, fault: BenchFault) -> None:
        """Put a fault of the bench in the capture, or it would be forgotten when that is judged again."""
        self.note(note="bench fault", **asdict(fault))
