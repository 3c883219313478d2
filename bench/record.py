"""The record of a test: one value that holds what was tested, how, what was measured, what was decided and by which rule.

Everything that shows or keeps a result (table, JSON, page, store) reads this and nothing else.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal
from urllib.parse import parse_qs, unquote, urlsplit

from bench.bank import Bank
from bench.claims import Claims
from bench.conditions import ConditionVerdict
from bench.editions import Kind, Moved, edition_of
from bench.grade import Grade
from bench.limits import Averaging, LimitSet
from bench.measure import BenchFault, Measured
from bench.measure.flash_table import FlashTable
from bench.outcome import Conclusion, Outcome
from bench.procedure import Procedure
from bench.verdict import Verdict

RECORD_FORMAT = 4
_SIMULATED = ("sim", "firmware")


@dataclass(frozen=True)
class SetupRecord:
    """How the test was set up. What an older record did not say is None, or empty.

    - `supply_v`: asked for, in V at the lamps with the unit shorted; None for a recording that was held to no supply.
    - `rated_w`: watts of each lamp that the unit is for, read off it if `rating_known`, else only tried.
    - `lamps`: the loads by number, if they were not chosen by watts; `fitted_w`: watts of the lamps of a recording, empty if not stated;
      `filament`: whether they count as filament lamps.
    - `bank`: what stood in the sockets, if that was stated. `limits` and `grade_rule`: by name, as they were asked for.
    - `skip`, `average`: cycles that do not count, and how many count at least. `stop_early`: end when all limits are decided.
    - `zero`: do the steps with the shorting link. `rested_s`: for how long it was known to have been off.
    - `claims`: what the unit is said to be. `entered`: facts that a person knew.
    """

    unit: str
    system_v: float
    supply_v: float | None = None
    rated_w: tuple[float, ...] = ()
    rating_known: bool = False
    lamps: tuple[int, ...] | None = None
    fitted_w: tuple[float, ...] | None = None
    filament: bool | None = None
    bank: Bank | None = None
    sample_mode: Literal["fast", "precise"] | None = None
    limits: tuple[str, ...] = ()
    grade_rule: str | None = None
    skip: int | None = None
    average: int | None = None
    stop_early: bool = False
    zero: bool | None = None
    rested_s: float | None = None
    claims: Claims = field(default_factory=Claims)
    entered: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class SimulationRecord:
    """A simulated board: the unit in its socket, and the faults that its address asks for."""

    unit: str
    faults: tuple[str, ...] = ()

    @classmethod
    def of_address(cls, address: str) -> SimulationRecord | None:
        """Return what the address of a simulated board says; None for any other address."""
        parts = urlsplit(address)
        if parts.scheme not in _SIMULATED:
            return None
        faults = parse_qs(parts.query).get("fault", [""])[0].split(",")
        return cls(unquote(parts.netloc + parts.path).strip("/"), tuple(name.strip() for name in faults if name.strip()))


@dataclass(frozen=True, slots=True)
class BoardRecord:
    """The board that the test was made on, as far as it said what it is; `simulation` is None for a real one.

    `calibration`: the board's own scales, or those of a calibration with a meter, on the day `calibrated` (ISO 8601).
    """

    address: str
    maker: str = ""
    model: str = ""
    serial: str = ""
    firmware: str = ""
    calibration: Literal["built-in", "by meter"] | None = None
    calibrated: str | None = None
    simulation: SimulationRecord | None = None


@dataclass(frozen=True, slots=True)
class RecordingSource:
    """The file of a recording made elsewhere, the channels that it holds, the instrument if one was named, and what was not stated of
    its errors."""

    file: str
    columns: tuple[str, ...]
    instrument: str = ""
    not_stated: str = ""


@dataclass(frozen=True, slots=True)
class Compared:
    """Something that the test was first judged by, of this edition and check sum, against what its name stands for now.

    `edition_now`, `sha256_now`: None if nothing has that name any more. `moved`: what it says otherwise now.
    """

    kind: Kind
    name: str
    edition: str
    sha256: str
    edition_now: str | None
    sha256_now: str | None
    moved: tuple[Moved, ...] = ()


@dataclass(frozen=True, slots=True)
class JudgedAgain:
    """Judged from a kept capture: its file name, when, and by which version; `when` and `software` of the record are the test's.

    `compared`: what the test was first judged by; None if the capture does not keep that.
    """

    capture: str
    when: str
    software: str
    compared: tuple[Compared, ...] | None = None


@dataclass(frozen=True, slots=True)
class SetUsed:
    """A limit set that was used: which edition of which paper, which cycles it averages how, and the check sum over all that it says
    (`bench.editions`); empty in an older record."""

    name: str
    title: str
    edition: str
    averaging: Averaging
    sha256: str = ""

    @classmethod
    def of(cls, limit_set: LimitSet) -> SetUsed:
        """Return what the record keeps of a limit set."""
        sum_of_all = edition_of("limit set", limit_set.name, limit_set).sha256
        return cls(limit_set.name, limit_set.title, limit_set.edition, limit_set.averaging, sum_of_all)


@dataclass(frozen=True)
class StepRecord:
    """One run of the unit on one load. Times in s of the host clock since the test began.

    `lamps_w`: rated watts of its lamps, empty if they are not all known to be filament lamps. `flashes`: one by one, the newest 5000.
    """

    name: str
    title: str
    loads: tuple[int, ...]
    load_text: str
    began_s: float
    lasted_s: float
    measured: Measured
    cycles: int
    cycles_excluded: int
    supply_v: float | None = None
    stopped_early: bool = False
    interrupted: str | None = None
    lamps_w: tuple[float, ...] = ()
    flashes: FlashTable = field(default_factory=FlashTable)


@dataclass(frozen=True)
class TestRecord:
    """The whole test. `measured` is what was judged: the steps' values put together as the procedure says.

    `load`: the text of the load that it was tested on, at `supply_v`; `rated_load` that of the load it is for. It was made on a `board`,
    or elsewhere and is a `recording`. `procedure` is the whole of it; an older record has only its name. `older_format`: the format that it
    was kept in, without a check sum; None if it was kept with one.
    """

    setup: SetupRecord
    procedure: Procedure
    rated_load: str
    steps: tuple[StepRecord, ...]
    measured: Measured
    limit_sets: tuple[SetUsed, ...]
    verdicts: tuple[Verdict, ...]
    conclusion: Conclusion
    when: str
    software: str
    board: BoardRecord | None = None
    recording: RecordingSource | None = None
    judged_again: JudgedAgain | None = None
    notes: tuple[str, ...] = ()
    link: Mapping[str, int] = field(default_factory=dict)
    bench_faults: tuple[BenchFault, ...] = ()
    interrupted: str | None = None
    conditions: tuple[ConditionVerdict, ...] = ()
    load: str = ""
    supply_v: float | None = None
    older_format: int | None = None
    format: int = RECORD_FORMAT

    @property
    def unit(self) -> str:
        """The unit's number or name."""
        return self.setup.unit

    @property
    def system_v(self) -> float:
        """Voltage of the vehicle's system."""
        return self.setup.system_v

    @property
    def claims(self) -> Claims:
        """What the unit is said to be."""
        return self.setup.claims

    @property
    def outcome(self) -> Outcome:
        """The one outcome of the test."""
        return self.conclusion.outcome

    @property
    def is_simulated(self) -> bool:
        """Whether no real unit was tested."""
        return self.board is not None and self.board.simulation is not None

    @property
    def reason(self) -> str:
        """One sentence for people."""
        return self.conclusion.reason

    @property
    def grade(self) -> Grade | None:
        """The grade by the shop's rule; None if none was given."""
        return self.conclusion.grade
