"""What happens to a program that drives a board: killed, told to end, interrupted again and again, or stopped for a while."""

from __future__ import annotations

import contextlib
import os
import random
import signal
import time
from collections.abc import Callable
from dataclasses import dataclass


@dataclass
class Seen:
    """One event: when, and until when the program lived; for how long it was stopped meanwhile."""

    at_s: float
    ended_s: float
    code: int | None
    stood_s: float = 0.0


@dataclass(frozen=True)
class Mishap:
    """`ends`: whether the program must end of it. `strike` returns for how long it stood still, in s."""

    name: str
    strike: Callable[[random.Random, int], float]
    ends: bool = True


def send(pid: int, number: signal.Signals) -> float:
    """One that has ended by itself meanwhile needs no more."""
    with contextlib.suppress(ProcessLookupError):
        os.kill(pid, number)
    return 0.0


def interrupt_again(chance: random.Random, pid: int) -> float:
    """A series of 2 to 20 Ctrl-C, as fast as can be or as a person hits them."""
    apart_s = chance.choice((0.0, 0.01, 0.1))
    for _ in range(chance.randint(2, 20)):
        send(pid, signal.SIGINT)
        time.sleep(chance.uniform(0.0, 2.0 * apart_s))
    return 0.0


def stop_for_a_while(chance: random.Random, pid: int) -> float:
    """As Ctrl-Z and `fg`, or a computer that has too much to do."""
    began_s, still_s = time.monotonic(), chance.choice((0.3, 0.6, 0.9, 1.2, 2.0, 5.0))
    send(pid, signal.SIGSTOP)
    time.sleep(still_s)
    send(pid, signal.SIGCONT)
    return time.monotonic() - began_s


KILL = Mishap("SIGKILL", lambda chance, pid: send(pid, signal.SIGKILL))
SERIES = Mishap("Ctrl-C series", interrupt_again)
STOPPED = Mishap("SIGSTOP", stop_for_a_while, ends=False)
MISHAPS = (
    KILL,
    Mishap("SIGTERM", lambda chance, pid: send(pid, signal.SIGTERM)),
    SERIES,
    Mishap("SIGHUP", lambda chance, pid: send(pid, signal.SIGHUP)),
    STOPPED,
)
