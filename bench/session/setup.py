"""How a test is set up: the unit, the load that it is for, the supply, what it is held to; and what that means on a board."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from bench.claims import Claims
from bench.description import BoardDescription
from bench.grade import Rule
from bench.lamps import expected_current_a
from bench.limits import LimitSet
from bench.measure import Conditions, Counts
from bench.procedure import Loads

TRAILER_W = 21.0
LOOP_OHM = 0.10  # series resistance from supply to lamps: SAE J823 (1994), after a public summary
_COLD = 15.0  # times the steady current that cold filaments take from a stiff source, at most (general lighting notes: 10-15)
_SUPPLY_PART = 0.025
_SYSTEMS = (6.0, 12.0, 24.0)
ENTERED: Mapping[str, tuple[str, ...]] = {
    "pilot": ("absent",),
    "insulation": ("good", "bad"),
    "film": ("none", "recovered"),
}
"""Facts that a person enters, since no rig sees them, and what they may be."""


class SetupError(ValueError):
    """The test can't be done as it was set up. One line: what was asked, what this board or procedure can do."""


@dataclass(frozen=True)
class Setup:
    """What is tested, on what, and what it is held to.

    - `rated`: watts of each lamp that the unit is for; the board's lamps are chosen by it. `lamps`: the loads by number instead,
      for lamps in the free sockets; `filament=False` if they are not filament lamps (then their current is not checked).
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
    filament: bool = True
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
            said = f"part {self.claims.part} is said to be for {self.claims.system_v:g} V, the test is for {self.system_v:g} V"
            raise SetupError(f"setting up the test: {said}; choose the unit's system")
        if self.system_v not in _SYSTEMS:
            raise SetupError(f"setting up the test: a {self.system_v:g} V system, allowed: {_volts_text(_SYSTEMS)}")
        if not self.rated or not all(math.isfinite(w) and w > 0.0 for w in self.rated):
            raise SetupError(f"setting up the test: rated load {self.rated!r}, wanted the watts of at least one lamp")
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
        """Whether it is tested on the load that it is for; None if its rating is not known."""
        if not self.rating_known:
            return None
        return self.lamps is None

    @property
    def starts_asked(self) -> int:
        """Cold starts that the limit sets ask for: of a mean of several starts the most, else one."""
        sets = [limit_set for _, some in self.limits for limit_set in some]
        return max((condition.starts or 1 for s in sets for condition in s.conditions), default=1)

    @property
    def nominal_v(self) -> float:
        return self.supply_v if self.supply_v is not None else 12.8 * self.system_v / 12.0

    @property
    def rated_load(self) -> str:
        return watts_text(self.rated)

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
    """`2 x 21 W + 5 W`, heaviest first."""
    parts = []
    for w in sorted(set(watts), reverse=True):
        n = sum(1 for v in watts if v == w)
        parts.append(f"{n} x {w:g} W" if n > 1 else f"{w:g} W")
    return " + ".join(parts)


@dataclass(frozen=True, slots=True)
class Load:
    """Loads to close for a run: their numbers on the board (the tell-tale at the pilot terminal included), and the watts."""

    numbers: tuple[int, ...]
    watts: tuple[float, ...]
    text: str


def load_for(loads: Loads, setup: Setup, description: BoardDescription) -> Load:
    """Which loads of this board make the load `loads` of a procedure. SetupError if the bank does not have them."""
    rated = _numbers_for(setup.rated, description) if setup.lamps is None else setup.lamps
    if isinstance(loads, tuple):
        numbers = loads
    elif loads == "rated":
        numbers = rated
    elif loads == "one-out":
        if len(rated) < 2:
            raise SetupError(f"choosing lamps for one lamp out: the rated load is one lamp ({setup.rated_load}), two are needed")
        heaviest = max(rated, key=lambda n: (_watts(n, description), n))
        numbers = tuple(n for n in rated if n != heaviest)
    else:
        spare = tuple(n for n in _lamps_of(TRAILER_W, description) if n not in rated)
        if not spare:
            raise SetupError(f"choosing lamps for a trailer: no lamp of {TRAILER_W:g} W is left besides {setup.rated_load}")
        numbers = (*rated, spare[0])
    unknown = [n for n in numbers if n not in description.loads or description.loads[n].kind not in ("LAMP", "FREE")]
    if unknown:
        raise SetupError(f"choosing lamps: load {unknown[0]} is no lamp of this board; its lamps are {bank_text(description)}")
    lamps = tuple(sorted(numbers))
    watts = tuple(_watts(n, description) for n in lamps)
    known = watts_text([w for w in watts if w > 0.0])
    free = [f"load {n}" for n, w in zip(lamps, watts, strict=True) if w == 0.0]
    pilot = tuple(n for n, load in description.loads.items() if load.kind == "PILOT")
    text = " + ".join(part for part in (known, *free) if part)
    return Load(tuple(sorted({*lamps, *pilot})), watts if all(watts) else (), text)


def bank_text(description: BoardDescription) -> str:
    """The board's lamps for people: `1: 21 W, 2: 21 W, 6: free`."""
    lamps = [load for load in description.loads.values() if load.kind in ("LAMP", "FREE")]
    return ", ".join(f"{load.number}: {f'{load.nominal:g} W' if load.kind == 'LAMP' else 'free'}" for load in lamps) or "none"


