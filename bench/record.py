"""The record of a test: one value that holds what was tested, how, what was measured, what was decided and by which rule.

Everything that shows or keeps a result (table, JSON, page, store) reads this and nothing else.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from bench.claims import Claims
from bench.conditions import ConditionVerdict
from bench.grade import Grade
from bench.limits import Averaging, LimitSet
from bench.measure import BenchFault, Measured
from bench.outcome import Conclusion, Outcome
from bench.verdict import Verdict

RECORD_FORMAT = 2
_SIMULATED = ("sim://", "firmware://")


@dataclass(frozen=True, slots=True)
class SetUsed:
    """A limit set that was used: which edition of which paper, and which cycles it averages how."""

    name: str
    title: str
    edition: str
    averaging: Averaging

    @classmethod
    def of(cls, limit_set: LimitSet) -> SetUsed:
        return cls(limit_set.name, limit_set.title, limit_set.edition, limit_set.averaging)


@dataclass(frozen=True)
class StepRecord:
    """One run of the unit on one load. Times in s of the host clock since the test began.

    `lamps_w`: rated watts of its lamps, empty if they are not all known to be filament lamps.
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


@dataclass(frozen=True)
class TestRecord:
    """The whole test. `measured` is what was judged: the steps' values put together as the procedure says.

    `load`: the text of the load that it was tested on, at `supply_v`; `rated_load` that of the load it is for. `claims`: what the unit is
    said to be.
    """

    unit: str
    procedure: str
    system_v: float
    rated_load: str
    steps: tuple[StepRecord, ...]
    measured: Measured
    limit_sets: tuple[SetUsed, ...]
    verdicts: tuple[Verdict, ...]
    conclusion: Conclusion
    when: str
    software: str
    board: Mapping[str, str] = field(default_factory=dict)
    settings: Mapping[str, str] = field(default_factory=dict)
    link: Mapping[str, int] = field(default_factory=dict)
    bench_faults: tuple[BenchFault, ...] = ()
    interrupted: str | None = None
    conditions: tuple[ConditionVerdict, ...] = ()
    claims: Claims = field(default_factory=Claims)
    load: str = ""
    supply_v: float | None = None
    format: int = RECORD_FORMAT

    @property
    def outcome(self) -> Outcome:
        return self.conclusion.outcome

    @property
    def is_simulated(self) -> bool:
        """Whether no real unit was tested. Only simulated boards name the unit in their socket; one that failed at once has its address."""
        return "simulated unit" in self.board or self.board.get("address", "").startswith(_SIMULATED)

    @property
    def reason(self) -> str:
        """One sentence for people."""
        return self.conclusion.reason

    @property
    def grade(self) -> Grade | None:
        """The grade by the shop's rule; None if none was given."""
        return self.conclusion.grade
