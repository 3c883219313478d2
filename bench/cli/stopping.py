"""What a long command needs of the machine: an orderly end however it is asked for, and what time it is."""

from __future__ import annotations

import contextlib
import signal
import threading
from collections.abc import Iterator
from datetime import UTC, datetime
from typing import TypedDict

from bench import __version__


@contextlib.contextmanager
def stop_signals() -> Iterator[None]:
    """SIGTERM and a closed terminal end a test as Ctrl-C does: loads opened, record kept."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    numbers = [getattr(signal, name) for name in ("SIGTERM", "SIGHUP") if hasattr(signal, name)]
    before = {number: signal.signal(number, signal.default_int_handler) for number in numbers}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


class Story(TypedDict):
    when: str
    software: str


def story_of_now() -> Story:
    """When, with the local offset, and by which version: what every record says of its making."""
    return {"when": datetime.now(UTC).astimezone().isoformat(timespec="seconds"), "software": f"makebreak {__version__}"}
