"""A bench for the contract: what every board must do, tested through a port and nothing else (tests/test_contract_*.py, by sections).

By itself this is the simulated board with the reference rig's description, with another one, and with that answering late and in other
allowed forms; and the board's real program in its simulated microcontroller. `MAKEBREAK_CONTRACT` may name further addresses, separated
by spaces; at such a rig the shorting link must be in the socket, lamps of a 12 V system as the board's description says (two filament lamps
at least), the supply set for 12.8 V at them, and nothing may be touched meanwhile. Its calibration is out of force afterwards until it is
reset. What needs hands at the bench (another voltage, a reset) is tested where SIMulation: commands or the simulator have them; at a real
rig those tests find nobody and say nothing.

Everything a test needs to know of a board it takes from the page and from the board's own description.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TypeVar

import numpy as np
import numpy.typing as npt
import pytest
import vectors
from contract_description import Loads, loads_of

from bench.description import BoardDescription, description_crc, parse_description
from bench.ports import Port
from bench.ports.opening import add_kind, open_port
from bench.simboard.units import resistor
from bench.wire import (
    DamageCount,
    Decoder,
    EventFrame,
    EventKind,
    Reply,
    ResetCause,
    SampleFrame,
    Sequencer,
    TripCause,
    format_number,
)
from bench.wire.answers import CHANNELS, ERROR, IDENTITY, NUMBER, SWITCH, Answer
from firmware.simulator.avr import RESET_PIN, RESET_POWER
from firmware.simulator.port import FirmwarePort, register
from reports.described_board import BoardPort, described_board
from reports.planted_boards import KIND, open_planted
from reports.planted_faults import OtherForms

register()
add_kind(KIND, open_planted)
OTHER = parse_description(vectors.description_lines("description_other.txt"))
add_kind("other", lambda address: BoardPort(address, described_board(OTHER)))
add_kind("forms", lambda address: BoardPort(address, described_board(OTHER, OtherForms)))
OURS = ("sim://LINK?seed=5", "firmware://LINK?seed=5", "other://LINK", "forms://LINK")
ADDRESSES = (*OURS, *os.environ.get("MAKEBREAK_CONTRACT", "").split())
SUPPLY_V = 12.8
REPLY_S, LONG_REPLY_S = 0.5, 2.0
Array = npt.NDArray[np.float64]
T = TypeVar("T")


class Bench:
    """A port with the host's half of the protocol around it: what it hears is kept in order, and must be as the page has every frame."""

    def __init__(self, port: Port) -> None:
        self.port = port
        self.decoder = Decoder()
        self.sequencer = Sequencer()
        self.events: list[EventFrame] = []
        self.frames: list[SampleFrame] = []
        self.order: list[SampleFrame | EventFrame | Reply] = []
        self.replies: list[str] = []
        self.raw = b""

    def send(self, line: str | bytes) -> None:
        self.port.write((line.encode("ascii") if isinstance(line, str) else line) + b"\n")

    def listen(self, seconds: float) -> None:
        end = self.port.now_s() + seconds
        while (left := end - self.port.now_s()) > 0.0:
            self._take(self.port.read(left))

    def _take(self, data: bytes) -> None:
        self.raw += data
        for piece in self.decoder.feed(data):
            self.order.append(piece)
            if isinstance(piece, Reply):
                self.replies.append(piece.text)
                continue
            if isinstance(piece, EventFrame) and piece.kind == EventKind.STARTED:
                # One start looks like another; all is new with it.
                self.sequencer = Sequencer()
            placed = self.sequencer.place(piece)
            assert placed is not None
            assert piece.flags & 0b11111000 == 0
            if isinstance(piece, SampleFrame):
                assert bool(piece.flags & 1) == (placed.lost_before > 0), "flags: bit 0 says that samples were lost before this frame"
                assert piece.sampling
                self.frames.append(piece)
            else:
                assert piece.flags & 1 == 0 and piece.value < 0x10000
                self.events.append(piece)

    def wait_for(self, what: Callable[[], bool], patience_s: float) -> None:
        end = self.port.now_s() + patience_s
        while not what() and self.port.now_s() < end:
            self._take(self.port.read(0.05))
        assert what(), f"did not come within {patience_s} s"

    def ask(self, line: str, patience_s: float = REPLY_S) -> str:
        self.replies.clear()
        self.send(line)
        self.wait_for(lambda: bool(self.replies), patience_s)
        assert len(self.replies) == 1
        return self.replies[0]

    def answer(self, line: str, kind: Answer[T], patience_s: float = REPLY_S) -> T:
        """What a reply means, in whichever of the allowed forms it came."""
        return kind.read(self.ask(line, patience_s))

    def numbers(self, line: str) -> list[float]:
        return [NUMBER.read(part) for part in self.ask(line).split(",")]

    def number(self, line: str, patience_s: float = REPLY_S) -> float:
        return self.answer(line, NUMBER, patience_s)

    def is_on(self, line: str) -> bool:
        return self.answer(line, SWITCH)

    def closed(self) -> frozenset[int]:
        return self.answer("ROUT:CLOS?", CHANNELS)

    def identity(self) -> list[str]:
        """The four fields of this page; a board may have more."""
        return self.answer("*IDN?", IDENTITY).split(",")[:4]

    def error(self) -> int:
        return self.answer("SYST:ERR?", ERROR)[0]

    def do(self, *lines: str) -> None:
        """Commands that must not fail."""
        for line in lines:
            self.send(line)
        assert self.error() == 0, lines

    def refused(self, line: str, number: int) -> None:
        """A line that must leave this error."""
        self.send(line)
        assert self.error() == number, line

    def hold(self, seconds: float) -> None:
        """Listen, and keep the board from taking the host for dead."""
        end = self.port.now_s() + seconds
        while (left := end - self.port.now_s()) > 0.0:
            self.send("SYST:BEAT")
            self.listen(min(left, 0.2))

    def of_kind(self, kind: EventKind) -> list[EventFrame]:
        return [event for event in self.events if event.kind == kind]

    def event(self, kind: EventKind, patience_s: float = 0.5) -> EventFrame:
        """The one event of this kind since `fresh`."""
        self.wait_for(lambda: bool(self.of_kind(kind)), patience_s)
        (event,) = self.of_kind(kind)
        return event

    def fresh(self) -> None:
        """Let what is on its way arrive, then forget what was heard."""
        self.hold(0.06)
        self.events.clear()
        self.frames.clear()
        self.order.clear()
        self.raw = b""

    def start_anew(self, hands: Hands, cause: ResetCause) -> EventFrame:
        """Have the board reset: the event that tells of it. What was sent before may still come before it, and nothing behind it."""
        self.fresh()
        hands.reset(cause)
        self.listen(0.5)
        event = self.event(EventKind.STARTED)
        assert self.order[-1] is event
        return event

    def lines(self) -> list[str]:
        """The description as the board says it now; its check fits."""
        lines = [self.ask(f"SYST:BOAR:LINE? {n}") for n in range(1, round(self.number("SYST:BOAR?")) + 1)]
        assert self.number("SYST:BOAR:CHEC?") == description_crc(lines)
        return lines

    def tripped(self, cause: TripCause, patience_s: float = 0.1) -> EventFrame:
        """The event of the trip that must have come, with all that must be true then."""
        event = self.event(EventKind.TRIP, patience_s)
        assert event.reason == cause
        assert event.tripped and not event.master and event.closed_loads == frozenset()
        assert self.ask("SYST:CAUS?").split(",")[0] == cause.name
        assert self.is_on("CURR:PROT:TRIP?")
        assert (self.is_on("OUTP?"), self.closed()) == (False, frozenset())
        return event

    def master_on(self) -> EventFrame:
        """The event of the master switch's closing since `fresh`."""
        (event,) = [e for e in self.of_kind(EventKind.SWITCHED) if e.master and not e.value & 0x100]
        return event


