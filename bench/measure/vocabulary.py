"""The words of measuring, which limit files, verdicts, records and pages speak: facts, faults of the bench, parts of it that were proved.

Each word stands here once, as a member of a `Word`. Code compares with members; files and records hold their plain text, to which a member
is equal.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from enum import StrEnum
from typing import Final

from bench.uncertainty import Measurement


class Word(StrEnum):
    """A word of files and records: a text in every respect, also where it is shown with quotes."""

    def __repr__(self) -> str:
        return repr(self.value)


class FactName(Word):
    """What can be known of a unit beside its values; the words of each are in `FACTS`.

    `OUTAGE`, `PILOT_LAMP_OUT`: behaviour and pilot with one lamp out. `LAMP_OUT`: whether a driver would notice that. `TRAILER`: the
    behaviour with a further lamp. `RATING`, `INSULATION`, `SYSTEM`: entered by a person, since no rig can see them.
    """

    BEHAVIOUR = "behaviour"
    REST = "rest"
    PILOT = "pilot"
    MECHANISM = "mechanism"
    FILM = "film"
    OUTAGE = "outage"
    LAMP_OUT = "lamp out"
    PILOT_LAMP_OUT = "pilot, lamp out"
    TRAILER = "trailer"
    RATING = "rating"
    INSULATION = "insulation"
    SYSTEM = "system"


UNKNOWN: Final = "unknown"
"""Word of every fact that was neither seen nor entered; no file can ask for it."""


class UnitBehaviour(Word):
    """What a unit does on its load. `SHORTED`: too much current on lamps that are right without the unit."""

    FLASHING = "flashing"
    STEADY_ON = "steady on"
    DARK = "dark"
    ONE_FLASH = "one flash"
    SHORTED = "shorted"
    TOO_FEW = "too few"
    IRREGULAR = "irregular"
    NO_SUPPLY = "no supply"
    UNKNOWN = "unknown"


class RestState(Word):
    """How the contact stands when voltage comes to the unit: closed only if it stays closed for 0.10 s."""

    CLOSED = "closed"
    OPEN = "open"
    UNKNOWN = "unknown"


class PilotState(Word):
    """What the pilot terminal does against the lamps. `ABSENT`: there is no such terminal."""

    IN_STEP = "in step"
    ANTIPHASE = "antiphase"
    STEADY = "steady"
    DEAD = "dead"
    ABSENT = "absent"
    UNKNOWN = "unknown"


class MechanismKind(Word):
    """How a unit makes and breaks."""

    THERMAL = "thermal, closed at rest"
    HOT_WIRE = "hot wire"
    TWO_COIL = "two-coil"
    ELECTRONIC = "electronic"
    UNKNOWN = "unknown"


class FilmState(Word):
    """Whether a film lay on the contacts. `RECOVERED`: a high drop over the first flashes that went; `GOING`: one that still falls."""

    NONE = "none"
    RECOVERED = "recovered"
    GOING = "going"
    UNKNOWN = "unknown"


class LampOutSign(Word):
    """Whether a driver would notice that a lamp is out."""

    SHOWN = "shown"
    NOT_SHOWN = "not shown"
    UNKNOWN = "unknown"


class RatingState(Word):
    """Whether it is known which lamps the unit is for."""

    KNOWN = "known"
    UNKNOWN = "unknown"


class InsulationState(Word):
    """What a person found of the unit's insulation."""

    GOOD = "good"
    BAD = "bad"
    UNKNOWN = "unknown"


STANDING_STILL = (UnitBehaviour.STEADY_ON, UnitBehaviour.DARK, UnitBehaviour.ONE_FLASH, UnitBehaviour.SHORTED)
"""What a unit does that was seen not to flash."""
_ON_OTHER_LOADS = (UnitBehaviour.FLASHING, *STANDING_STILL)


def system_word(system_v: float) -> str:
    """Return the word of the fact `SYSTEM` for a system of system_v volts, such as `12 V`."""
    return f"{system_v:g} V"


def _known(words: type[Word], *never: Word) -> tuple[Word, ...]:
    """Return all words of a fact but `unknown` and those that it is `never`."""
    return tuple(word for word in words if word not in (UNKNOWN, *never))


FACTS: Mapping[str, tuple[str, ...]] = {
    FactName.BEHAVIOUR: _known(UnitBehaviour),
    FactName.REST: _known(RestState),
    FactName.PILOT: _known(PilotState),
    FactName.MECHANISM: _known(MechanismKind),
    FactName.FILM: _known(FilmState),
    FactName.OUTAGE: _ON_OTHER_LOADS,
    FactName.LAMP_OUT: _known(LampOutSign),
    FactName.PILOT_LAMP_OUT: _known(PilotState, PilotState.ABSENT),
    FactName.TRAILER: _ON_OTHER_LOADS,
    FactName.RATING: _known(RatingState),
    FactName.INSULATION: _known(InsulationState),
    FactName.SYSTEM: tuple(map(system_word, (6.0, 12.0, 24.0))),
}
"""Every fact of a test and the words that a file may ask for."""


