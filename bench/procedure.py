"""Procedures: what is done with a unit on the bench, step by step, read from a TOML file (format 1).

A parsed file in, `Procedure` out. A step is one of four kinds:

- `zero`: the shorting link in the unit's place, for the zeros of current and drop (optional: a bench without it goes on);
- `run`: the unit on a load, started from cold once or several times;
- `cool`: nothing but waiting, everything open;
- `prompt`: something that only a person can do.

A `run` names its load by role, so that one file serves every bench and every unit: `rated` is the load that the unit is for,
`one-out` the same with one lamp dark, `trailer` the same and another 21 W lamp (where the bank has none left, another like the unit's
heaviest). Or it lists the board's loads: `(@1,2)`.
A supply voltage in a file is that of a 12 V system; 6 and 24 V systems take half and twice (SAE J590: 6.4, 12.8, 25.6 V).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, TypeAlias

from bench.measure import QUANTITIES
from bench.table import Table, read_all, top_table
from bench.wire import parse_channels

FORMAT = 1
ROLES = ("rated", "one-out", "trailer", "own")
_PREFIXES = {"one-out": "outage_", "trailer": "trailer_"}
OF_LOAD: Mapping[str, frozenset[str]] = {
    role: frozenset(name for name in QUANTITIES if name.startswith(prefix)) for role, prefix in _PREFIXES.items()
}
"""The quantities that only a run on this load shows."""
OF_STARTS = frozenset(name for name, quantity in QUANTITIES.items() if quantity.of_start)
"""The quantities that belong to a start: where there are several, they are put together of all of them."""
ORDINARY = tuple(name for name in QUANTITIES if not any(name in names for names in OF_LOAD.values()))
Loads: TypeAlias = str | tuple[int, ...]
_DAY_S = 86400.0
_MOST_STARTS = 100


@dataclass(frozen=True, slots=True)
class ZeroStep:
    """Read the zeros with the shorting link fitted: current with the lamps off, drop with `loads` on, `seconds` of each."""

    name: str
    title: str
    text: str = ""
    loads: Loads = "rated"
    seconds: float = 2.0


@dataclass(frozen=True, slots=True)
class RunStep:
    """Run the unit on one load.

    `starts` starts from cold, each after everything was open for `cool_s`; all but the last end with their first full cycle,
    the last runs on. `supply_v` is that of a 12 V system, None for the one the test was set up with. A run ends after `cycles`
    good cycles (or as many as the limit sets need, if more), or after `at_most_s`; for a unit that is closed at rest after
    `closed_at_most_s` if given (a heavy load burns the heater of such a unit). `judge` names the quantities taken from this step.

    - `live`: goes on from the run before while the unit flashes: its loads are switched, the unit is not.
    - `until_decided`: ends as soon as outcome and grade are sure, `cycles` at most.
    - `starts_of`: further cold starts of that earlier step, as many as the limits ask beyond the one made; none if they ask no more, or
      if the outcome is against the unit already.
    - `electronic_cool_s`: instead of `cool_s` for a unit found to be electronic or two-coil, which keeps no heat; the lamps do.
    """

    name: str
    title: str
    text: str = ""
    loads: Loads = "rated"
    supply_v: float | None = None
    starts: int = 1
    cool_s: float = 0.0
    cycles: int = 1
    at_most_s: float = 30.0
    closed_at_most_s: float | None = None
    judge: tuple[str, ...] = ()
    live: bool = False
    until_decided: bool = False
    starts_of: str = ""
    electronic_cool_s: float | None = None

    def __post_init__(self) -> None:
        if isinstance(self.loads, str) and self.loads not in ROLES:
            raise ValueError(f"load {self.loads!r}; it must be one of {', '.join(ROLES)}, or the numbers of loads")
        if unknown := [name for name in self.judge if name not in QUANTITIES]:
            raise ValueError(f"quantity {unknown[0]!r} to judge, which this version does not know")
        if self.starts < 1 or self.cycles < 0:
            raise ValueError(f"{self.starts} starts of {self.cycles} cycles; at least one start, and no cycles less than 0")

    def supply_for(self, system_v: float, otherwise: float) -> float:
        """Return the supply voltage of this step in a system of `system_v` (6, 12 or 24 V). `otherwise`: V where the step says none."""
        return otherwise if self.supply_v is None else self.supply_v * (system_v / 12.0)


@dataclass(frozen=True, slots=True)
class CoolStep:
    """Everything open for `seconds`."""

    name: str
    title: str
    text: str = ""
    seconds: float = 300.0


@dataclass(frozen=True, slots=True)
class PromptStep:
    """Show `text` and wait until the person says that it is done."""

    name: str
    title: str
    text: str


Step: TypeAlias = ZeroStep | RunStep | CoolStep | PromptStep


@dataclass(frozen=True, slots=True)
class Procedure:
    """A named list of steps."""

    name: str
    title: str
    text: str
    steps: tuple[Step, ...]

    @property
    def runs(self) -> tuple[RunStep, ...]:
        """The steps that make runs."""
        return tuple(step for step in self.steps if isinstance(step, RunStep))


def parse_procedure(content: Mapping[str, Any], origin: str) -> Procedure:
    """Return the procedure from the parsed TOML of one file, TableError in one line otherwise; `origin` names the file for people."""
    top = top_table(content, origin, FORMAT)
    steps = read_all(top.tables("steps"), _step)
    procedure = Procedure(top.text("name"), top.text("title"), top.text("text", "").strip(), steps)
    top.done()
    _check_whole(procedure, top)
    return procedure


def _step(table: Table) -> Step:
    kind = table.choice("kind", ("zero", "run", "cool", "prompt"))
    name, title = table.text("name"), table.text("title")
    if kind == "prompt":
        return PromptStep(name, title, table.text("text").strip())
    text = table.text("text", "").strip()
    if kind == "zero":
        return ZeroStep(name, title, text, _loads(table), _number(table, "seconds", 0.2, 60.0, 2.0))
    if kind == "cool":
        return CoolStep(name, title, text, _number(table, "seconds", 0.0, _DAY_S))
    loads = _loads(table)
    return RunStep(
        name=name,
        title=title,
        text=text,
        loads=loads,
        supply_v=_number(table, "supply_v", 5.0, 16.0) if "supply_v" in table else None,
        starts=table.whole("starts", 1, 1, _MOST_STARTS),
        cool_s=_number(table, "cool_s", 0.0, _DAY_S, 0.0),
        cycles=table.whole("cycles", 1, 1),
        at_most_s=_number(table, "at_most_s", 0.5, 2 * _DAY_S, 30.0),
        closed_at_most_s=_number(table, "closed_at_most_s", 0.5, _DAY_S) if "closed_at_most_s" in table else None,
        judge=_judge(table, loads),
        live=table.flag("live"),
        until_decided=table.choice("until", ("cycles", "decided"), "cycles") == "decided",
        starts_of=table.text("starts_of", ""),
        electronic_cool_s=_number(table, "electronic_cool_s", 0.0, _DAY_S) if "electronic_cool_s" in table else None,
    )


def _judge(table: Table, loads: Loads) -> tuple[str, ...]:
    judge = table.texts("judge", ())
    if judge == ("all",):
        return ORDINARY
    for quantity in judge:
        if quantity not in QUANTITIES:
            raise table.error("judge", f'got {quantity!r}; allowed are ["all"], or some of {", ".join(QUANTITIES)}')
        shown = OF_LOAD.get(loads, frozenset(ORDINARY)) if isinstance(loads, str) else frozenset(ORDINARY)
        if quantity not in shown:
            raise table.error("judge", f"got {quantity!r} for loads = {loads!r}; such a run shows {', '.join(sorted(shown))}")
    return judge


def _loads(table: Table) -> Loads:
    loads = table.text("loads", "rated")
    if loads in ROLES:
        return loads
    try:
        numbers = parse_channels(loads)
    except ValueError:
        numbers = frozenset()
    if not numbers or not numbers <= frozenset(range(1, 9)):
        allowed = f"one of {', '.join(ROLES)}, or a list of loads 1 to 8 such as (@1,2)"
        raise table.error("loads", f"got {loads!r}; it must be {allowed}")
    return tuple(sorted(numbers))


def _number(table: Table, key: str, least: float, most: float, default: float | None = None) -> float:
    value = table.number(key)
    if value is None:
        value = default
    if value is None or not least <= value <= most:
        raise table.error(key, f"got {value!r}; it must be a number from {least:g} to {most:g}")
    return value


def _check_whole(procedure: Procedure, top: Table) -> None:
    """Refuse what no single step can know: names used twice, a quantity judged twice, a comparison with nothing to compare with."""
    if not procedure.runs:
        raise top.error("steps", "no step of kind run came; at least one is needed")
    twice = _first_twice(step.name for step in procedure.steps)
    if twice is not None:
        raise top.error("steps", f"two steps are named {twice!r}; names must differ")
    twice = _first_twice(quantity for run in procedure.runs for quantity in run.judge)
    if twice is not None:
        raise top.error("steps", f"{twice!r} is judged from two steps; it must come from one")
    _check_joined(procedure, top)
    seen: set[str] = set()
    for run in procedure.runs:
        if "outage_ratio" in run.judge and "rate_per_min" not in seen:
            raise top.error("steps", f"step {run.name!r} judges outage_ratio; it needs an earlier step that judges rate_per_min")
        seen.update(run.judge)


def _check_joined(procedure: Procedure, top: Table) -> None:
    """Refuse a live step that follows no run, and further starts that belong to no earlier one."""
    earlier: Step | None = None
    names: set[str] = set()
    for step in procedure.steps:
        if isinstance(step, RunStep):
            if step.live and not isinstance(earlier, RunStep):
                raise top.error("steps", f"step {step.name!r} is live; it must follow a step of kind run")
            if step.live and (step.starts != 1 or step.supply_v is not None or step.starts_of):
                raise top.error("steps", f"step {step.name!r} is live; it can have no starts and no supply of its own")
            if step.starts_of and (step.starts_of not in names or step.judge):
                what = f"step {step.name!r} has starts_of = {step.starts_of!r}"
                raise top.error("steps", f"{what}; it must name an earlier run, and judge nothing")
            names.add(step.name)
        earlier = step


def _first_twice(names: Iterable[str]) -> str | None:
    seen: set[str] = set()
    for name in names:
        if name in seen:
            return name
        seen.add(name)
    return None
