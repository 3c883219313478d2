"""What is asked of a board: contact, description, switches, samples, and everything open at the end, whatever happens.

An edge: it drives a port. How it talks: `bench.board.talk`.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator, Sequence
from typing import NamedTuple

from bench.board.expect import Expect
from bench.board.faults import SELF_TEST_TEXT
from bench.board.talk import LONG_REPLY_S, PUMP_S, REPLY_S, TRIES, BoardTalk, Listener
from bench.description import LINES_MOST, BoardDescription, description_crc, parse_description
from bench.errors import BoardFault, BoardLacks, BoardRefused, BoardSilent, DescriptionError, PortError
from bench.ports import Port
from bench.ports.replay import CaptureWriter
from bench.wire import format_channels, format_number
from bench.wire.answers import CHANNELS, DESCRIPTION_LINE, DONE, ERROR, IDENTITY, NAME, STAMP, SWITCH, whole

_DESCRIPTION_S = 30.0
_SAFE_S = 2.5
"""How long a board is asked whether everything is open: one that hears nothing any more has opened it by itself after a second."""
_SAFE_TRIES = 12  # should the port's clock stand still, or what is raised come at once
_TESTS_MOST = 0xFFFF
_MASTER_OFF = Expect("OUTP?", SWITCH, False)
_NONE_CLOSED: Expect[frozenset[int]] = Expect("ROUT:CLOS?", CHANNELS, frozenset())


class StampAsked(NamedTuple):
    """`SYSTem:STAMp?` answered: the run stood at `stamp` and `ticks` at a moment between `sent_s` and `received_s` of the port's clock."""

    stamp: int
    ticks: int
    sent_s: float
    received_s: float


class BoardContact(NamedTuple):
    """What a board says of itself when contact is made: its answer to *IDN?, its description, and the unit in a simulated board's socket
    (None: the board is real)."""

    identity: str
    description: BoardDescription
    simulated_unit: str | None


class BoardClient(BoardTalk):
    """One board behind one port. `described`: the lines of its description, as they came."""

    def __init__(self, port: Port, capture: CaptureWriter | None = None) -> None:
        super().__init__(port, capture)
        self.described: tuple[str, ...] = ()

    def make_contact(self) -> BoardContact:
        """Return what the board is; everything is open afterwards. BoardFault if it does not answer as a board must."""
        description = self.open()
        contact = BoardContact(self.identity(), description, self._simulated_unit())
        self.command("*CLS")  # a real board took the question for the simulated unit for an error
        return contact

    def open(self) -> BoardDescription:
        """Return the board's description, read anew (PROTOCOL.md section 7). Everything is open afterwards. BoardFault if not."""
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
        """Return the board's description, read again if its check does not fit. BoardFault if it can't be used or takes too long."""
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
        """Raise BoardLacks if the board lacks a channel without which nothing can be said of a unit."""
        if description.missing:
            lacks = f"the board at {self.port.address} has no channel {' and no '.join(description.missing)}"
            raise BoardLacks(f"{lacks}, which every test of a unit needs; makebreak check tells what the board has")

    def identity(self) -> str:
        """Return the answer to *IDN?: maker, model, serial number, version of the program."""
        return self.query("*IDN?", IDENTITY)

    def self_test(self) -> str:
        """Have the board test itself, not while sampling. Return what it finds wrong; empty if nothing."""
        result = self.query("*TST?", whole(0, _TESTS_MOST), duty_s=LONG_REPLY_S)
        self.command("*CLS")
        wrong = [text for bit, text in SELF_TEST_TEXT.items() if result & bit]
        unknown = result & ~sum(SELF_TEST_TEXT)
        return "; ".join([*wrong, f"it says {unknown}, which this program does not know"] if unknown else wrong)

    def _simulated_unit(self) -> str | None:
        """Return the unit in a simulated board's socket; None for a real board, which does not know the word."""
        for _ in range(TRIES):
            self.send("SIM:UNIT?")
            self.attend(PUMP_S)
            # The board has its time for both replies.
            number, _ = self.query("SYST:ERR?", ERROR, duty_s=2.0 * REPLY_S)
            if number == 0:
                return self.query("SIM:UNIT?", NAME)
        # A damaged line is an unknown word too, but not so often in a row.
        return None

    def close_loads(self, loads: Sequence[int]) -> None:
        """Close these loads and no others."""
        channels = format_channels(loads)
        for _ in range(TRIES):
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
        for attempt in range(TRIES):
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
        """Open or close the master switch, and make sure."""
        self.command(f"OUTP {'ON' if on else 'OFF'}", Expect("OUTP?", SWITCH, on))

    def select_range(self, volts: float) -> int:
        """Have the lowest voltage range that reads these volts selected; return its number."""
        self.command(f"SENS:VOLT:RANG {format_number(volts)}")
        number = self.query("SENS:VOLT:RANG?", whole(0, 3))
        self._commanded.confirmed("SENS:VOLT:RANG?", number)
        return number

    def all_open(self) -> None:
        """Open the master switch, then all loads."""
        self.switch_master(False)
        self.command("ROUT:OPEN:ALL", _NONE_CLOSED)

    @contextlib.contextmanager
    def sampling(self, listener: Listener, linger_s: float = 0.0) -> Iterator[None]:
        """Sample inside this context: frames go to `listener`. At its end everything is opened, and listened to for another `linger_s`.

        If an error ends it, nothing is done and the listener stays: what opens everything then (`make_safe`) may still show what happened.
        """
        self.listener = listener
        self.start_sampling()
        yield
        self.all_open()
        self.attend(linger_s)
        self.stop_sampling()
        self.listener = None

    def start_sampling(self) -> None:
        """Send INITiate, and make sure that samples come. BoardSilent if none do."""
        for _ in range(TRIES):
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
        """Send ABORt, and hear what was still on its way."""
        self._sampling = False
        self.command("ABOR")
        self.attend(0.1)

    def ask_stamp(self) -> StampAsked:
        """Return where in the run the board is, and when that was. However often it must be asked: the first question was sent before, and
        the answer came after."""
        sent_s = self.port.now_s()
        stamp, ticks = self.query("SYST:STAM?", STAMP)
        return StampAsked(stamp, ticks, sent_s, self.port.now_s())

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

    def go_on(self, idle: Callable[[], None] | None) -> None:
        """Work with the board again after `make_safe`: it must have got over its trip. BoardFault if it has not."""
        self.command("*CLS")
        self._alert = None
        self._watch, self.idle = True, idle


def _line(error: BaseException) -> str:
    """Return what was raised, in one line."""
    return str(error) if isinstance(error, PortError | BoardFault) else f"{type(error).__name__}: {error}".rstrip(": ")
