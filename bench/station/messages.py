"""What the screen and the station say to each other: orders down, news up, and the session's own events as they are."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TypeAlias

from bench.description import BoardDescription
from bench.procedure import Procedure
from bench.record import TestRecord
from bench.session import Event
from bench.setup import Setup

# --- orders


@dataclass(frozen=True, slots=True)
class Attach:
    """Use the board at this address from now on. `own_hands`: at a simulated board, the person performs the manual actions."""

    address: str
    own_hands: bool = False


@dataclass(frozen=True, slots=True)
class Begin:
    """Test a unit."""

    setup: Setup
    procedure: Procedure


@dataclass(frozen=True, slots=True)
class Done:
    """What was asked is done."""


@dataclass(frozen=True, slots=True)
class PassTime:
    """At a simulated board: let the time for cooling pass at once."""


@dataclass(frozen=True, slots=True)
class Turn:
    """At a simulated board: turn the supply by so many volts."""

    by_v: float


@dataclass(frozen=True, slots=True)
class Stop:
    """Break off the test, for this reason."""

    reason: str


@dataclass(frozen=True, slots=True)
class Beat:
    """The screen lives, and its terminal shows what it is sent."""


@dataclass(frozen=True, slots=True)
class Leave:
    """Break off whatever is being done, keep the record, and end."""

    reason: str


Order: TypeAlias = Attach | Begin | Done | PassTime | Turn | Stop | Beat | Leave

# --- news


@dataclass(frozen=True)
class Present:
    """A board answers. `simulated`: no real unit is in its socket."""

    address: str
    identity: str
    simulated: bool
    description: BoardDescription


@dataclass(frozen=True, slots=True)
class Absent:
    """No board answers: why, and what to do. It is looked for again and again."""

    text: str


@dataclass(frozen=True, slots=True)
class Started:
    """A test began; its record and its capture are kept here, if anywhere."""

    unit: str
    record_path: Path | None
    capture_path: Path | None


@dataclass(frozen=True, slots=True)
class Shown:
    """The supply without load, in V, while it is set; None before the first reading."""

    v_in_v: float | None


@dataclass(frozen=True)
class Finished:
    """A test is over, however it ended. `problem` says why record or capture are not kept, if so."""

    record: TestRecord
    record_path: Path | None
    capture_path: Path | None
    problem: str = ""


@dataclass(frozen=True, slots=True)
class Refused:
    """A test could not begin: what was asked, what this bench can do."""

    text: str


@dataclass(frozen=True, slots=True)
class Broken:
    """The station is no more: its process ended. Said by the link, not by the station."""

    text: str


News: TypeAlias = Present | Absent | Started | Shown | Finished | Refused | Broken | Event
