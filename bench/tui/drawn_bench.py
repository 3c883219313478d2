"""A simulated bench to practise on: unit, faults and surroundings as chosen, or drawn unseen; and its address."""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import dataclass
from urllib.parse import quote

from bench.errors import AddressError
from bench.ports.address import SimAddress, parse_sim_address
from bench.simboard import catalogue
from bench.simboard.faults import FAULTS
from bench.simboard.hidden import RIG_FAULTS
from bench.simboard.link import LINK_FAULTS

MYSTERY_SYSTEM_V = 12.0
_FAULTY = 0.75  # of the mysteries: a learner must be able to find nothing


@dataclass(frozen=True, slots=True)
class PossibleFault:
    """A fault that may be chosen: whose it is (unit, bench, board, cable), what it is in plain words, and what one should see."""

    name: str
    of: str
    title: str
    see: str = ""


def possible_faults(unit: str) -> tuple[PossibleFault, ...]:
    """The faults that a bench with this unit can have: the unit's by its mechanism, then the bench's, the board's, the cable's."""
    entry = catalogue.entry(unit)
    fitting = [one for one in FAULTS.values() if entry.kind in one.kinds and one.name not in entry.faults]
    return (
        *(PossibleFault(one.name, "unit", one.title, one.see) for one in fitting if one.side == "unit"),
        *(PossibleFault(one.name, "bench", one.title, one.see) for one in fitting if one.side == "bench"),
        *(PossibleFault(one.name, "board", one.text) for one in RIG_FAULTS.values()),
        *(PossibleFault(one.name, "cable", one.text) for one in LINK_FAULTS.values()),
    )


def address_of(
    unit: str, faults: Sequence[str] = (), *, seed: int = 1, supply_v: float | None = None, ambient_c: float | None = None
) -> str:
    """The address of a bench in real time. What is None is as usual."""
    parts = [f"seed={seed}"]
    parts += [f"fault={quote(','.join(faults), safe=',')}"] if faults else []
    parts += [f"supply={supply_v:g}"] if supply_v is not None else []
    parts += [f"ambient={ambient_c:g}"] if ambient_c is not None else []
    return f"sim://{quote(unit)}?{'&'.join(parts)}&pace=real"


def system_of(address: str) -> float:
    """V of the system of the bench at this address; 12 where there is no telling."""
    try:
        parsed = parse_sim_address(address)
        return parsed.system_v or catalogue.entry(parsed.unit).rating.system_v
    except (AddressError, KeyError):
        return 12.0


def drawn_address(seed: int) -> str:
    """The address of a 12 V bench that is drawn by this seed: a unit, and at most one fault, of the unit or of supply and lamps."""
    draw = random.Random(seed)
    units = [name for name in catalogue.names() if catalogue.entry(name).rating.system_v == MYSTERY_SYSTEM_V]
    unit = draw.choice(units)
    entry = catalogue.entry(unit)
    faults: list[str] = []
    if not entry.faults and not entry.flashes and draw.random() < _FAULTY:
        candidates = [one.name for one in possible_faults(unit) if one.of in ("unit", "bench")]
        faults = [draw.choice(candidates)]
    return address_of(unit, faults, seed=seed)


def answer_text(address: SimAddress) -> list[str]:
    """What stands on a simulated bench, to be told when the learner has given an answer."""
    entry = catalogue.entry(address.unit)
    lines = [f"It was {entry.name}: {entry.title}. {entry.find}"]
    told = {one.name: one for one in possible_faults(address.unit)}
    for name in address.faults:
        one = told.get(name)
        if one is not None:
            lines.append(f"Fault ({one.of}): {one.title}." + (f" To be seen: {one.see}." if one.see else ""))
    if not address.faults:
        lines.append("Nothing else was wrong with it, or with the bench.")
    return lines
