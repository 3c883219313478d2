"""How a test is set up: the unit, the load that it is for, the supply, what it is held to."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from bench.bank import Bank, Socket, nominal_test_v, sockets_text
from bench.claims import Claims
from bench.errors import SetupError
from bench.grade import Rule
from bench.limits import LimitSet
from bench.measure import FACTS, Counts, FactName, FilmState, PilotState
from bench.procedure import RunStep
from bench.record import SetupRecord

_SYSTEMS = (6.0, 12.0, 24.0)
MOST_V = 1.4 * 24.0
"""The highest supply that a test can be set up with, in a 24 V system."""
ENTERED: Mapping[str, tuple[str, ...]] = {
    FactName.PILOT: (PilotState.ABSENT,),
    FactName.INSULATION: FACTS[FactName.INSULATION],
    FactName.FILM: (FilmState.NONE, FilmState.RECOVERED),
}
"""Facts that a person enters, since no rig sees them, and which of their words (FACTS) a person can know."""


@dataclass(frozen=True)
class Setup:
    """What is tested, on what, and what it is held to.

    - `rated`: watts of each lamp that the unit is for; the bench's lamps are chosen by it. `lamps`: the loads by number instead,
      for lamps in the free sockets; `filament=False` if they are not filament lamps (then their current is not checked).
    - `fitted`: of a recording made elsewhere, watts of the lamps that were connected; empty if that is not known, None for the ways above.
    - `bank`: what stands in the sockets, whatever the board's description says; None if the description alone says it.
    - `supply_v`: at the lamps with the unit shorted; None for the nominal 6.4, 12.8, 25.6 V (SAE J590).
    - `limits`: what `files.named_limits` gives: a name to choose by and the sets to choose from, for each set or family.
    - `rested_s`: how long unit and lamps are known to have been off when the test begins; it counts as cooling.
    - `zero`: whether to do the steps with the shorting link.
    - `rating_known`: whether `rated` was read off the unit, not guessed. `claims`: what else the unit is said to be. `entered`: facts of
      ENTERED that a person knows.
    """

    unit: str
    system_v: float = 12.0
    rated: tuple[float, ...] = (21.0, 21.0)
    lamps: tuple[int, ...] | None = None
    fitted: tuple[float, ...] | None = None
    filament: bool = True
    bank: Bank | None = None
    supply_v: float | None = None
    limits: tuple[tuple[str, tuple[LimitSet, ...]], ...] = ()
    grade_rule: Rule | None = None
    stop_early: bool = False
    precise: bool = False
    zero: bool = False
    rested_s: float = 0.0
    rating_known: bool = False
    claims: Claims = field(default_factory=Claims)
    entered: Mapping[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        if self.claims.system_v not in (None, self.system_v):
            which = f"part {self.claims.part}" if self.claims.part else "the unit"
            said = f"{which} is said to be for {self.claims.system_v:g} V, the test is for {self.system_v:g} V"
            raise SetupError(f"setting up the test: {said}; choose the unit's system")
        if self.system_v not in _SYSTEMS:
            raise SetupError(f"setting up the test: a {self.system_v:g} V system, allowed: {_volts_text(_SYSTEMS)}")
        if not self.rated or not all(math.isfinite(w) and w > 0.0 for w in self.rated):
            raise SetupError(f"setting up the test: rated load {self.rated!r}, wanted the watts of at least one lamp")
        names = [name for name, _ in self.limits]
        if twice := [name for number, name in enumerate(names) if name in names[:number]]:
            raise SetupError(f"setting up the test: limits {twice[0]} are named twice; name them once")
        if self.supply_v is not None and not 0.4 * self.system_v <= self.supply_v <= 1.4 * self.system_v:
            got = f"a supply of {self.supply_v:g} V in a {self.system_v:g} V system"
            raise SetupError(f"setting up the test: {got}, allowed: 40 % to 140 % of it")
        if not 0.0 <= self.rested_s < math.inf:
            raise SetupError(f"setting up the test: rested for {self.rested_s!r} s, wanted the seconds since the unit was last on")
        for fact, word in self.entered.items():
            if word not in ENTERED.get(fact, ()):
                known = "; ".join(f"{name} = {' or '.join(words)}" for name, words in ENTERED.items())
                raise SetupError(f"setting up the test: fact {fact} = {word}; what can be entered by hand is {known}")

    @property
    def load_is_rated(self) -> bool | None:
        """Whether it is tested on the load that it is for; None if its rating is not known. Loads chosen by number are another load, but
        for LED lamps where it is said to be for such."""
        if self.fitted is not None:
            return sorted(self.fitted) == sorted(self.rated) if self.fitted and self.rating_known else None
        if self.lamps is not None:
            sockets = self.rated_sockets or ()
            return bool(sockets) and bool(self.claims.led) and all(socket.kind.startswith("led") for socket in sockets)
        return True if self.rating_known else None

    @property
    def starts_asked(self) -> int:
        """Cold starts that the limit sets ask for: of a mean of several starts the most, else one."""
        sets = [limit_set for _, some in self.limits for limit_set in some]
        return max((condition.starts or 1 for s in sets for condition in s.conditions), default=1)

    @property
    def nominal_v(self) -> float:
        """The supply at the lamps, in V, where a step asks for no other."""
        return self.supply_v if self.supply_v is not None else nominal_test_v(self.system_v)

    def supply_for(self, step: RunStep) -> float:
        """Return the supply voltage at the lamps for the runs of this step, in V."""
        return step.supply_for(self.system_v, self.nominal_v)

    @property
    def rated_sockets(self) -> tuple[Socket, ...] | None:
        """What the rated load is made of, as far as it is known without a board; None where only the board may know."""
        if self.fitted is not None:
            return tuple(Socket("filament", watts) for watts in self.fitted) or None
        if self.lamps is None:
            return tuple(Socket("filament", watts) for watts in self.rated)
        if self.bank is None or not all(1 <= n <= len(self.bank.sockets) for n in self.lamps):
            return None
        return tuple(self.bank.for_system(self.system_v).sockets[n - 1] for n in self.lamps)

    @property
    def rated_load(self) -> str:
        """What it is for, in words; where that is not known, what it is tested on."""
        return watts_text(self.rated) if self.rating_known else self.load_text

    @property
    def load_text(self) -> str:
        """What it is tested on, as far as that is known without a board: `2 x 21 W`, `LED 0.15 A`, `load 6`."""
        if self.fitted == ():
            return "lamps not stated"
        sockets = self.rated_sockets
        return load_text_of(self.lamps or (), (None,) * len(self.lamps or ())) if sockets is None else sockets_text(sockets)

    @property
    def signal_lamps(self) -> int:
        """How many of the lamps are signal lamps, not repeaters: those of at least half of the largest wattage."""
        return sum(1 for w in self.rated if w >= 0.5 * max(self.rated))

    @property
    def counts(self) -> Counts:
        """Cycles to skip and to average so that every limit set is content."""
        sets = [limit_set for _, some in self.limits for limit_set in some]
        if not sets:
            return Counts()
        return Counts(max(s.averaging.skip for s in sets), max(s.averaging.average for s in sets))


def _volts_text(volts: Sequence[float]) -> str:
    return ", ".join(f"{v:g} V" for v in volts)


def watts_text(watts: Sequence[float]) -> str:
    """Return `2 x 21 W + 5 W`, heaviest first."""
    return sockets_text([Socket("filament", w) for w in watts])


def load_text_of(numbers: Sequence[int], sockets: Sequence[Socket | None]) -> str:
    """Return these loads in words; those of which nothing is known by their numbers: `21 W + load 6`."""
    known = sockets_text([socket for socket in sockets if socket is not None])
    return " + ".join(part for part in (known, *(f"load {n}" for n, s in zip(numbers, sockets, strict=True) if s is None)) if part)


def with_load_of_recording(setup: Setup) -> Setup:
    """Return the set-up of a recording: where it is not said which lamps were connected, nor which the unit is for, none are guessed."""
    said = setup.fitted is not None or setup.lamps is not None or setup.bank is not None or setup.rating_known
    return setup if said else replace(setup, fitted=())


def setup_record(setup: Setup, supply_v: float | None) -> SetupRecord:
    """Return the setup as a record keeps it; `supply_v` is what the supply was set to, or held to."""
    return SetupRecord(
        unit=setup.unit,
        system_v=setup.system_v,
        supply_v=supply_v,
        rated_w=setup.rated if setup.rating_known or setup.fitted is None else (),
        rating_known=setup.rating_known,
        lamps=setup.lamps,
        fitted_w=setup.fitted,
        filament=setup.filament,
        bank=setup.bank,
        sample_mode="precise" if setup.precise else "fast",
        limits=tuple(name for name, _ in setup.limits),
        grade_rule=None if setup.grade_rule is None else setup.grade_rule.name,
        skip=setup.counts.skip,
        average=setup.counts.average,
        stop_early=setup.stop_early,
        zero=setup.zero,
        rested_s=setup.rested_s,
        claims=setup.claims,
        entered=setup.entered,
    )
