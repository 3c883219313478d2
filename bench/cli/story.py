"""When and by which version: what every record says of its making."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TypedDict

from bench.version import __version__


class Story(TypedDict):
    when: str
    software: str


def story_of_now() -> Story:
    """The time with the local offset, and this program."""
    return {"when": datetime.now(UTC).astimezone().isoformat(timespec="seconds"), "software": f"makebreak {__version__}"}
