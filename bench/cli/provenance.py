"""When and by which version a record is made."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TypedDict

from bench.version import __version__


class Provenance(TypedDict):
    """What every record says of its making."""

    when: str
    software: str


def provenance_now() -> Provenance:
    """Return the time with the local offset, and this program."""
    return {"when": datetime.now(UTC).astimezone().isoformat(timespec="seconds"), "software": f"makebreak {__version__}"}
