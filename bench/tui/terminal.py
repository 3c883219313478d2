"""What the terminal does to a program: it may close, ask it to end, or stop taking what is written. None of it may hold up the bench."""

from __future__ import annotations

import asyncio
import select
import signal
import sys
from collections.abc import Callable


def takes_output() -> bool:
    """Whether the terminal would take more output now. One that is blocked, or gone, does not."""
    if sys.platform == "win32" or sys.__stderr__ is None:
        return True
    try:
        return bool(select.select([], [sys.__stderr__], [], 0.0)[1])
    except (OSError, ValueError):
        return False


def on_end_signals(leave: Callable[[str], None]) -> None:
    """From now on a closed terminal and SIGTERM call `leave` with the reason, in the event loop, instead of ending the program at once."""
    loop = asyncio.get_running_loop()
    reasons = {"SIGTERM": "the screen was told to end (SIGTERM)", "SIGHUP": "the terminal was closed (SIGHUP)"}
    for name, reason in reasons.items():
        number = getattr(signal, name, None)
        if number is not None:
            try:
                loop.add_signal_handler(number, leave, reason)
            except (NotImplementedError, RuntimeError, ValueError):
                # Windows has no such handlers, and only the main thread may set them.
                return
