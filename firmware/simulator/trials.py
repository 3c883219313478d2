"""Trials of the board's safety: whatever happens, everything is open in time, and no load closes that was not chosen.

Each trial runs a microcontroller without physics, because the outputs alone show which switches are closed, and reads them at every change.
Times in seconds of the board's clock.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np

from firmware.simulator.avr import RESET_BROWNOUT, RESET_PIN, RESET_POWER, Avr, Outputs, read_firmware

CLOCK_HZ = 16_000_000
_TICK_S = 1e-3
_BIASED = (2, 3, 4)  # inputs that read 64 when nothing flows
_BEAT_S = 0.2


class BareBoard:
    """A microcontroller on constant voltages, and its host's end of the line. `changes`: moments, s, and the outputs after them."""

    def __init__(self, program: bytes | None = None) -> None:
        self.avr = Avr(read_firmware() if program is None else program)
        self.codes = np.zeros(8)
        self.codes[list(_BIASED)] = 64.0
        self.codes[6], self.codes[7] = 512.0, 960.0
        self.changes: list[tuple[float, Outputs]] = []
        self.received = bytearray()
        self._outputs = self.avr.outputs
        self.run(0.01)

    @property
    def now_s(self) -> float:
        """The time since power-up, s."""
        return int(self.avr.counts.cycle) / CLOCK_HZ

    @property
    def outputs(self) -> Outputs:
        """The outputs after the last change."""
        return self._outputs

    @property
    def is_open(self) -> bool:
        """Whether master switch and loads are open."""
        return not self._outputs.master and not self._outputs.loads

    def set_code(self, channel: int, code: float) -> None:
        """Set the converter's code at a channel's input from now on."""
        self.codes[channel] = code

    def run(self, seconds: float) -> None:
        """Run for so long, and keep what the board switches (`changes`) and sends (`received`)."""
        end = self.avr.counts.cycle + round(seconds * CLOCK_HZ)
        self.avr.set_inputs(self.avr.counts.cycle, 416, np.tile(self.codes, (2, 1)))
        while self.avr.counts.cycle < end:
            if self.avr.run(end):
                self._look()
        self._look()
        self.received += self.avr.take()[0]

    def _look(self) -> None:
        outputs = self.avr.outputs
        if outputs != self._outputs:
            self._outputs = outputs
            self.changes.append((self.now_s, outputs))

    def send(self, *lines: str) -> None:
        """Send command lines."""
        self.avr.send("".join(f"{line}\n" for line in lines).encode())

    def ask(self, line: str) -> str:
        """Return the reply to a query, within half a second. RuntimeError if there is none."""
        self.received.clear()
        self.send(line)
        for _ in range(100):
            self.run(0.005)
            for piece in bytes(self.received).split(b"\0"):
                if piece.endswith(b"\n") and piece[:-1].isascii() and piece[:-1].decode().isprintable():
                    return piece[:-1].decode()
        raise RuntimeError(f"no reply to {line}")

    def hold(self, seconds: float) -> None:
        """Run for so long with a host that says SYST:BEAT, so that no silence trips."""
        end = self.now_s + seconds
        while (left := end - self.now_s) > 1e-6:
            self.send("SYST:BEAT")
            self.run(min(_BEAT_S, left))

    def reset(self, cause: int) -> None:
        """Reset the board, by a cause of `firmware.simulator.avr`."""
        self.avr.reset(cause)
        self._look()

    def measure_opening(self, since_s: float, patience_s: float) -> float:
        """Run for patience_s. Return how long after since_s everything was open for good, s; infinite if it is not open."""
        self.run(patience_s)
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
"""States in which a host may fall silent, as lines that lead to them; `measure_silent_host` leaves the last line of one unfinished."""


def measure_silent_host(state: str) -> float:
    """Return the time from the host's last good line until everything is open, s."""
    board = BareBoard()
    lines = STATES[state]
    board.send(*lines[:-1])
    board.run(0.02)
    last = lines[-1] if state == "in the middle of a line" else lines[-1] + "\n"
    board.avr.send(last.encode())
    board.run(0.005)
    since = board.now_s - 0.005
    if board.is_open:
        raise RuntimeError(f"the state {state!r} leaves everything open")
    return board.measure_opening(since, 1.5)


def measure_over_current(level_a: float, delay_s: float, amperes: float) -> float:
    """Return the time from too large a current (in the codes of both current channels) until everything is open, less the set delay, s."""
    board = BareBoard()
    board.send(f"CURR:PROT {level_a}", f"CURR:PROT:DEL {delay_s}", "INIT", "ROUT:CLOS (@1,2)", "OUTP ON")
    board.hold(0.1)
    board.set_code(3, 64.0 + amperes / 0.08)
    board.set_code(4, min(1023.0, 64.0 + amperes / 0.008))
    since = board.now_s
    board.hold(delay_s + 0.1)
    if not board.is_open:
        return float("inf")
    return board.changes[-1][0] - since - delay_s


def measure_hang(seed: int) -> tuple[float, str]:
    """Return the time from a hang at a random place until everything is open, s, and the causes that the board then names."""
    rng = random.Random(seed)
    board = BareBoard()
    board.send("INIT", "ROUT:CLOS (@1,2)", "OUTP ON")
    board.hold(0.05 + rng.random() * 0.2)
    since = board.now_s
    board.avr.hang()
    took = board.measure_opening(since, 0.4)
    return took, board.ask("SYST:CAUS?")


@dataclass(frozen=True)
class MishapResult:
    """A mishap, the time that a load stayed closed after the last good line or the reset, loads closed unasked (bit n-1 for load n), and
    whether the board answers afterwards."""

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


def try_mishap(seed: int) -> MishapResult:
    """Cause a mishap at a random moment while loads are closed, then fall silent. That noise happens to be a good line is not checked: the
    chance of a good header among random bytes is below one in a million."""
    rng = random.Random(f"storm {seed}")
    mishap = rng.choice(sorted(MISHAPS))
    board = BareBoard()
    chosen = sorted(rng.sample(range(1, 9), rng.randint(1, 4)))
    board.send(*_lines(chosen))
    board.hold(0.02 + 0.1 * rng.random())
    last_line_s = board.now_s
    if rng.random() < 0.5:
        board.send(*_lines(chosen))
        board.run(rng.random() * 1e-3)  # in the middle of executing them
    since_s = last_line_s if mishap in RUBBISH else board.now_s
    if mishap in RESETS:
        board.reset(RESETS[mishap])
    else:
        board.avr.send(RUBBISH[mishap](rng))
    closed_s = board.measure_opening(since_s, 1.3)
    return MishapResult(mishap, closed_s, _closed_unasked(board, chosen), _answers(board))


def _closed_unasked(board: BareBoard, chosen: list[int]) -> int:
    """The loads that were closed at any time and not chosen, bit n-1 for load n."""
    unasked = 0
    for _, outputs in board.changes:
        unasked |= outputs.loads
    return unasked & ~sum(1 << (n - 1) for n in chosen)


def _answers(board: BareBoard) -> bool:
    """Whether the board answers a query once the line begun before it has been ended."""
    board.run(0.05)
    board.send("")
    board.run(0.01)
    try:
        return board.ask("*OPC?") == "1"
    except RuntimeError:
        return False


def try_mishaps(count: int, first: int = 0) -> Iterator[MishapResult]:
    """Cause `count` mishaps, by their seeds from `first` on."""
    for seed in range(first, first + count):
        yield try_mishap(seed)
