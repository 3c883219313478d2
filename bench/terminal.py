"""Terminals: whether one takes what is written, since one that stands still (Ctrl-S, a window that hangs) must hold nothing up; whether it
is there at all; and what was typed before anything was asked."""

from __future__ import annotations

import io
import select
import sys
from typing import TextIO

STDERR = 2


def takes_output(stream: TextIO | int = STDERR) -> bool:
    """Whether this stream, or what stands behind this file descriptor, would take more now. One that is blocked, or gone, does not."""
    if sys.platform == "win32":
        return True
    try:
        return bool(select.select([], [stream], [], 0.0)[1])
    except io.UnsupportedOperation:
        return True  # a stream in memory
    except (OSError, ValueError):
        return False


def is_gone(stream: int = STDERR) -> bool:
    """Return whether the terminal behind this file descriptor was closed, or the reader of a pipe there has left."""
    if not hasattr(select, "poll"):
        return False
    asked = select.poll()
    asked.register(stream, select.POLLOUT)
    return any(what & (select.POLLHUP | select.POLLERR) for _, what in asked.poll(0))


def forget_typed(stream: TextIO) -> None:
    """Throw away what was typed at this terminal so far: what comes before a question is no answer to it. Another stream is left alone."""
    if sys.platform == "win32" or not stream.isatty():
        return
    import termios

    try:
        termios.tcflush(stream, termios.TCIFLUSH)
    except (termios.error, OSError, ValueError):
        return  # a stream in memory, or a terminal that is gone
