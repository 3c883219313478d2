"""Trials of the board's program where it matters most: whatever happens, everything is open in time, and never a load that nobody chose.

Each trial drives a bare microcontroller (no lamps are needed to see which switches are closed), with the outputs looked at on every change.
Times in seconds of the board's clock.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np

from firmware.simulator.avr import RESET_BROWNOUT, RESET_PIN, RESET_POWER, Avr, Outputs, firmware

CLOCK_HZ = 16_000_000
_TICK_S = 1e-3
_BIASED = (2, 3, 4)  # inputs that read 64 when nothing flows
_BEAT_S = 0.2


class Bare:
    """A microcontroller on constant voltages, and its host's end of the line. `changes`: moments and outputs after them."""

    def __init__(self, program: bytes | None = None) -> None:
        self.avr = Avr(firmware() if program is None else program)
        self.codes = np.zeros(8)
        self.codes[list(_BIASED)] = 64.0
        self.codes[6], self.codes[7] = 512.0, 960.0
        self.changes: list[tuple[float, Outputs]] = []
        self.heard = bytearray()
        self._outputs = self.avr.outputs
        self.live(0.01)

    @property
    def now_s(self) -> float:
        return int(self.avr.counts.cycle) / CLOCK_HZ

    @property
    def outputs(self) -> Outputs:
        return self._outputs

    @property
    def is_open(self) -> bool:
        return not self._outputs.master and not self._outputs.loads

    def set_code(self, channel: int, code: float) -> None:
        """What stands at an input from now on."""
        self.codes[channel] = code

    def live(self, seconds: float) -> None:
        """Let it run, and keep what it switches and says."""
        end = self.avr.counts.cycle + round(seconds * CLOCK_HZ)
        self.avr.set_inputs(self.avr.counts.cycle, 416, np.tile(self.codes, (2, 1)))
        while self.avr.counts.cycle < end:
            if self.avr.run(end):
                self._look()
        self._look()
        self.heard += self.avr.take()[0]

    def _look(self) -> None:
        outputs = self.avr.outputs
        if outputs != self._outputs:
            self._outputs = outputs
            self.changes.append((self.now_s, outputs))

    def say(self, *lines: str) -> None:
        self.avr.send("".join(f"{line}\n" for line in lines).encode())

    def ask(self, line: str) -> str:
        """The reply to a query, within half a second. RuntimeError if there is none."""
        self.heard.clear()
        self.say(line)
        for _ in range(100):
            self.live(0.005)
            for piece in bytes(self.heard).split(b"\0"):
                if piece.endswith(b"\n") and piece[:-1].isascii() and piece[:-1].decode().isprintable():
                    return piece[:-1].decode()
        raise RuntimeError(f"no reply to {line}")

    def hold(self, seconds: float) -> None:
        """Let it run with a host that is there."""
        end = self.now_s + seconds
        while (left := end - self.now_s) > 1e-6:
            self.say("SYST:BEAT")
            self.live(min(_BEAT_S, left))

    def reset(self, cause: int) -> None:
        self.avr.reset(cause)
        self._look()

    def opened_after(self, since_s: float, patience_s: float) -> float:
        """How long after since_s everything was open, for good; infinite if it is not within the patience."""
        self.live(patience_s)
        if not self.is_open:
            return float("inf")
        last = self.changes[-1][0] if self.changes else since_s
        return max(0.0, last - since_s)


STATES: dict[str, tuple[str, ...]] = {
    "one load": ("ROUT:CLOS (@1)",),
    "all loads": ("ROUT:CLOS (@1:8)",),
    "master alone": ("OUTP ON",),
    "loads and master": ("ROUT:CLOS (@1,2)", "OUTP ON"),
    "sampling fast": ("INIT", "ROUT:CLOS (@1,2)", "OUTP ON"),
    "sampling precise": ("SENS:MODE PREC", "INIT", "ROUT:CLOS (@3)", "OUTP ON"),
    "in the middle of a line": ("INIT", "ROUT:CLOS (@1,2)", "OUTP ON", "ROUT:CLOS (@"),
    "errors only": ("ROUT:CLOS (@5)", "OUTP ON", "FOO", "OUTP MAYBE"),
}
"""States in which a host may fall silent, as lines that lead to them; the last line of one is left unfinished by `silent_host`."""


