"""Limit sets: what a unit is held to, where each number comes from, and how sure we are that it stands there.

Parsed TOML in, `LimitSet` out (format 1, described in `bench/data/limits/shop-example.toml`). A number is `read` (seen in
the document named), `summary` (seen in another's account of it), `memory` (recalled; with a confidence) or `own` (chosen by
the author of the file). A requirement is a band for a quantity, a set of allowed words for a fact, or alternatives of these.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

from bench.errors import NoLimitSet
from bench.measure import FACTS, QUANTITIES, UNKNOWN, FactName, RestState, UnitBehaviour
from bench.table import Table, read_all, top_table

FORMAT = 1
BASES = ("read", "summary", "memory", "own")
_REST_BY_STANDING: Mapping[str, str] = {UnitBehaviour.DARK: RestState.OPEN, UnitBehaviour.STEADY_ON: RestState.CLOSED}
"""How a unit must rest that never lit, or never opened."""
_FROM_STRONG_TO_WEAK = ("read", "own", "summary", "memory H", "memory M", "memory L")
"""Bases from the strongest to the weakest: what a shop chose itself it knows for certain, what others say of a paper it does not."""
SYSTEMS_V = (6.0, 12.0, 24.0)
"""Systems that a condition can ask for. Voltages of a condition are for 12 V; the others take half and twice (SAE J590: 6.4, 25.6 V)."""
USES = ("", "hazard", "outage", "own")
"""What a set is for; empty, as most are, for turn signals. `own`: whatever a shop holds its units to."""
RULES: Mapping[str, str] = {"mean-of-rates": "rate_per_min", "total-time": "rate_total_per_min"}
"""Averaging rules, and the rate that each of them judges."""

UNITS: Mapping[str, tuple[str, Fraction]] = {
    "1/min": ("1/min", Fraction(1)),
    "Hz": ("1/min", Fraction(60)),
    "1/min/min": ("1/min/min", Fraction(1)),
    "s": ("s", Fraction(1)),
    "ms": ("s", Fraction(1, 1000)),
    "V": ("V", Fraction(1)),
    "mV": ("V", Fraction(1, 1000)),
    "V/min": ("V/min", Fraction(1)),
    "A": ("A", Fraction(1)),
    "mA": ("A", Fraction(1, 1000)),
    "ohm": ("ohm", Fraction(1)),
    "mohm": ("ohm", Fraction(1, 1000)),
    "1": ("1", Fraction(1)),
    "%": ("1", Fraction(1, 100)),
    "degC": ("degC", Fraction(1)),
}
"""Units a file may use (also pint's spelling): the quantity's own unit, and how many of it one of these is."""


@dataclass(frozen=True, slots=True)
class Source:
    """Where a number comes from. `clause` is given only where it was read; `confidence` only for `memory` (H, M, L)."""

    basis: str
    text: str
    clause: str = ""
    confidence: str = ""
    note: str = ""


@dataclass(frozen=True, slots=True)
class Limit:
    """A band for one quantity, in its own unit; both ends belong to it, None is open. `unit` is the file's, for printing.

    `doubtful`: the paper itself could not be read, and the number may be wrong. A value outside is then no failure, but cannot be
    said to keep the limit. The source's note says what is in doubt. `low` and `high` are in the quantity's unit.
    """

    quantity: str
    low: float | None
    high: float | None
    unit: str
    source: Source
    doubtful: bool = False

    @property
    def title(self) -> str:
        """The quantity's title."""
        return QUANTITIES[self.quantity].full_title


@dataclass(frozen=True, slots=True)
class FactLimit:
    """Words allowed for one of `Measured.facts`."""

    fact: str
    allowed: tuple[str, ...]
    title: str
    source: Source


@dataclass(frozen=True, slots=True)
class AllOf:
    """One alternative: it holds if all its limits do."""

    title: str
    limits: tuple[Limit | FactLimit, ...]


@dataclass(frozen=True, slots=True)
class AnyOf:
    """Alternatives: it is enough if one of them holds."""

    title: str
    alternatives: tuple[AllOf, ...]


Requirement = Limit | FactLimit | AllOf | AnyOf


@dataclass(frozen=True, slots=True)
class Averaging:
    """Which rate is judged, and over which cycles: `skip` so many, then average at least `average`."""

    rule: str
    skip: int
    average: int
    source: Source

    @property
    def quantity(self) -> str:
        """The quantity of the rate that is judged."""
        return RULES[self.rule]


@dataclass(frozen=True, slots=True)
class Condition:
    """Something the paper asks of the test, in words, and as demands where these can be checked.

    - `supply_v`: least and most volts at the lamps with the unit shorted, for a 12 V system.
    - `ambient_c`: least and most degrees Celsius at the unit.
    - `starts`: how many starts there must be at least.
    - `system_v`: the systems, in volts, that the limits are for; none: any.
    - `rated_load`: on the load that the unit is for.
    - `quantities`: which limits the condition is for; none: all of the set.
    """

    text: str
    source: Source
    supply_v: tuple[float, float] | None = None
    ambient_c: tuple[float, float] | None = None
    starts: int = 1
    system_v: tuple[float, ...] = ()
    rated_load: bool = False
    quantities: tuple[str, ...] = ()

    def is_for(self, quantity: str | None) -> bool:
        """Return whether the condition is for limits on `quantity`; None for limits on a fact, which only a condition for all covers."""
        return not self.quantities or quantity in self.quantities


@dataclass(frozen=True, slots=True)
class LimitSet:
    """What one edition of one paper asks of one kind of unit. `use`: one of USES."""

    name: str
    title: str
    family: str
    edition: str
    body: str
    rest: str
    load: str
    lamps: tuple[int, int] | None
    averaging: Averaging
    requirements: tuple[Limit | FactLimit | AnyOf, ...]
    conditions: tuple[Condition, ...] = ()
    notes: tuple[str, ...] = ()
    use: str = ""

    @property
    def limits(self) -> tuple[Limit, ...]:
        """The plain bands, without facts and alternatives."""
        return tuple(r for r in self.requirements if isinstance(r, Limit))


def parse_limit_set(content: Mapping[str, Any], origin: str) -> LimitSet:
    """Return the limit set from the parsed TOML of one file, TableError in one line otherwise; `origin` names the file for people."""
    top = top_table(content, origin, FORMAT)
    averaging = top.table("averaging")
    (rules,) = read_all([averaging], _averaging)
    requirements: tuple[Limit | FactLimit | AnyOf, ...] = (
        *read_all(top.tables("limit"), _limit),
        *read_all(top.tables("fact"), _fact_limit),
        *read_all(top.tables("any_of"), _any_of),
    )
    if not requirements:
        raise top.error("limit", "no limit, fact or any_of: a set must ask for something")
    for requirement in requirements:
        if isinstance(requirement, Limit) and requirement.quantity in RULES.values() and requirement.quantity != rules.quantity:
            raise averaging.error("rule", f"{rules.rule!r} judges {rules.quantity}, but a limit is for {requirement.quantity}")
    name = top.text("name")
    limited = {limit.quantity for limit in _plain_limits(requirements) if isinstance(limit, Limit)}
    limit_set = LimitSet(
        name=name,
        title=top.text("title"),
        family=top.text("family", name),
        edition=top.text("edition"),
        body=top.text("body"),
        rest=top.choice("rest", ("closed", "open", "any"), "any"),
        load=top.choice("load", ("fixed", "variable", "any"), "any"),
        lamps=_lamps(top),
        averaging=rules,
        requirements=requirements,
        conditions=read_all(top.tables("condition"), lambda t: _condition(t, limited)),
        notes=top.texts("notes", ()),
        use=top.choice("use", USES, ""),
    )
    top.done()
    return limit_set


def choose(sets: Iterable[LimitSet], name: str, facts: Mapping[str, str], lamps: int | None) -> LimitSet:
    """Return the set called `name`, or the one member of the family `name` that is for units at rest like this one, on so many lamps.

    How the unit rests is what was seen (closed for at least 0.10 s or not: SAE J2068-1999, after a public summary); else one that
    never lit is taken as open and one that never opened as closed. NoLimitSet if none or several fit.
    """
    sets = tuple(sets)
    for limit_set in sets:
        if limit_set.name == name:
            return limit_set
    family = tuple(s for s in sets if s.family == name)
    if not family:
        known = ", ".join(sorted({s.family for s in sets}))
        raise NoLimitSet(f"no limit set or family is called {name!r}; there are: {known}")
    rest = facts.get(FactName.REST, UNKNOWN)
    if rest == UNKNOWN:
        rest = _REST_BY_STANDING.get(facts.get(FactName.BEHAVIOUR, UNKNOWN), UNKNOWN)
    fits = [s for s in family if s.rest in ("any", rest) and _for_lamps(s, lamps)]
    if len(fits) == 1:
        return fits[0]
    if rest == UNKNOWN and len({s.rest for s in family}) > 1:
        why = "whether the unit is closed or open at rest was not seen"
    elif lamps is None and any(s.lamps for s in family):
        why = "the number of lamps was not given"
    else:
        why = f"{'none' if not fits else 'more than one'} is for a unit {rest} at rest on {lamps} lamps"
    raise NoLimitSet(f"cannot choose from the family {name!r}: {why}; name one of {', '.join(s.name for s in family)}")


def weakest_basis(requirements: Iterable[Requirement]) -> str:
    """Return the weakest basis of the numbers and words in `requirements`: read, own, summary, memory H, M or L (weakest last).

    Alternatives count with all their parts. Empty if there is nothing.
    """
    sources = [limit.source for limit in _plain_limits(requirements)]
    return max((f"{s.basis} {s.confidence}".rstrip() for s in sources), key=_FROM_STRONG_TO_WEAK.index, default="")


def _plain_limits(requirements: Iterable[Requirement]) -> Iterator[Limit | FactLimit]:
    """Yield every limit, those inside alternatives too."""
    for requirement in requirements:
        match requirement:
            case AnyOf(alternatives=parts):
                yield from _plain_limits(parts)
            case AllOf(limits=parts):
                yield from _plain_limits(parts)
            case _:
                yield requirement


def to_own_unit(value: float, unit: str) -> float:
    """Return a file's number in the unit of the quantity, rounded once (7 % is 0.07, not 0.07000000000000001).

    `value` is in the file's unit.
    """
    return float(Fraction(repr(value)) * UNITS[unit][1])


def read_band(table: Table, keys: Sequence[str]) -> tuple[str, str, dict[str, float | None]]:
    """Return the quantity, unit and the numbers under `keys` in the quantity's own unit, from a table that speaks of one quantity."""
    quantity = table.choice("quantity", tuple(QUANTITIES))
    own = QUANTITIES[quantity].unit
    unit = table.choice("unit", tuple(u for u, (base, _) in UNITS.items() if base == own))
    numbers = {key: table.number(key) for key in keys}
    return quantity, unit, {key: None if n is None else to_own_unit(n, unit) for key, n in numbers.items()}


def read_fact(table: Table) -> tuple[str, tuple[str, ...]]:
    """Return the fact that a table speaks of, and those of its words that it allows."""
    fact = table.choice("fact", tuple(FACTS))
    return fact, table.choices("allowed", FACTS[fact])


def _limit(table: Table) -> Limit:
    quantity, unit, band = read_band(table, ("low", "high"))
    low, high = band["low"], band["high"]
    if low is None and high is None:
        raise table.error("low", "neither low nor high is given; a limit needs at least one")
    if low is not None and high is not None and low > high:
        raise table.error("low", f"got low {low:g} above high {high:g}; low must not be above high")
    source, doubtful = _source(table), table.flag("doubtful")
    if doubtful and not source.note:
        raise table.error("note", "missing; a doubtful limit needs a note that says what is in doubt")
    return Limit(quantity, low, high, unit, source, doubtful)


def _fact_limit(table: Table) -> FactLimit:
    fact, allowed = read_fact(table)
    return FactLimit(fact, allowed, table.text("title"), _source(table))


def _any_of(table: Table) -> AnyOf:
    alternatives = read_all(table.tables("alternative"), _all_of)
    if len(alternatives) < 2:
        raise table.error("alternative", f"got {len(alternatives)}; any_of needs at least two alternatives")
    return AnyOf(table.text("title"), alternatives)


def _all_of(table: Table) -> AllOf:
    bands, facts = read_all(table.tables("limit"), _limit), read_all(table.tables("fact"), _fact_limit)
    limits: tuple[Limit | FactLimit, ...] = (*bands, *facts)
    if not limits:
        raise table.error("limit", "an alternative needs at least one limit or fact")
    return AllOf(table.text("title"), limits)


def _averaging(table: Table) -> Averaging:
    return Averaging(table.choice("rule", tuple(RULES)), table.whole("skip", 0), table.whole("average", 2), _source(table))


def _condition(table: Table, limited: Collection[str]) -> Condition:
    """Read one condition of a set whose limits are for the quantities `limited`."""
    system_v = table.numbers("system_v")
    if not set(system_v) <= set(SYSTEMS_V):
        known = ", ".join(f"{v:g}" for v in SYSTEMS_V)
        raise table.error("system_v", f"got {', '.join(f'{v:g}' for v in system_v)}; each must be one of {known}")
    quantities = table.texts("quantities", ())
    for quantity in quantities:
        if quantity not in limited:
            raise table.error("quantities", f"got {quantity!r}; this set has limits for {', '.join(sorted(limited)) or 'none'}")
    return Condition(
        text=table.text("text"),
        source=_source(table),
        supply_v=table.span("supply_v", least=0.0),
        ambient_c=table.span("ambient_c"),
        starts=table.whole("starts", 1, 1),
        system_v=system_v,
        rated_load=table.choice("load", ("rated", "any"), "any") == "rated",
        quantities=quantities,
    )


def _source(table: Table) -> Source:
    basis = table.choice("basis", BASES)
    clause = table.text("clause", "")
    confidence = table.choice("confidence", ("H", "M", "L")) if basis == "memory" else ""
    if basis == "memory" and clause:
        raise table.error("clause", f"got {clause!r} with basis 'memory'; give a clause only where it was read")
    return Source(basis, table.text("source"), clause, confidence, table.text("note", ""))


def _lamps(table: Table) -> tuple[int, int] | None:
    if "lamps" not in table:
        return None
    lamps = table.table("lamps")
    low, high = lamps.whole("least", 1), lamps.whole("most", 1)
    lamps.done()
    if low > high:
        raise lamps.error("least", f"got {low} above most = {high}")
    return low, high


def _for_lamps(limit_set: LimitSet, lamps: int | None) -> bool:
    return limit_set.lamps is None or (lamps is not None and limit_set.lamps[0] <= lamps <= limit_set.lamps[1])
