"""The firmware's core on this computer (firmware/hal/host): a process with sanitizers, spoken to by script.

A power-up is a new process, so all memory is as after a real one; what survives is handed on. Time passes only in `run`.
"""

from __future__ import annotations

import shutil
import subprocess
from dataclasses import dataclass
from enum import IntEnum
from functools import cache
from pathlib import Path
from types import TracebackType
from typing import Literal

import pytest

from bench.wire import DamageCount, Decoder, EventFrame, EventKind, Reply, ResetCause, SampleFrame, Sequencer, parse_error
from firmware.simulator import avr

CLOCK_HZ = 16_000_000
STORE_BYTES = 1024


class Channel(IntEnum):
    """A channel's input of the converter."""

    V_IN = 0
    V_OUT = 1
    V_DROP = 2
    I_LOAD = 3
    I_LOAD_LOW = 4
    V_PILOT = 5
    TEMPERATURE = 6
    SELF_CHECK = 7


RESTING = {
    Channel.V_IN: 0,
    Channel.V_OUT: 0,
    Channel.V_DROP: 64,
    Channel.I_LOAD: 64,
    Channel.I_LOAD_LOW: 64,
    Channel.V_PILOT: 0,
    Channel.TEMPERATURE: 512,
    Channel.SELF_CHECK: 960,
}
"""Counts of a rig with everything open."""

_MISHAP_CHANNEL, _MISHAP_COMPARATOR, _MISHAP_MISS, _MISHAP_LATCH = range(4)


@cache
def built(program: str) -> Path:
    """A program of the host build, made if need be."""
    if shutil.which("gcc") is None:
        pytest.fail("building the firmware's core for this computer needs gcc, which is not installed", pytrace=False)
    try:
        return avr.build_product(f"build/{program}", program)
    except avr.BuildError as error:
        pytest.fail(str(error), pytrace=False)


class Driver:
    """The process and its script; see firmware/hal/host/driver.c."""

    def __init__(self) -> None:
        self._process = subprocess.Popen(
            [built("board_host")], stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
        )

    def command(self, *words: object) -> list[str]:
        """The lines that one command answers. AssertionError with what a sanitizer says if the core has broken."""
        process = self._process
        assert process.stdin is not None and process.stdout is not None and process.stderr is not None
        process.stdin.write(" ".join(map(str, words)) + "\n")
        process.stdin.flush()
        lines = []
        while (line := process.stdout.readline()) != ".\n":
            assert line, f"{words}: {process.stderr.read()}"
            lines.append(line.rstrip("\n"))
        return lines

    def fields(self, *words: object) -> list[str]:
        """The fields behind the first word of a single line of answer."""
        (line,) = self.command(*words)
        return line.split(" ")[1:]

    def close(self) -> None:
        process = self._process
        assert process.stdin is not None and process.stdout is not None and process.stderr is not None
        process.stdin.close()
        said = process.stderr.read()
        assert process.wait() == 0, said
        process.stdout.close()
        process.stderr.close()


@dataclass(frozen=True)
class Memory:
    """What survives: the store, and the byte kept over every reset but power-up."""

    store: bytes = b"\xff" * STORE_BYTES
    kept: int = 0


@dataclass(frozen=True)
class Switched:
    """A change of the switches at a clock."""

    clock: int
    master: bool
    loads: frozenset[int]


