"""Being told to stop: Ctrl-C, Ctrl-\\, SIGTERM, a closed terminal, computing time used up (`ulimit -t`).

Outside of `held` the first raises KeyboardInterrupt, at once. That may be lost (Python ignores what is raised in a callback of its own, as
there are many while modules are imported), so a later `held` finds the reason there at once. Inside, none raises
anything: what is being done finds the reason in `Hold.reason`, where it looks between two reads of a board, some twenty times a second,
and ends in good order; more of them change nothing. Nothing is held off for longer than HELD_S: code that does not look, because a terminal
or a pipe takes nothing more, is interrupted then.
"""

from __future__ import annotations

import contextlib
import os
import signal
import threading
import time
from collections.abc import Iterator, Mapping
from types import FrameType
from typing import Any

from bench.terminal import STDERR, takes_output

HELD_S = 8.0
"""Opening everything takes 3 s at the most (a board that does not answer), the record as much on a busy machine."""
ENDING = "ending: opening all loads"
"""What a command says at once when it is told to stop."""
_REASONS: Mapping[str, str] = {
    "SIGINT": "stopped from the keyboard",
    "SIGTERM": "told to end (SIGTERM)",
    "SIGHUP": "the terminal was closed (SIGHUP)",
    "SIGQUIT": "stopped from the keyboard (SIGQUIT)",
    "SIGXCPU": "the computing time allowed is used up (SIGXCPU)",
}
_NUMBERS: Mapping[int, str] = {getattr(signal, name): text for name, text in _REASONS.items() if hasattr(signal, name)}


class Hold:
    """`reason`: why to stop, as one line; None as long as there is none. `saying`: what is printed once when there is one."""

    def __init__(self, saying: str = "") -> None:
        self.reason: str | None = None
        self._asked_s = 0.0
        self._saying = saying

    def heed(self, number: int, frame: FrameType | None) -> None:
        """The signal handler: keep the first reason; interrupt who has not come to an end long after it."""
        if self.reason is None:
            self.reason, self._asked_s = _NUMBERS[number], time.monotonic()
            if hasattr(signal, "setitimer"):
                # Again and again, should the code that catches the first be held up anew.
                signal.setitimer(signal.ITIMER_REAL, HELD_S, HELD_S)
            self._say()
        elif time.monotonic() - self._asked_s >= 0.99 * HELD_S:
            raise KeyboardInterrupt

    def _say(self) -> None:
        """To the standard error, if that takes anything; beside Python's own stream, which may be in the middle of a line."""
        if self._saying and takes_output(STDERR):
            with contextlib.suppress(OSError):
                os.write(STDERR, f"\n{self._saying}\n".encode())


_outermost: Hold | None = None
_told: int | None = None  # the signal that has raised KeyboardInterrupt outside of `held`


@contextlib.contextmanager
def held(saying: str = "") -> Iterator[Hold]:
    """Signals are held off in here; the first prints `saying`. One `held` inside another is the same. In other threads than the main one,
    where no signal comes, nothing is changed."""
    global _outermost
    if threading.current_thread() is not threading.main_thread():
        yield Hold()
        return
    if _outermost is not None:
        yield _outermost
        return
    hold = Hold(saying)
    with _handling(hold):
        if _told is not None:
            hold.heed(_told, None)
        _outermost = hold
        try:
            yield hold
        finally:
            _outermost = None


@contextlib.contextmanager
def _handling(hold: Hold) -> Iterator[None]:
    """The hold heeds every signal that is not ignored (as `nohup` has it), and no write stops the program; afterwards all is as before."""
    numbers = [number for number in _NUMBERS if signal.getsignal(number) is not signal.SIG_IGN]
    if hasattr(signal, "SIGALRM"):
        numbers.append(signal.SIGALRM)
    before: dict[int, Any] = {}
    try:
        for number in numbers:
            before[number] = signal.signal(number, hold.heed)
        if hasattr(signal, "SIGTTOU"):
            # Started with &, a program is stopped by what it writes to a terminal that is set so (stty tostop): here with its lamps lit.
            before[signal.SIGTTOU] = signal.signal(signal.SIGTTOU, signal.SIG_IGN)
        yield
    finally:
        if hasattr(signal, "setitimer"):
            signal.setitimer(signal.ITIMER_REAL, 0.0)
        for number, handler in before.items():
            signal.signal(number, handler)


def interrupt_on_signals() -> None:
    """From now on the first signal raises KeyboardInterrupt, and a second ends the program at once: where none is held off, nothing must
    come to an end."""

    numbers = [number for number in _NUMBERS if signal.getsignal(number) is not signal.SIG_IGN]

    def interrupt(number: int, frame: FrameType | None) -> None:
        global _told
        _told = number
        for one in numbers:
            signal.signal(one, signal.SIG_DFL)
        raise KeyboardInterrupt

    for number in numbers:
        signal.signal(number, interrupt)


def leave_quietly(code: int) -> None:
    """All is done and said: from now on a signal changes nothing, so that the program leaves with `code`, the exit code of what it did. An
    end that takes longer than HELD_S is cut short, with the same code; one so late that Python runs nothing any more, by the system."""
    for number in _NUMBERS:
        signal.signal(number, signal.SIG_IGN)
    if hasattr(signal, "setitimer"):
        signal.signal(signal.SIGALRM, lambda number, frame: os._exit(code))
        # The second finds the system's own handler, once Python has taken its handlers back.
        signal.setitimer(signal.ITIMER_REAL, HELD_S, HELD_S)
