"""A simulated board in a process of its own, on a pseudo-terminal, as `makebreak board` serves it; its cable can be pulled."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path
from typing import Self

_SOON_S = 120.0  # against a hang, not a measurement


class BoardProcess:
    """`device` is a name that stays the same whenever the board is plugged in again, perhaps with another unit in its socket.

    Unplugging ends the process, so that the board which comes back is one that has just got power.
    """

    def __init__(self, folder: Path, address: str) -> None:
        self.device = folder / "board"
        self.address = address
        self._process: subprocess.Popen[str] | None = None

    def __enter__(self) -> Self:
        self.plug()
        return self

    def __exit__(self, *_: object) -> None:
        self.unplug()

    def plug(self, address: str | None = None) -> None:
        self.address = address or self.address
        command = (sys.executable, "-m", "bench", "board", self.address)
        self._process = subprocess.Popen(command, stdout=subprocess.PIPE, stdin=subprocess.DEVNULL, text=True)
        assert self._process.stdout is not None
        self.device.symlink_to(self._process.stdout.readline().strip())

    def unplug(self) -> None:
        if self._process is None:
            return
        self.device.unlink(missing_ok=True)
        self._process.terminate()
        self._process.wait(_SOON_S)
        if self._process.stdout is not None:
            self._process.stdout.close()
        self._process = None
