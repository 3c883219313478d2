"""How a test is set up: the unit, the load that it is for, the supply, what it is held to; and what that means on a board."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TypeAlias

from bench.bank import Bank, Socket, nominal_test_v, sockets_text
from bench.claims import Claims
from bench.description import BoardDescription, Loop
from bench.errors import SetupError
from bench.grade import Rule
from bench.limits import LimitSet
from bench.measure import FACTS, Conditions, Counts, FactName, FilmState, PilotState
from bench.procedure import Loads, RunStep
from bench.record import SetupRecord

TRAILER_W = 21.0
LOOP_ASSUMED = Loop(0.10, 0.03)
"""Of a board that does not state its own: what SAE J823 (1994) asks for, after a public summary; how far benches are off it is a guess."""
_INRUSH: Mapping[str, float] = {"filament": 15.0, "led": 3.0, "resistor": 1.0, "led+resistor": 3.0}
"""Times the steady current that a cold load takes from a stiff source, at most: filaments 10 to 15 (general lighting notes); LED lamps, for
the capacitors at their input (common practice, no source)."""
_SUPPLY_PART = 0.025
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
    - `fitted`: of a recording made elsewhere, watts of the lamps that were connected; empty if nobody said, None for the ways above.
    - `bank`: what stands in the sockets, whatever the board's description says; None if nobody says more than the description.
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
        return self.supply_v if self.supply_v is not None else nominal_test_v(self.system_v)

    def supply_for(self, step: RunStep) -> float:
        """Return the supply voltage at the lamps for the runs of this step, in V."""
        return step.supply_for(self.system_v, self.nominal_v)

    @property
    def rated_sockets(self) -> tuple[Socket, ...] | None:
        """What the rated load is made of, as far as it is known without a board; None where only the board, or nobody, may know."""
        if self.fitted is not None:
            return tuple(Socket("filament", watts) for watts in self.fitted) or None
        if self.lamps is None:
            return tuple(Socket("filament", watts) for watts in self.rated)
        if self.bank is None or not all(1 <= n <= len(self.bank.sockets) for n in self.lamps):
            return None
        return tuple(self.bank.for_system(self.system_v).sockets[n - 1] for n in self.lamps)

    @property
    def rated_load(self) -> str:
        """What it is for, in words; where nobody knows, what it is tested on."""
        return watts_text(self.rated) if self.rating_known else self.load_text

    @property
    def load_text(self) -> str:
        """What it is tested on, as far as that is known without a board: `2 x 21 W`, `LED 0.15 A`, `load 6`."""
        if self.fitted == ():
            return "lamps not stated"
        sockets = self.rated_sockets
        return _load_text(self.lamps or (), (None,) * len(self.lamps or ())) if sockets is None else sockets_text(sockets)

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
    return sockets_text([Socket("filament", w) for w in watts])


@dataclass(frozen=True, slots=True)
class RunLoad:
    """Loads to close for a run: their numbers on the board (the tell-tale at the pilot terminal included), and the load in words.

    `lamps`: the lamp places among the numbers; `sockets`: what each of them holds, None if that is not known. `pilot_w`: rated watts of the
    tell-tale.
    """

    numbers: tuple[int, ...]
    sockets: tuple[Socket | None, ...]
    text: str
    lamps: tuple[int, ...] = ()
    pilot_w: float = 0.0

    @property
    def known(self) -> tuple[Socket, ...] | None:
        """What all of its places hold; None unless that is known of each."""
        known = tuple(socket for socket in self.sockets if socket is not None)
        return known if len(known) == len(self.sockets) else None

    @property
    def watts(self) -> tuple[float, ...]:
        """Rated watts of each lamp where all are known to be filament lamps; else empty."""
        known = self.known or ()
        return tuple(socket.watts for socket in known) if all(socket.kind == "filament" for socket in known) else ()

    @property
    def filament(self) -> bool:
        """Whether nothing in it is known to be anything but a filament lamp."""
        return all(socket is None or socket.kind == "filament" for socket in self.sockets)


KnownBanks: TypeAlias = Callable[[], Sequence[Bank]]
"""The banks that there are, asked for only where those are named that would do."""


def load_for(loads: Loads, setup: Setup, description: BoardDescription, known_banks: KnownBanks = tuple) -> RunLoad:
    """Return the loads of this bench that make the load `loads` of a procedure. SetupError if the bank does not have them."""
    places = _places(setup, description)
    rated = _rated_numbers(setup, places, known_banks) if setup.lamps is None else setup.lamps
    if isinstance(loads, tuple):
        numbers = loads
    elif loads == "rated":
        numbers = rated
    elif loads == "own":
        if setup.lamps is None:
            raise SetupError("choosing lamps that the unit is for: it is tested on them already")
        numbers = _rated_numbers(setup, places, known_banks)
    elif loads == "one-out":
        if len(rated) < 2:
            raise SetupError(f"choosing lamps for one lamp out: the rated load is one lamp ({setup.rated_load}), two are needed")
        heaviest = max(rated, key=lambda n: (_current_a(places.get(n), setup), n))
        numbers = tuple(n for n in rated if n != heaviest)
    else:
        numbers = (*rated, _trailer_lamp(rated, setup, places))
    for n in numbers:
        if n not in places:
            raise SetupError(f"choosing lamps: load {n} is no lamp of this board; its lamps are {_places_text(places)}")
        if (socket := places[n]) is not None and socket.kind == "empty":
            raise SetupError(f"choosing lamps: socket {n} is empty; the bank has {_places_text(places)}")
    lamps = tuple(sorted(numbers))
    sockets = tuple(places[n] for n in lamps)
    pilot = tuple(n for n, load in description.loads.items() if load.kind == "PILOT")
    pilot_w = sum(description.loads[n].nominal for n in pilot)
    return RunLoad(tuple(sorted({*lamps, *pilot})), sockets, _load_text(lamps, sockets), lamps, pilot_w)


def bank_text(description: BoardDescription) -> str:
    """The board's lamps for people: `1: 21 W, 2: 21 W, 6: free`."""
    return _places_text(_described(description))


