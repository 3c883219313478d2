"""The notes of a capture as typed values: what a session writes between the bytes, so that they can be judged again.

A note is a JSON object whose `note` says its kind (`NOTES`); the rest are the fields of that kind, written and read as records are. What
does not fit its kind is no note of a session: a capture that holds such is refused, in one line.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TypeAlias

from bench.editions import Edition
from bench.errors import CaptureError, ContentError
from bench.measure import BenchFault
from bench.ports.replay import FORMAT, CaptureEntry
from bench.procedure import Procedure
from bench.record import BoardRecord, SetupRecord
from bench.typed_json import decode, printable
from bench.wire import STAMP_MODULUS


@dataclass(frozen=True)
class SessionNote:
    """The first note of a capture since format 2: set-up and procedure, whole, when and by which version the test was made, and what the
    limit sets and the grade rule said then; None in a capture that was made before that was kept."""

    setup: SetupRecord
    procedure: Procedure
    when: str
    software: str
    judged_by: tuple[Edition, ...] | None = None


@dataclass(frozen=True, slots=True)
class OlderSession:
    """The first note of a capture of format 1: the unit, the procedure by name, and its system in V."""

    unit: str = ""
    procedure: str = ""
    system_v: float | None = None


@dataclass(frozen=True, slots=True)
class BoardNote:
    """The board that answered, and its description as it gave it, line by line."""

    board: BoardRecord
    lines: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class OlderBoard:
    """The same of format 1, where the board is texts."""

    board: Mapping[str, str]
    lines: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class ZeroNote:
    """Readings with the shorting link by channel, as `bench.zero.LinkReadings`: mean, standard deviation, number."""

    rest: Mapping[str, tuple[float, float, int]]
    off: Mapping[str, tuple[float, float, int]]
    on: Mapping[str, tuple[float, float, int]]


@dataclass(frozen=True, slots=True)
class RunNote:
    """A run of `step` begins, on these loads at `volts`; `live`: it carries on the run before it. `text`: the load in words."""

    step: str
    name: str
    title: str
    loads: tuple[int, ...]
    text: str
    volts: float
    live: bool = False


@dataclass(frozen=True, slots=True)
class StampNote:
    """The board was asked where its stamps are, between `sent_s` and `received_s` of the port's clock: at `stamp` and `ticks`."""

    stamp: int
    ticks: int
    sent_s: float
    received_s: float

    def __post_init__(self) -> None:
        if not 0 <= self.stamp < STAMP_MODULUS or self.ticks < 0 or self.sent_s > self.received_s:
            raise ValueError(f"stamp {self.stamp} and {self.ticks} ticks, asked at {self.sent_s:g} s and answered at {self.received_s:g} s")


@dataclass(frozen=True, slots=True)
class OffNote:
    """The unit is switched off, or another run carries on: what came until now is what the run shows."""


@dataclass(frozen=True, slots=True)
class EndNote:
    """The run is over. `interrupted`: why it was broken off; None if it was not."""

    interrupted: str | None
    stopped_early: bool = False


@dataclass(frozen=True, slots=True)
class ShortedNote:
    """The run of `step` showed nothing but that the unit is shorted; `proof` says how the lamps were proved without it."""

    step: str
    title: str
    loads: tuple[int, ...]
    text: str
    volts: float
    proof: str


@dataclass(frozen=True, slots=True)
class LampsProvedNote:
    """Whether the lamps of the last run of `step` were proved by the link, and how."""

    step: str
    proved: bool
    text: str


@dataclass(frozen=True, slots=True)
class InterruptedNote:
    """The test was broken off; `text` says why."""

    text: str


@dataclass(frozen=True, slots=True)
class ClosedNote:
    """The last note: what a session knows only at its end. Steps left out and why, notes for people, counts of the link."""

    left_out: Mapping[str, str] = field(default_factory=dict)
    notes: tuple[str, ...] = ()
    link: Mapping[str, int] = field(default_factory=dict)


Note: TypeAlias = (
    SessionNote | OlderSession | BoardNote | OlderBoard | ZeroNote | RunNote | StampNote | OffNote | EndNote | ShortedNote | LampsProvedNote
    | BenchFault | InterruptedNote | ClosedNote
)  # fmt: skip
NOTES: Mapping[str, type] = {
    "session": SessionNote,
    "board": BoardNote,
    "zero": ZeroNote,
    "run": RunNote,
    "stamp": StampNote,
    "off": OffNote,
    "end": EndNote,
    "shorted": ShortedNote,
    "lamps proved": LampsProvedNote,
    "bench fault": BenchFault,
    "interrupted": InterruptedNote,
    "closed": ClosedNote,
}
"""The kind of each word under `note`."""
_FORMAT_1: Mapping[str, type] = {"session": OlderSession, "board": OlderBoard}


def note_of(entry: CaptureEntry, name: str, number: int = FORMAT) -> Note:
    """Return the note that an entry of kind NOTE holds, in a capture of format `number`. CaptureError if it is none of a session's.

    `name`: of the capture, for people.
    """
    kinds = {**NOTES, **_FORMAT_1} if number == 1 else NOTES
    what = "one of its notes"
    try:
        content = dict(entry.note)
        word = content.pop("note", None)
        if not isinstance(word, str) or word not in kinds:
            raise ContentError(f"got {word!r}; it must be one of {', '.join(NOTES)}")
        what = f"its note {word!r}"
        found: Note = decode(kinds[word], content)
    except ContentError as error:
        raise CaptureError(printable(f"capture {name}: {what} can't be understood: {error}")) from error
    return found