def _lamps_of(watts: float, description: BoardDescription) -> list[int]:
    lamps = sorted((n, load) for n, load in description.loads.items() if load.kind == "LAMP")
    return [n for n, load in lamps if abs(load.nominal - watts) < 0.05 * watts]


def _watts(number: int, description: BoardDescription) -> float:
    load = description.loads.get(number)
    return load.nominal if load is not None and load.kind == "LAMP" else 0.0


def _numbers_for(watts: Sequence[float], description: BoardDescription) -> tuple[int, ...]:
    taken: list[int] = []
    for w in watts:
        free = [n for n in _lamps_of(w, description) if n not in taken]
        if not free:
            raise SetupError(f"choosing lamps for {watts_text(watts)}: this board's bank has {bank_text(description)}")
        taken.append(free[0])
    return tuple(taken)


def steady_a(load: Load, setup: Setup, lamp_v: float) -> float | None:
    """What the load takes when it is hot; None if that is not known (lamps in the free sockets)."""
    return expected_current_a(load.watts, setup.system_v, lamp_v) if load.watts and setup.filament else None


def open_v(setup: Setup, rated: Load, lamp_v: float) -> float:
    """The supply's voltage without load that leaves lamp_v at the lamps, unit shorted and rated load on (SAE J823)."""
    return lamp_v + LOOP_OHM * (steady_a(rated, setup, lamp_v) or 0.0)


def conditions_for(setup: Setup, rated: Load, load: Load, lamp_v: float) -> Conditions:
    """What the analysis has to know; the band of the supply is what the loop leaves at the unit, 2.5 % wider each way."""
    source_v = open_v(setup, rated, lamp_v)
    falls = 1.2 * LOOP_OHM * (steady_a(load, setup, lamp_v) or 0.0)
    slack = _SUPPLY_PART * lamp_v
    return Conditions(
        system_v=setup.system_v,
        lamps_w=load.watts,
        filament=setup.filament,
        supply_low_v=source_v - falls - slack,
        supply_high_v=source_v + slack,
        open_v=source_v,
    )


def protection_a(setup: Setup, load: Load, lamp_v: float, description: BoardDescription) -> float | None:
    """Over-current level: a quarter above the inrush of cold lamps through the loop; the largest if the load is not known."""
    limit = description.limits.get("CURR")
    if limit is None:
        return None
    steady = steady_a(load, setup, lamp_v)
    if steady is None:
        return limit.high
    cold_ohm = lamp_v / steady / _COLD
    inrush = open_v(setup, load, lamp_v) / (cold_ohm + LOOP_OHM)
    return min(max(round(1.25 * inrush, 1), limit.low), limit.high)


def on_time_s(at_most_s: float, description: BoardDescription) -> float | None:
    """Longest on-time to set for a run of at_most_s: a few seconds more, within what the board allows."""
    limit = description.limits.get("TIME")
    return None if limit is None else min(max(math.ceil(at_most_s + 5.0), limit.low), limit.high)


def range_reach_v(setup: Setup, volts: Sequence[float]) -> float:
    """The voltage that the board's voltage range must reach for runs at these supply voltages."""
    return max(1.15 * v + 0.5 for v in volts)


def settings_text(setup: Setup) -> Mapping[str, str]:
    """The setup as a record keeps it."""
    return {
        "supply": f"{setup.nominal_v:g} V",
        "sample mode": "precise" if setup.precise else "fast",
        "limits asked for": ", ".join(name for name, _ in setup.limits) or "none",
        "cycles": f"skip {setup.counts.skip}, average at least {setup.counts.average}",
        "stop early": "yes" if setup.stop_early else "no",
        "rating": "known" if setup.rating_known else "guessed",
        **{f"entered by hand: {fact}": word for fact, word in setup.entered.items()},
    }
