"""Runs `makebreak banks` with an error planted in it, for `test_own_errors.py`: python planted.py KIND."""

from __future__ import annotations

import atexit
import sys
import threading
from typing import Any

import bench.cli
import bench.files

HOSTILE = "bad \x1b[31m\x9b2J name\nof two lines "


class Dropped:
    def __del__(self) -> None:
        raise ValueError("in a finalizer")


def _endless() -> None:
    _endless()


def plant(kind: str) -> Any:
    match kind:
        case "exception":
            raise ValueError(HOSTILE + "x" * 1_000_000)
        case "library leaves with 1":
            sys.exit(1)
        case "memory":
            raise MemoryError
        case "recursion":
            _endless()
        case "base exception":
            raise BaseException("odd")
        case "thread":
            thread = threading.Thread(target=lambda: 1 / 0)
            thread.start()
            thread.join()
        case "finalizer":
            Dropped()
        case "at exit":
            atexit.register(lambda: 1 / 0)
        case "cancelled":
            raise KeyboardInterrupt
    return ()


if __name__ == "__main__":
    planted = sys.argv.pop(1)
    if planted == "import":
        sys.modules["bench.bank"] = None  # type: ignore[assignment]
    bench.files.banks = lambda: plant(planted)
    bench.cli.main()