class HostBoard:
    """A board from one start to its end. What it sends is kept in order, what it switches too."""

    def __init__(
        self,
        cause: ResetCause = ResetCause.POW,
        memory: Memory | None = None,
        *,
        first_stamp: int = 0,
        turn: int = 400,
        cut_after: int | None = None,
        latch: Literal["free", "set", "held"] = "free",
    ) -> None:
        memory = Memory() if memory is None else memory
        self.driver = Driver()
        self.decoder = Decoder()
        self.sequencer = Sequencer()
        self.raw = b""
        self.replies: list[str] = []
        self.frames: list[SampleFrame] = []
        self.events: list[EventFrame] = []
        self.order: list[SampleFrame | EventFrame | Reply] = []
        self.switched: list[Switched] = []
        self.clock = 0
        self.off: Memory | None = None
        self.driver.command("store", memory.store.hex())
        self.driver.command("first", first_stamp)
        self.set_turn(turn)
        if cut_after is not None:
            self.driver.command("cut", cut_after)
        for channel, count in RESTING.items():
            self.set(channel, count)
        if latch != "free":
            self.set_latch(True)
        if latch == "set":
            self.set_latch(False)
        self.driver.command("begin", int(cause), memory.kept)

    def __enter__(self) -> HostBoard:
        return self

    def __exit__(self, kind: type[BaseException] | None, value: BaseException | None, traceback: TracebackType | None) -> None:
        self.driver.close()
        if kind is None:
            assert self.decoder.damage == DamageCount()

    # --- mishaps ---

    def set_turn(self, clocks: int) -> None:
        """How long a turn of the main loop takes, beside the calls of the hardware."""
        self.driver.command("turn", clocks)

    def set(self, channel: Channel, count: int, in_s: float = 0.0) -> None:
        """The converter reads `count` at this channel from then on."""
        self._schedule(in_s, _MISHAP_CHANNEL, channel, count)

    def set_comparator(self, high: bool, in_s: float = 0.0) -> None:
        self._schedule(in_s, _MISHAP_COMPARATOR, int(high), 0)

    def miss(self, interrupts: int, in_s: float = 0.0) -> None:
        """So many interrupts of the converter do not come."""
        self._schedule(in_s, _MISHAP_MISS, interrupts, 0)

    def set_latch(self, held: bool, in_s: float = 0.0) -> None:
        """Whether something sets the hardware latch; once set, it stays until the board clears it."""
        self._schedule(in_s, _MISHAP_LATCH, int(held), 0)

    def _schedule(self, in_s: float, kind: int, a: int, b: int) -> None:
        self.driver.command("mishap", round(in_s * CLOCK_HZ), kind, a, b)

    def feed(self, data: bytes) -> None:
        """Bytes begin to arrive, one every 10 us."""
        self.driver.command("receive", data.hex() or "-")

    def lose_byte(self) -> None:
        """The receiver loses one byte here."""
        self.driver.command("lose")

    def run(self, seconds: float) -> None:
        """Time passes."""
        for line in self.driver.command("run", round(seconds * CLOCK_HZ)):
            word, *fields = line.split(" ")
            if word == "sent":
                self._hear(bytes.fromhex(fields[0]))
            elif word == "switched":
                loads = frozenset(n for n in range(1, 9) if int(fields[2]) >> (n - 1) & 1)
                self.switched.append(Switched(int(fields[0]), fields[1] == "1", loads))
            elif word == "clock":
                self.clock = int(fields[0])
            elif word == "store":
                self.off = Memory(bytes.fromhex(fields[0]))

    def _hear(self, data: bytes) -> None:
        self.raw += data
        for piece in self.decoder.feed(data):
            self.order.append(piece)
            if isinstance(piece, Reply):
                self.replies.append(piece.text)
                continue
            assert self.sequencer.place(piece) is not None
            if isinstance(piece, SampleFrame):
                self.frames.append(piece)
            else:
                self.events.append(piece)

    # --- as a host would ---

    def send(self, *lines: str | bytes) -> None:
        for line in lines:
            self.feed((line.encode("ascii") if isinstance(line, str) else line) + b"\n")

    def ask(self, line: str, patience_s: float = 0.5) -> str:
        """The one reply to a query, from the moment it is there."""
        self.replies.clear()
        self.send(line)
        end = self.clock + round(patience_s * CLOCK_HZ)
        while not self.replies and self.clock < end:
            self.run(0.002)
        assert len(self.replies) == 1, f"{line}: {self.replies}"
        return self.replies[0]

    def error(self) -> int:
        return parse_error(self.ask("SYST:ERR?"))[0]

    def do(self, *lines: str) -> None:
        """Commands that must not fail."""
        for line in lines:
            self.send(line)
            self.run(0.001)
        assert self.error() == 0, lines

    def hold(self, seconds: float) -> None:
        """Time passes, and the board hears of its host."""
        while seconds > 0.0:
            self.send("SYST:BEAT")
            self.run(min(0.15, seconds))
            seconds -= 0.15

    def of_kind(self, kind: EventKind) -> list[EventFrame]:
        return [event for event in self.events if event.kind == kind]

    def description(self) -> list[str]:
        return [self.ask(f"SYST:BOAR:LINE? {n}") for n in range(1, int(self.ask("SYST:BOAR?")) + 1)]

    def memory(self) -> Memory:
        """What would survive a reset now."""
        said = dict(line.split(" ") for line in self.driver.command("dump"))
        return Memory(bytes.fromhex(said["store"]), int(said["kept"]))

    def longest_unfed_s(self) -> float:
        """The longest time for which the watchdog was not fed."""
        said = dict(line.split(" ") for line in self.driver.command("dump"))
        return int(said["unfed"]) / CLOCK_HZ

    def voltage_range(self) -> int:
        """The range that the hardware is told."""
        said = dict(line.split(" ") for line in self.driver.command("dump"))
        return int(said["range"])
