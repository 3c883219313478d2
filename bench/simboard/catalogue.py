"""The named units that a simulated bench knows, each a file in `bench/data/units`. All are invented."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from pathlib import Path

from bench.simboard import population
from bench.simboard.ageing import aged
from bench.simboard.faults import fault
from bench.simboard.units import MECHANISMS, Rating, Unit

_FOLDER = Path(__file__).parent.parent / "data" / "units"
_KEYS = {"title", "kind", "system_v", "lamps_w", "flashes", "faults", "find"}


@dataclass(frozen=True)
class NamedUnit:
    """A unit of the catalogue: title, mechanism, rating, flashes made so far, faults by name, and what a learner should find."""

    name: str
    title: str
    kind: str
    rating: Rating
    flashes: int
    faults: tuple[str, ...]
    find: str


def names() -> list[str]:
    """Return the names of all units, sorted."""
    return sorted(path.stem for path in _FOLDER.glob("*.toml"))


def entry(name: str) -> NamedUnit:
    """Return the unit of this name as its file has it. KeyError that lists the names if there is none, ValueError for a wrong file."""
    known = names()
    if name not in known:
        raise KeyError(f"no simulated unit is called {name!r}; there are: {', '.join(known)}")
    return parse(name, (_FOLDER / f"{name}.toml").read_text(encoding="utf-8"))


def parse(name: str, text: str) -> NamedUnit:
    """Return the unit that the text of a file describes. ValueError for a key, mechanism or fault that cannot be."""
    data = tomllib.loads(text)
    if set(data) != _KEYS:
        raise ValueError(f"reading simulated unit {name!r}: keys must be {', '.join(sorted(_KEYS))}, not {', '.join(sorted(data))}")
    if data["kind"] not in MECHANISMS:
        raise ValueError(f"reading simulated unit {name!r}: kind must be one of {', '.join(MECHANISMS)}, not {data['kind']!r}")
    faults = tuple(str(one) for one in data["faults"])
    for one in faults:
        if data["kind"] not in fault(one).kinds or fault(one).side != "unit":
            raise ValueError(f"reading simulated unit {name!r}: a {data['kind']} unit can't have the fault {one!r}")
    rating = Rating(float(data["system_v"]), tuple(float(w) for w in data["lamps_w"]))
    return NamedUnit(name, str(data["title"]), str(data["kind"]), rating, int(data["flashes"]), faults, str(data["find"]))


def unit(name: str, seed: int = 0) -> Unit:
    """Return the unit of this name; the seed says which one of its kind it is. KeyError as `entry`."""
    known = entry(name)
    drawn = population.draw(known.kind, f"{name} {seed}", known.rating, name)
    for one in known.faults:
        drawn = fault(one).spoil_unit(drawn)
    return aged(drawn, known.flashes)
