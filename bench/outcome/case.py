"""All that an outcome is made of."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from bench.grade import Grade
from bench.measure import BenchFault, Measured
from bench.uncertainty import Estimate
from bench.verdict import Verdict


@dataclass(frozen=True)
class OtherLoad:
    """What the unit did in the same test on another load: its text, its behaviour, what was measured, and whether the rule rejects it."""

    text: str
    behaviour: str
    values: tuple[tuple[str, Estimate], ...] = ()
    rejected: bool = False


@dataclass(frozen=True)
class Case:
    """All that the outcome is made of.

    `bench_faults`: those of the whole test. `broken_off_by_bench`: the test ended because of the bench. `load`: text of the load it was
    tested on; `is_rated`: whether that is what the unit is for, None if that is not known. `odd_supply`: volts at which no unit is used, in
    words; empty if the supply was a usual one. `leads_may_explain`: nothing would charge the drop, were the sense leads on the clips.
    `to_be_surer`: what would make the uncertainties narrower, as advice; empty if nothing but another test would.
    `doubt`: what the recording leaves open though nothing in it speaks against the unit. `recorded`: it was recorded elsewhere, so that
    advice speaks of recording. `heard`: only its sound was recorded, which proves neither lamps nor supply: it speaks against no unit.
    """

    measured: Measured
    verdicts: Sequence[Verdict]
    grade: Grade | None
    bench_faults: Sequence[BenchFault] = ()
    interrupted: str | None = None
    broken_off_by_bench: bool = False
    load: str = ""
    is_rated: bool | None = None
    others: Sequence[OtherLoad] = ()
    odd_supply: str = ""
    leads_may_explain: bool = False
    to_be_surer: str = ""
    heard: bool = False
    doubt: str = ""
    recorded: bool = False
