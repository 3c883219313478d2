"""How long to wait for something that a free machine does in a given time, on a machine that also does other things."""

from __future__ import annotations

import os
import time
from pathlib import Path

_LOADAVG = Path("/proc/loadavg")
_CORES = os.cpu_count() or 1


def slowness() -> float:
    """How many processes want each core at this moment, at least 1: what takes a second on a free machine takes so many now.

    1 where the kernel does not say (it does on Linux: the fourth field of /proc/loadavg, see proc(5)).
    """
    try:
        running = int(_LOADAVG.read_text().split()[3].partition("/")[0])
    except OSError:
        return 1.0
    return max(1.0, running / _CORES)


class Patience:
    """Time allowed on a free machine, in s. It passes more slowly while the machine is busy; ask `is_left` at least every 0.1 s."""

    def __init__(self, allowed_s: float) -> None:
        self._left_s = allowed_s
        self._asked_s = time.monotonic()

    @property
    def is_left(self) -> bool:
        """Whether there is still time."""
        now_s = time.monotonic()
        self._left_s -= (now_s - self._asked_s) / slowness()
        self._asked_s = now_s
        return self._left_s > 0.0
