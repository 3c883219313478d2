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


def heed_signals(leave: Callable[[str], None], draw: Callable[[], object]) -> None:
    """From now on a closed terminal and SIGTERM call `leave` with the reason, in the event loop, instead of ending the program at once.

    A screen that was stopped and goes on calls `draw`, and nothing else: Textual would take the terminal a second time. It can't be stopped
    from its terminal, since nobody would see how the test goes on.
    """
    loop = asyncio.get_running_loop()
    handlers: dict[str, tuple[Callable[..., object], tuple[str, ...]]] = {
        "SIGTERM": (leave, ("the screen was told to end (SIGTERM)",)),
        "SIGHUP": (leave, ("the terminal was closed (SIGHUP)",)),
        "SIGCONT": (draw, ()),
    }
    try:
        for name, (handler, arguments) in handlers.items():
            if hasattr(signal, name):
                loop.add_signal_handler(getattr(signal, name), handler, *arguments)
        if hasattr(signal, "SIGTSTP"):
            signal.signal(signal.SIGTSTP, signal.SIG_IGN)
    except (RuntimeError, ValueError):
        # Windows has no such handlers, and only the main thread may set them.
        return