class Hands:
    """What a person's hands do at the bench, by SIMulation: commands."""

    def __init__(self, port: Port) -> None:
        self.port = port

    def say(self, line: str) -> None:
        """Say a word that must be understood."""
        Bench(self.port).do(line)

    @contextmanager
    def resistor(self, ohm: float) -> Iterator[None]:
        """A resistor in the link's place; everything is open before and after."""
        self.fit_resistor(ohm)
        try:
            yield
        finally:
            self.port.write(b"*RST\n")
            self.fit_link()

    @contextmanager
    def supply(self, volts: float) -> Iterator[None]:
        """Another voltage, at the lamps."""
        self.set_supply(volts)
        try:
            yield
        finally:
            self.set_supply(SUPPLY_V)

    def set_supply(self, volts: float) -> None:
        self.say(f"SIM:SUPP {format_number(volts)}")

    def fit_resistor(self, ohm: float) -> None:
        self.say(f"SIM:RES {format_number(ohm)}")

    def fit_link(self) -> None:
        self.say("SIM:UNIT LINK")

    def reset(self, cause: ResetCause) -> None:
        self.port.write(f"SIM:REST {cause.name}\n".encode())

    def rest(self, seconds: float) -> None:
        """Everything is open, and cools so long."""
        self.say(f"SIM:WAIT {format_number(seconds)}")