class FaultCode(Word):
    """What is wrong on the bench side. A kept record may hold codes of other versions, which stand for themselves."""

    # of the board
    SELF_TEST = "self-test"
    BOARD_CLOCK = "board-clock"
    CLOCK_OFF = "clock-off"
    SAMPLES_STILL = "samples-still"
    SAMPLES_LOST = "samples-lost"
    STANDARD_OFF = "standard-off"
    DROP_STUCK = "drop-stuck"
    OUTPUT_JUMPS = "output-jumps"
    COMPARATOR_AGAINST = "comparator-against"
    CURRENTS_DIFFER = "currents-differ"
    DROPS_DIFFER = "drops-differ"
    INPUT_FED = "input-fed"
    NOT_ZERO = "not-zero"
    # of supply and leads
    SUPPLY_GONE = "supply-gone"
    SUPPLY_LIMITED = "supply-limited"
    SUPPLY_RIPPLES = "supply-ripples"
    SUPPLY_OUT_OF_RANGE = "supply-out-of-range"
    SUPPLY_SAGS = "supply-sags"
    SUPPLY_NOT_SET = "supply-not-set"
    SENSE_IN_OFF = "sense-in-off"
    SENSE_OUT_OFF = "sense-out-off"
    SENSE_LEADS_SWAPPED = "sense-leads-swapped"
    SENSE_LEADS = "sense-leads"
    # of the lamps
    LAMP_CURRENT = "lamp-current"
    LAMPS_NOT_COLD = "lamps-not-cold"
    LAMP_DIED = "lamp-died"
    # what broke the test off
    BOARD_TRIPPED = "board-tripped"
    BOARD_RESTARTED = "board-restarted"
    BOARD_SILENT = "board-silent"
    BOARD_CONTRADICTS = "board-contradicts"
    BOARD_REFUSED = "board-refused"
    BOARD_LACKS = "board-lacks"
    BOARD = "board"  # anything else that a board answers or does wrong
    ZERO = "zero"
    PORT_LOST = "port-lost"
    NOT_CONFIRMED_OPEN = "not-confirmed-open"
    PROGRAM = "program"  # an error of this program itself


LAMPS_WRONG = frozenset({FaultCode.LAMP_CURRENT, FaultCode.LAMPS_NOT_COLD, FaultCode.LAMP_DIED})
"""Faults of the bench that are of its lamps."""


class ProofItem(Word):
    """A part of the bench that a test may prove."""

    LAMPS = "lamps"
    SUPPLY = "supply"
    SENSE_LEADS = "sense leads"
    ZERO = "zero"
    DATA_LINE = "data line"


PROVED_BY_RUNS = (ProofItem.LAMPS, ProofItem.SUPPLY, ProofItem.SENSE_LEADS)
"""Parts of the bench that any run of a unit may prove; the others are of the whole test."""


APPLIED_UNSEEN = "the moment at which voltage was applied was not seen"
"""Reason for which there are no starting times where the supply was on from the first sample."""


@dataclass(frozen=True, slots=True)
class BenchFault:
    """Something wrong on the bench side. `text` says what was seen and what to do. `code`: a `FaultCode`, or the text that a record kept.

    `spoils` is False if the values stand all the same (a clock that was found wrong and corrected).
    """

    code: str
    text: str
    spoils: bool = True


@dataclass(frozen=True, slots=True)
class BenchProof:
    """Whether a part of the bench (`item`: a `ProofItem`) was proved in this run; `text` says by what, or why not."""

    item: str
    proved: bool
    text: str


@dataclass(frozen=True)
class Measured:
    """Everything that one run of a unit on one load showed.

    `values` by quantity name (only names of QUANTITIES). `facts`: for names of FACTS one of their words, or `unknown`. `proofs`: which
    parts of the bench were proved while this was measured.
    """

    values: Mapping[str, Measurement] = field(default_factory=dict)
    facts: Mapping[str, str] = field(default_factory=dict)
    bench_faults: tuple[BenchFault, ...] = ()
    proofs: tuple[BenchProof, ...] = ()


def with_proof(measured: Measured, proof: BenchProof) -> Measured:
    """Return `measured` with this proof in place of what was known of its item."""
    others = tuple(one for one in measured.proofs if one.item != proof.item)
    return replace(measured, proofs=(proof, *others))
