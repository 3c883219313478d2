"""What a process takes of the machine: processor time and memory, as the kernel counts them (Linux)."""

from __future__ import annotations

import os
import time
from dataclasses import dataclass
from pathlib import Path

_TICK_S = 1.0 / os.sysconf("SC_CLK_TCK")


@dataclass(frozen=True, slots=True)
class Load:
    """Processor time of a process so far, all threads, at a time; s."""

    used_s: float
    at_s: float

    @classmethod
    def of(cls, pid: int) -> Load:
        fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
        return cls((int(fields[11]) + int(fields[12])) * _TICK_S, time.monotonic())

    def share_since(self, before: Load) -> float:
        """The part of one core that was taken since then."""
        return (self.used_s - before.used_s) / (self.at_s - before.at_s)


def memory_mb(pid: int) -> float:
    """Memory that the process holds now, in MB."""
    lines = Path(f"/proc/{pid}/status").read_text().splitlines()
    kilobytes = next(int(line.split()[1]) for line in lines if line.startswith("VmRSS:"))
    return kilobytes * 1024 / 1e6