def silent_host(state: str) -> float:
    """Seconds from the host's last good line until everything is open."""
    board = Bare()
    lines = STATES[state]
    board.say(*lines[:-1])
    board.live(0.02)
    last = lines[-1] if state == "in the middle of a line" else lines[-1] + "\n"
    board.avr.send(last.encode())
    board.live(0.005)
    since = board.now_s - 0.005
    if board.is_open:
        raise RuntimeError(f"the state {state!r} leaves everything open")
    return board.opened_after(since, 1.5)


def over_current(level_a: float, delay_s: float, amperes: float) -> float:
    """Seconds from too large a current (by the codes of both current channels) until everything is open, less the set delay."""
    board = Bare()
    board.say(f"CURR:PROT {level_a}", f"CURR:PROT:DEL {delay_s}", "INIT", "ROUT:CLOS (@1,2)", "OUTP ON")
    board.hold(0.1)
    board.set_code(3, 64.0 + amperes / 0.08)
    board.set_code(4, min(1023.0, 64.0 + amperes / 0.008))
    since = board.now_s
    board.hold(delay_s + 0.1)
    if not board.is_open:
        return float("inf")
    return board.changes[-1][0] - since - delay_s


def hang(seed: int) -> tuple[float, str]:
    """Seconds from a hang at a random place until everything is open, and the causes the board then names."""
    rng = random.Random(seed)
    board = Bare()
    board.say("INIT", "ROUT:CLOS (@1,2)", "OUTP ON")
    board.hold(0.05 + rng.random() * 0.2)
    since = board.now_s
    board.avr.hang()
    took = board.opened_after(since, 0.4)
    return took, board.ask("SYST:CAUS?")


@dataclass(frozen=True)
class Storm:
    """What came of one: the mishap, how long a load stayed closed after the last good line or the reset, loads nobody had chosen."""

    mishap: str
    closed_s: float
    wrong: int
    answers: bool


def _lines(chosen: list[int]) -> tuple[str, ...]:
    return ("INIT", f"ROUT:CLOS (@{','.join(map(str, chosen))})", "OUTP ON")


def _noise(rng: random.Random) -> bytes:
    return rng.randbytes(rng.randint(1, 400))


RESETS = {"reset pin": RESET_PIN, "brown-out": RESET_BROWNOUT, "power cut": RESET_POWER}
RUBBISH: dict[str, Callable[[random.Random], bytes]] = {
    "noise": _noise,
    "noise in a line": lambda rng: b"ROUT:CL" + _noise(rng) + b"OS (@4)\n",
    "cut in a line": lambda rng: b"ROUT:CLOS (@1,2,3)\n"[: rng.randint(1, 18)],
    "two lines run together": lambda rng: b"OUTP OROUT:CLOS (@7)\n",
}
MISHAPS = (*RESETS, *RUBBISH)


def storm(seed: int) -> Storm:
    """A mishap at a random moment while loads are closed, and then silence. Noise that happens to be a good line is not looked for: the
    chance of a good header among random bytes is below one in a million."""
    rng = random.Random(f"storm {seed}")
    mishap = rng.choice(sorted(MISHAPS))
    board = Bare()
    chosen = sorted(rng.sample(range(1, 9), rng.randint(1, 4)))
    board.say(*_lines(chosen))
    board.hold(0.02 + 0.1 * rng.random())
    said = board.now_s
    if rng.random() < 0.5:
        board.say(*_lines(chosen))
        board.live(rng.random() * 1e-3)  # in the middle of obeying
    since = board.now_s
    if mishap in RESETS:
        board.reset(RESETS[mishap])
        closed = board.opened_after(since, 1.3)
    else:
        board.avr.send(RUBBISH[mishap](rng))
        closed = board.opened_after(said, 1.3)
    allowed = sum(1 << (n - 1) for n in chosen)
    wrong = 0
    for _, outputs in board.changes:
        wrong |= outputs.loads & ~allowed
    board.live(0.05)
    board.say("")
    board.live(0.01)
    try:
        answers = board.ask("*OPC?") == "1"
    except RuntimeError:
        answers = False
    return Storm(mishap, closed, wrong, answers)


def storms(count: int, first: int = 0) -> Iterator[Storm]:
    for seed in range(first, first + count):
        yield storm(seed)
