"""What a capture says of the test that it was made of: the note that a session begins with."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from bench.ports.replay import CaptureError
from bench.procedure import Procedure
from bench.record import SetupRecord
from bench.typed_json import ContentError, decode


@dataclass(frozen=True)
class SessionNote:
    """The first note of a capture of format 2: set-up and procedure, whole, and when and by which version the test was made."""

    setup: SetupRecord
    procedure: Procedure
    when: str
    software: str


def session_note(note: Mapping[str, Any], name: str) -> SessionNote | None:
    """What the note `session` of the capture `name` says; None for a capture of format 1, which does not say it."""
    if "setup" not in note:
        return None
    try:
        found: SessionNote = decode(SessionNote, {key: value for key, value in note.items() if key != "note"})
    except ContentError as error:
        raise CaptureError(f"capture {name}: its set-up can't be understood: {error}") from error
    return found
