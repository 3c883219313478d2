"""Which loads of a bench make the load of a run."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TypeAlias

from bench.bank import Bank, Socket
from bench.description import BoardDescription
from bench.errors import SetupError
from bench.procedure import Loads
from bench.setup.setup import Setup, load_text_of, watts_text

TRAILER_W = 21.0


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
    return RunLoad(tuple(sorted({*lamps, *pilot})), sockets, load_text_of(lamps, sockets), lamps, pilot_w)


def bank_text(description: BoardDescription) -> str:
    """Return the board's lamps for people: `1: 21 W, 2: 21 W, 6: free`."""
    return _places_text(_described(description))


def _places_text(places: Mapping[int, Socket | None]) -> str:
    return ", ".join(f"{n}: {'free' if socket is None else socket.text}" for n, socket in places.items()) or "none"


def recorded_load(setup: Setup, known_banks: KnownBanks = tuple) -> RunLoad:
    """Return the load of a recording made elsewhere, of which no board tells. SetupError if the bank does not have it."""
    if setup.bank is not None and setup.fitted is None:
        places: Mapping[int, Socket | None] = dict(enumerate(setup.bank.for_system(setup.system_v).sockets, start=1))
        if setup.lamps is None and setup.bank.choose(setup.rated) is None:
            raise SetupError(_no_such_lamps(setup, places, known_banks()))
        for n in setup.lamps or ():
            if (socket := places.get(n)) is None or socket.kind == "empty":
                raise SetupError(f"choosing lamps: there is nothing in socket {n}; the bank {setup.bank.name} has {_places_text(places)}")
    return RunLoad((), setup.rated_sockets or (None,), setup.load_text)


def _described(description: BoardDescription) -> dict[int, Socket | None]:
    """Return what the board says of each lamp place: a filament lamp, or nothing (None) of a free one."""
    lamps = (load for _, load in sorted(description.loads.items()) if load.kind in ("LAMP", "FREE"))
    return {load.number: Socket("filament", load.nominal) if load.kind == "LAMP" else None for load in lamps}


def _places(setup: Setup, description: BoardDescription) -> dict[int, Socket | None]:
    """Return what stands in each lamp place of the board; a bank wins over the description. SetupError where the board has no such
    place."""
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
    """Return another 21 W lamp; where the bank has none left, another like the unit's heaviest."""
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
    """Return why the rated load can't be made, and by which bank it could."""
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