def _places_text(places: Mapping[int, Socket | None]) -> str:
    return ", ".join(f"{n}: {'free' if socket is None else socket.text}" for n, socket in places.items()) or "none"


def with_load_of_recording(setup: Setup) -> Setup:
    """The set-up of a recording: where nobody said which lamps were connected, nor which the unit is for, none are guessed."""
    said = setup.fitted is not None or setup.lamps is not None or setup.bank is not None or setup.rating_known
    return setup if said else replace(setup, fitted=())


def recorded_load(setup: Setup, known_banks: KnownBanks = tuple) -> RunLoad:
    """The load of a recording made elsewhere, of which no board tells. SetupError if the bank does not have it."""
    if setup.bank is not None and setup.fitted is None:
        places: Mapping[int, Socket | None] = dict(enumerate(setup.bank.for_system(setup.system_v).sockets, start=1))
        if setup.lamps is None and setup.bank.choose(setup.rated) is None:
            raise SetupError(_no_such_lamps(setup, places, known_banks()))
        for n in setup.lamps or ():
            if (socket := places.get(n)) is None or socket.kind == "empty":
                raise SetupError(f"choosing lamps: there is nothing in socket {n}; the bank {setup.bank.name} has {_places_text(places)}")
    return RunLoad((), setup.rated_sockets or (None,), setup.load_text)


def _load_text(numbers: Sequence[int], sockets: Sequence[Socket | None]) -> str:
    known = sockets_text([socket for socket in sockets if socket is not None])
    return " + ".join(part for part in (known, *(f"load {n}" for n, s in zip(numbers, sockets, strict=True) if s is None)) if part)


def _described(description: BoardDescription) -> dict[int, Socket | None]:
    """What the board says of each lamp place: a filament lamp, or nothing (None) of a free one."""
    lamps = (load for _, load in sorted(description.loads.items()) if load.kind in ("LAMP", "FREE"))
    return {load.number: Socket("filament", load.nominal) if load.kind == "LAMP" else None for load in lamps}


def _places(setup: Setup, description: BoardDescription) -> dict[int, Socket | None]:
    """What stands in each lamp place of the board; a bank wins over the description. SetupError where the board has no such place."""
    places = _described(description)
    if setup.bank is None:
        return places
    for n, socket in enumerate(setup.bank.for_system(setup.system_v).sockets, start=1):
        if n in places:
            places[n] = socket
        elif socket.kind != "empty":
            raise SetupError(f"taking the bank {setup.bank.name}: it has {socket.text} in socket {n}, and this board has no lamp {n}")
    return places


def _current_a(socket: Socket | None, setup: Setup) -> float:
    """Current in A at the test's voltage; 0 where it is not known."""
    return 0.0 if socket is None else socket.current_a(setup.system_v, setup.nominal_v)


def _trailer_lamp(rated: Sequence[int], setup: Setup, places: Mapping[int, Socket | None]) -> int:
    """Another 21 W lamp; where the bank has none left, another like the unit's heaviest."""
    for watts in (TRAILER_W, max(setup.rated)):
        for n, socket in places.items():
            if n not in rated and socket is not None and socket.makes(watts):
                return n
    wanted = " or ".join(f"{watts:g} W" for watts in dict.fromkeys((TRAILER_W, max(setup.rated))))
    raise SetupError(f"choosing lamps for a trailer: no lamp of {wanted} is left besides {setup.rated_load}")


def _rated_numbers(setup: Setup, places: Mapping[int, Socket | None], known_banks: KnownBanks) -> tuple[int, ...]:
    taken: list[int] = []
    for w in setup.rated:
        free = [n for n, socket in places.items() if socket is not None and socket.makes(w) and n not in taken]
        if not free:
            raise SetupError(_no_such_lamps(setup, places, known_banks()))
        taken.append(free[0])
    return tuple(taken)


