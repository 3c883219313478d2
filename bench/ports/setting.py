"""The simulated bench of an address: what stands on it and around it, whichever board is to look at it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from bench.ports import AddressError
from bench.ports.address import SimAddress
from bench.simboard.ageing import aged
from bench.simboard.catalogue import unit
from bench.simboard.faults import FAULTS
from bench.simboard.hidden import RIG_FAULTS
from bench.simboard.link import LINK_FAULTS, Link, faulty_link
from bench.simboard.loads import test_volts
from bench.simboard.rig import rig_description
from bench.simboard.units import Unit
from bench.simboard.world import Socket, World


@dataclass(frozen=True)
class Setting:
    """A bench: its world with the unit in the socket, the supply, the faults of rig and link. `find_unit` knows what else may be put
    into the socket (KeyError for what is not known)."""

    world: World
    supply_v: float
    rig_faults: tuple[str, ...]
    link: Link
    find_unit: Callable[[str], Socket]


def set_up(address: SimAddress) -> Setting:
    """AddressError for a name that is not known, with those that are."""

    def find(name: str) -> Socket:
        if name.upper() == "NONE":
            return None
        return "LINK" if name.upper() == "LINK" else aged(unit(name, address.seed), address.age)

    for name in address.faults:
        if not any(name in table for table in (FAULTS, RIG_FAULTS, LINK_FAULTS)):
            known = ", ".join((*FAULTS, *RIG_FAULTS, *LINK_FAULTS))
            raise AddressError(f"opening {address}: no fault is called {name!r}; there are: {known}")
    try:
        fitted = find(address.unit)
    except KeyError as error:
        raise AddressError(f"opening {address}: {error.args[0]}, LINK, NONE") from error
    rated = fitted.rating if isinstance(fitted, Unit) else None
    system_v = address.system_v or (rated.system_v if rated is not None else 12.0)
    supply_v = round(test_volts(system_v), 6) if address.supply_v is None else address.supply_v
    world = World(
        fitted,
        supply_v=supply_v,
        system_v=system_v,
        ambient_c=address.ambient_c,
        seed=address.seed,
        faults=tuple(name for name in address.faults if name in FAULTS),
        rated_loads=_sockets_for(rated.lamps_w) if rated is not None else (1, 2),
    )
    rig_faults = tuple(name for name in address.faults if name in RIG_FAULTS)
    link = faulty_link([name for name in address.faults if name in LINK_FAULTS], address.seed)
    return Setting(world, supply_v, rig_faults, link, find)


def _sockets_for(lamps_w: tuple[float, ...]) -> tuple[int, ...]:
    """The sockets of the bank that hold these lamps; those that it lacks are left out."""
    free = {number: load.nominal for number, load in rig_description(0).loads.items() if load.kind == "LAMP"}
    chosen = []
    for watts in lamps_w:
        number = next((n for n, nominal in free.items() if nominal == watts), None)
        if number is not None:
            del free[number]
            chosen.append(number)
    return tuple(chosen)
