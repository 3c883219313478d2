"""What a session tells those who watch it, as it goes: values, never text to parse."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TypeAlias

from bench.envelope import Bins
from bench.manual_actions import Action
from bench.measure import Measured
from bench.record import TestRecord
from bench.transitions import Change
from bench.verdict import Verdict


@dataclass(frozen=True, slots=True)
class StepBegan:
    """Step `number` of `of` of the procedure begins; `start` of `starts` from cold for a run.

    `load`: the load of a run in words, `lamps` how many places it takes. `live`: the load is switched while the unit flashes on, so the
    trace of the run before goes on.
    """

    name: str
    title: str
    text: str
    number: int
    of: int
    start: int = 1
    starts: int = 1
    load: str = ""
    lamps: int = 0
    live: bool = False


@dataclass(frozen=True, slots=True)
class Asked:
    """A person has to do something; the session waits."""

    action: Action


@dataclass(frozen=True, slots=True)
class Waiting:
    """Nothing happens for another `left_s`, and why."""

    what: str
    left_s: float


@dataclass(frozen=True)
class Live:
    """How a run stands: s since the supply was switched on, at most `left_s` to go, good cycles of those `wanted`.

    Some twenty times a second. `latest` is the newest reading of each channel.
    """

    on_s: float
    left_s: float
    cycles: int
    wanted: int
    closed: bool | None
    latest: Mapping[str, float]


@dataclass(frozen=True, slots=True)
class Traced:
    """What the run at hand showed since the last time, some twenty times a second: `now_s` is how far it is known, `changes` what was
    found meanwhile (also of a little earlier). Times in s of the board's clock since sampling began."""

    bins: Bins | None
    changes: tuple[Change, ...]
    now_s: float


@dataclass(frozen=True, slots=True)
class SoFar:
    """What the run at hand shows, and what the verdicts would be if it ended at this moment.

    Once a second; at STOPPING_LEVEL (`bench.session.ledger`), because it is evaluated every second.
    `provisional`: while flashes are there but fewer than the averaging rule asks for, what all completed ones show.
    """

    measured: Measured
    verdicts: tuple[Verdict, ...]
    provisional: Measured | None = None


@dataclass(frozen=True, slots=True)
class Decided:
    """The last run is over and the supply was switched off: the record as it will be, if nothing happens until the board has confirmed that
    everything is open."""

    record: TestRecord


@dataclass(frozen=True, slots=True)
class Damage:
    """Bytes, frames or replies were lost or damaged on the way; the counts so far."""

    counts: Mapping[str, int]


@dataclass(frozen=True, slots=True)
class Noted:
    """Something worth knowing that ends nothing: a step that was left out, and why."""

    text: str


@dataclass(frozen=True, slots=True)
class Planned:
    """What will be asked for, a sentence for each step, before anything is done."""

    lines: tuple[str, ...]


Event: TypeAlias = StepBegan | Asked | Waiting | Live | Traced | SoFar | Decided | Damage | Noted | Planned
Progress: TypeAlias = Callable[[Event], None]