def _no_such_lamps(setup: Setup, places: Mapping[int, Socket | None], known: Sequence[Bank]) -> str:
    """Why the rated load can't be made, and by which bank it could."""
    whose = "this board's bank" if setup.bank is None else f"the bank {setup.bank.name}"
    has = f"choosing lamps for {watts_text(setup.rated)}: {whose} has {_places_text(places)}"
    able = [bank.name for bank in sorted(known, key=_total_w) if bank.choose(setup.rated) is not None]
    if able:
        how = f"--bank {able[0]}, or for a simulated bench sim://...?bank={able[0]}"
        return f"{has}; these banks have such lamps: {', '.join(able)} (fit them and say so: {how}), or choose loads with --lamps"
    return f"{has}; no bank here has such lamps: fit them and describe the sockets in a file for --bank, or choose loads with --lamps"


def _total_w(bank: Bank) -> float:
    """Watts of all its filament lamps: the smallest bank that will do is named first."""
    return sum(socket.watts for socket in bank.sockets)


def steady_a(load: RunLoad, setup: Setup, lamp_v: float) -> float | None:
    """What the load takes when it is hot, in A; None if that is not known (a place of which nobody said what it holds)."""
    known = _known(load, setup)
    return None if known is None else sum(socket.current_a(setup.system_v, lamp_v) for socket in known)


def _known(load: RunLoad, setup: Setup) -> tuple[Socket, ...] | None:
    """What the load holds, where that can be relied on: not on the description, if the lamps are said to be others."""
    return load.known if setup.filament or setup.bank is not None else None


def loop_of(description: BoardDescription) -> Loop:
    """Series resistance from supply to lamps: the board's own, or LOOP_ASSUMED."""
    return description.loop or LOOP_ASSUMED


def open_v(setup: Setup, rated: RunLoad, lamp_v: float, description: BoardDescription) -> float:
    """The supply's voltage without load that leaves lamp_v at the lamps, unit shorted and rated load on (SAE J823)."""
    return lamp_v + loop_of(description).ohm * (steady_a(rated, setup, lamp_v) or 0.0)


def conditions_for(setup: Setup, rated: RunLoad, load: RunLoad, lamp_v: float, description: BoardDescription) -> Conditions:
    """What the analysis has to know; the band of the supply is what the loop leaves at the unit, 2.5 % wider each way, and by what the
    loop's uncertainty (k = 2) may hide at the rated load."""
    loop = loop_of(description)
    source_v = open_v(setup, rated, lamp_v, description)
    falls = 1.2 * loop.ohm * (steady_a(load, setup, lamp_v) or 0.0)
    slack = _SUPPLY_PART * lamp_v + 2.0 * loop.u_ohm * (steady_a(rated, setup, lamp_v) or 0.0)
    return Conditions(
        system_v=setup.system_v,
        lamps_w=load.watts,
        filament=setup.filament and load.filament,
        supply_low_v=source_v - falls - slack,
        supply_high_v=source_v + slack,
        open_v=source_v,
        pilot_w=load.pilot_w,
        other_a=None if load.filament else steady_a(load, setup, lamp_v),
        loop_ohm=loop.ohm + 2.0 * loop.u_ohm,
    )


def protection_a(setup: Setup, load: RunLoad, lamp_v: float, description: BoardDescription) -> float | None:
    """Over-current level: a quarter above the inrush of the cold load; the largest if the load is not known."""
    limit = description.limits.get("CURR")
    if limit is None:
        return None
    inrush_a = most_inrush_a(setup, load, lamp_v, description)
    return limit.high if inrush_a is None else min(max(round(1.25 * inrush_a, 1), limit.low), limit.high)


def most_inrush_a(setup: Setup, load: RunLoad, lamp_v: float, description: BoardDescription) -> float | None:
    """The most that the cold load may take through the loop, in A; None if the load is not known."""
    known = _known(load, setup)
    if known is None:
        return None
    cold_conductance_s = sum(_INRUSH[socket.kind] * socket.current_a(setup.system_v, lamp_v) for socket in known) / lamp_v
    loop_ohm = max(loop_of(description).ohm - 2.0 * loop_of(description).u_ohm, 0.0)
    return open_v(setup, load, lamp_v, description) * cold_conductance_s / (1.0 + loop_ohm * cold_conductance_s)


def on_time_s(at_most_s: float, description: BoardDescription) -> float | None:
    """Longest on-time to set for a run of at_most_s: a few seconds more, within what the board allows."""
    limit = description.limits.get("TIME")
    return None if limit is None else min(max(math.ceil(at_most_s + 5.0), limit.low), limit.high)


def range_reach_v(setup: Setup, volts: Sequence[float]) -> float:
    """The voltage that the board's voltage range must reach for runs at these supply voltages."""
    return max(1.15 * v + 0.5 for v in volts)


def setup_record(setup: Setup, supply_v: float | None) -> SetupRecord:
    """The setup as a record keeps it; `supply_v` is what the supply was set to, or held to."""
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