class SimulatorHands(Hands):
    """The same at the bench of the real program, which knows no such words."""

    def __init__(self, port: FirmwarePort) -> None:
        super().__init__(port)
        self.board = port.board

    def set_supply(self, volts: float) -> None:
        self.board.world.set_supply(volts)

    def fit_resistor(self, ohm: float) -> None:
        self.board.world.set_unit(resistor(ohm))

    def fit_link(self) -> None:
        self.board.world.set_unit("LINK")

    def reset(self, cause: ResetCause) -> None:
        self.board.reset({ResetCause.POW: RESET_POWER, ResetCause.EXT: RESET_PIN}[cause])

    def rest(self, seconds: float) -> None:
        self.board.rest(seconds)


def hands_at(port: Port) -> Hands | None:
    if isinstance(port, FirmwarePort):
        return SimulatorHands(port)
    bench = Bench(port)
    bench.send("SIM:UNIT?")
    bench.listen(REPLY_S)
    return Hands(port) if bench.replies else None


@pytest.fixture(scope="module", params=ADDRESSES)
def port(request: pytest.FixtureRequest) -> Iterator[Port]:
    opened = open_port(request.param)
    yield opened
    opened.write(b"\n*RST\n")
    opened.close()


@pytest.fixture(scope="module")
def hands(port: Port) -> Hands | None:
    """None where nobody is at the bench."""
    return hands_at(port)


@pytest.fixture
def bench(port: Port) -> Iterator[Bench]:
    """A board reset and idle, its scales the built-in ones; afterwards nothing may have been damaged or lost on the way."""
    port.write(b"\n*RST\nCAL:CLE\n*CLS\n*ESE 0\n*SRE 0\n")
    made = Bench(port)
    made.listen(0.1)
    made = Bench(port)
    yield made
    made.send("*RST")
    made.listen(0.1)
    assert made.decoder.damage == DamageCount()
    assert made.sequencer.count.frames_missing == 0
    assert made.sequencer.count.samples_lost == 0


@pytest.fixture(scope="module")
def lines(port: Port) -> list[str]:
    """The board's description, with its scales as built in."""
    port.write(b"\n*RST\nCAL:CLE\n*CLS\n")
    bench = Bench(port)
    bench.listen(0.1)
    bench.sequencer = Sequencer()
    said = bench.lines()
    assert all(len(line) <= 120 and " " not in line for line in said)
    return said


@pytest.fixture(scope="module")
def description(lines: list[str]) -> BoardDescription:
    return parse_description(lines)


@pytest.fixture(scope="module")
def loads(lines: list[str]) -> Loads:
    return loads_of(lines)
