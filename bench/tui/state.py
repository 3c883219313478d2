"""What the screens show: the whole state of a day at the bench. Values only; `bench.tui.desk` changes them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import Enum
from pathlib import Path

from bench.bank import Bank
from bench.description import BoardDescription
from bench.errors import AddressError
from bench.manual_actions import Action
from bench.measure import Measured
from bench.ports.setting import known_bench
from bench.procedure import Procedure
from bench.record import TestRecord
from bench.session import Live, StepBegan, Waiting
from bench.setup import Setup
from bench.station import Present
from bench.tui.choices import Choices
from bench.tui.raster import BLOCKS, Ink
from bench.verdict import Verdict


class Phase(Enum):
    """What the bench is doing, and so what the screen is for."""

    READY = "ready"
    RUNNING = "running"
    VERDICT = "verdict"


@dataclass(frozen=True, slots=True)
class Tested:
    """A test of this day. `record_path` and `capture_path` say where it is kept; `problem` why it is not, if so.

    `keeping`: it was decided, and its record is being kept while the board confirms that everything is open.
    """

    record: TestRecord
    record_path: Path | None = None
    capture_path: Path | None = None
    problem: str = ""
    keeping: bool = False

    @property
    def not_kept(self) -> str:
        """Why record and trace are not kept, or not whole; empty if they are, or soon will be."""
        if self.keeping:
            return ""
        return self.problem or ("" if self.record_path is not None else "no place to keep it was named")


@dataclass
class Underway:
    """The test at hand, as far as it was told. `supply_v` is shown while a supply is set, `asked` the manual action to perform now.

    `early`: what was measured is from before the first flash was over, when every unit looks like one that never goes out.
    `provisional`: what all completed flashes show, while those that count are not there yet.
    """

    setup: Setup
    procedure: Procedure
    record_path: Path | None = None
    capture_path: Path | None = None
    step: StepBegan | None = None
    asked: Action | None = None
    waiting: Waiting | None = None
    live: Live | None = None
    supply_v: float | None = None
    measured: Measured | None = None
    provisional: Measured | None = None
    early: bool = True
    verdicts: tuple[Verdict, ...] = ()
    damage: Mapping[str, int] = field(default_factory=dict)
    note: str = ""
    stopping: bool = False

    @property
    def values(self) -> Measured | None:
        """What completed flashes show on the load at hand; None before the first one is over, unless the unit stands still."""
        if self.early or (self.step is not None and self.step.live and (self.live is None or not self.live.cycles)):
            return None
        return self.provisional or self.measured


@dataclass(frozen=True, slots=True)
class Practising:
    """A simulated bench of one's own choice. `own_hands`: the person performs the manual actions; `mystery`: its faults are to be
    found out.
    """

    address: str
    own_hands: bool
    mystery: bool


@dataclass
class State:
    """`typed` is what is being typed or scanned, `number` the unit in hand, `next_number` one that was scanned while another was tested.

    `message` is one line for the person: a wrong scan, a refusal. `absent` says why there is no board; `ink` is
    what traces are drawn with. `asks_to_leave`: a key that leaves was pressed in a test, and the next one leaves.
    `session` holds the tests of the day, also those before the screen was started again; `unread` says in one line which records of the
    day could not be read.
    """

    folder: Path | None
    choices: Choices
    favourites: tuple[Choices, ...] = ()
    phase: Phase = Phase.READY
    typed: str = ""
    number: str = ""
    next_number: str = ""
    message: str = ""
    board: Present | None = None
    absent: str = ""
    cautioned: bool = False
    practice: Practising | None = None
    ink: Ink = BLOCKS
    test: Underway | None = None
    tested: Tested | None = None
    session: list[Tested] = field(default_factory=list)
    unread: str = ""
    asks_to_leave: bool = False

    @property
    def runs(self) -> bool:
        """Whether a test runs that is not decided yet: current may flow."""
        return self.phase is Phase.RUNNING and self.test is not None

    @property
    def settled(self) -> bool:
        """Whether the test that is shown says something about its unit."""
        return self.tested is not None and self.tested.record.outcome.is_of_unit

    @property
    def simulated(self) -> bool:
        """Whether the board that answers, or that was asked for, is a simulated one."""
        return self.board.simulated if self.board is not None else self.practice is not None

    @property
    def own_hands(self) -> bool:
        """Whether the person performs the manual actions at a simulated bench."""
        return self.practice is not None and self.practice.own_hands

    @property
    def description(self) -> BoardDescription | None:
        """Of the board that answers."""
        return self.board.description if self.board is not None else None

    @property
    def fitted(self) -> Bank | None:
        """What stands in the sockets of a simulated bench, by its address; None if that does not tell."""
        if self.board is None:
            return None
        try:
            return known_bench(self.board.address).bank
        except AddressError:
            return None
