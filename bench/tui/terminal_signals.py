"""What the terminal does to a program: it may close, ask it to end, or stop taking what is written. None of it may hold up the bench."""

from __future__ import annotations

import asyncio
import contextlib
import os
import signal
import threading
import time
from collections.abc import Callable
from types import FrameType

CANCELLED = 130
_REASONS = {
    "SIGINT": "the screen was told to end (SIGINT)",
    "SIGTERM": "the screen was told to end (SIGTERM)",
    "SIGHUP": "the terminal was closed (SIGHUP)",
}


def heed_signals(leave: Callable[[str], None], draw: Callable[[], object], patience_s: float) -> None:
    """From now on a closed terminal, SIGTERM and SIGINT call `leave` with the reason, in the event loop, and end nothing by themselves.

    The event loop itself may stand still, waiting for a terminal that takes nothing: then the process ends after `patience_s` all the same.
    A screen that was stopped and goes on calls `draw`, and nothing else: Textual would take the terminal a second time. It can't be stopped
    from its terminal, since how the test goes on could not be seen.
    """
    if threading.current_thread() is not threading.main_thread():
        return
    loop = asyncio.get_running_loop()

    def end(number: int, frame: FrameType | None) -> None:
        end_at_the_latest(patience_s)
        with contextlib.suppress(RuntimeError):  # the loop has ended: so does the program
            loop.call_soon_threadsafe(leave, _REASONS[signal.Signals(number).name])

    for name in _REASONS:
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), end)
    if hasattr(signal, "SIGTSTP"):
        signal.signal(signal.SIGTSTP, signal.SIG_IGN)
        signal.signal(signal.SIGCONT, lambda number, frame: loop.call_soon_threadsafe(draw))


def end_at_the_latest(after_s: float) -> None:
    """Whatever holds this process up, it is gone by then; the station sees that, and opens everything if it has not yet."""

    def end() -> None:
        time.sleep(after_s)
        os._exit(CANCELLED)

    threading.Thread(target=end, name="last resort", daemon=True).start()
