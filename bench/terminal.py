"""Whether a terminal takes what is written: one that stands still (Ctrl-S, a window that hangs) must hold nothing up."""

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
