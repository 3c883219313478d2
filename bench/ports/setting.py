"""The simulated bench of an address: what stands on it and around it, whichever board is to look at it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from bench import files
from bench.bank import Bank
from bench.errors import AddressError, TableError
from bench.ports.address import SimAddress, parse_sim_address
from bench.simboard import catalogue
from bench.simboard.ageing import aged
from bench.simboard.circuit import BenchCircuit
from bench.simboard.faults import FAULTS, fault
from bench.simboard.hidden import RIG_FAULTS
from bench.simboard.link import LINK_FAULTS, Link, faulty_link
from bench.simboard.loads import LampBank, lamp_bank, test_volts
from bench.simboard.units import Rating, Unit
from bench.simboard.world import InSocket, World

STANDARD_BANK = "standard"


@dataclass(frozen=True)
class Setting:
    """A bench: its world with the unit in the socket, the supply, the lamp bank, the faults of rig and link. `find_unit` knows what else
    may be put into the socket (KeyError for what is not known)."""

    world: World
    supply_v: float
    bank: Bank
    rig_faults: tuple[str, ...]
    link: Link
    find_unit: Callable[[str], InSocket]


@dataclass(frozen=True, slots=True)
class KnownBench:
    """What an address says that a test must know of its bench: V of the system, the bank in the sockets, and V of the supply; None for
    what it does not say."""

    system_v: float | None = None
    bank: Bank | None = None
    supply_v: float | None = None


def known_bench(address: str) -> KnownBench:
    """Return what is known of the bench at this address; nothing unless it is a simulated one. AddressError if there can be no such
    bench."""
    if not address.startswith("sim://"):
        return KnownBench()
    parsed = parse_sim_address(address)
    return KnownBench(_system_v(parsed, _rating(parsed)), _bank(parsed), parsed.supply_v)


def set_up(address: SimAddress) -> Setting:
    """Return what stands at the bench. AddressError for a name that is not known, with those that are, and for a fault that would change
    nothing here."""

    def find(name: str) -> InSocket:
        if _is_no_unit(name):
            return None if name.upper() == "NONE" else "LINK"
        return aged(catalogue.unit(name, address.seed), address.age)

    rating, bank = _rating(address), _bank(address)
    fitted = find(address.unit)
    system_v = _system_v(address, rating)
    lamps = lamp_bank(bank, system_v)
    for name in address.faults:
        _check_fault(name, address, fitted, bank.name, lamps, system_v)
    supply_v = round(test_volts(system_v), 6) if address.supply_v is None else address.supply_v
    world = World(
        fitted,
        supply_v=supply_v,
        system_v=system_v,
        ambient_c=address.ambient_c,
        seed=address.seed,
        bank=lamps,
        faults=tuple(name for name in address.faults if name in FAULTS),
        rated_loads=_sockets_for(rating.lamps_w, bank),
    )
    rig_faults = tuple(name for name in address.faults if name in RIG_FAULTS)
    link = faulty_link([name for name in address.faults if name in LINK_FAULTS], address.seed)
    return Setting(world, supply_v, bank, rig_faults, link, find)


def _is_no_unit(name: str) -> bool:
    return name.upper() in ("LINK", "NONE")


def _rating(address: SimAddress) -> Rating:
    """Return what the unit in the socket is made for; the usual without one. AddressError for a unit that is not known."""
    if _is_no_unit(address.unit):
        return Rating()
    try:
        return catalogue.entry(address.unit).rating
    except KeyError as error:
        raise AddressError(f"opening {address}: {error.args[0]}, LINK, NONE") from error


def _system_v(address: SimAddress, rating: Rating) -> float:
    return rating.system_v if address.system_v is None else address.system_v


def _bank(address: SimAddress) -> Bank:
    try:
        return files.bank(STANDARD_BANK if address.bank is None else address.bank)
    except TableError as error:
        raise AddressError(f"opening {address}: {error}") from error


def _check_fault(name: str, address: SimAddress, fitted: InSocket, bank: str, lamps: LampBank, system_v: float) -> None:
    """Raise AddressError for a fault that is not known, or that would change nothing on this bench.

    Without a unit in the socket any fault of units may be named: one may be put in later.
    """
    if name in RIG_FAULTS or name in LINK_FAULTS:
        return
    if name not in FAULTS:
        known = ", ".join((*FAULTS, *RIG_FAULTS, *LINK_FAULTS))
        raise AddressError(f"opening {address}: no fault is called {name!r}; there are: {known}")
    one = fault(name)
    if one.needs is not None and not one.needs.met(lamps):
        raise AddressError(f"opening {address}: the fault {name} needs {one.needs.text}, and the bank {bank} has none")
    if one.side == "bench":
        bench = BenchCircuit(lamps)
        if one.spoil_bench(bench, system_v) == bench:
            raise AddressError(f"opening {address}: the fault {name} would change nothing with the bank {bank}")
    if not isinstance(fitted, Unit) or one.side == "bench":
        return
    if fitted.kind not in one.kinds:
        able = ", ".join(unit for unit in catalogue.names() if catalogue.entry(unit).kind in one.kinds)
        raise AddressError(f"opening {address}: a unit of this mechanism can't have the fault {name}; these can: {able}")
    if one.spoil_unit(fitted) == fitted:
        raise AddressError(f"opening {address}: this unit has the fault {name} already; leave it out of the address")


def _sockets_for(lamps_w: tuple[float, ...], bank: Bank) -> tuple[int, ...]:
    """Return the sockets of the bank that hold these lamps; those that it lacks are left out."""
    chosen: list[int] = []
    for watts in lamps_w:
        chosen += bank.lamps_of(watts, besides=chosen)[:1]
    return tuple(chosen)
