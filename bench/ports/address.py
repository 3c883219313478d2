"""Addresses that are more than a name: `socket://host:port`, and those of simulated boards,
`sim://NAME?seed=1&fault=a,b&system=12&supply=12.8&ambient=24&pace=virtual&age=0&ideal=0&bank=standard`."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import partial
from urllib.parse import parse_qsl, unquote, urlsplit

from bench.errors import AddressError

PACES = ("virtual", "real")


def _whole(text: str) -> int | None:
    return int(text) if text.isascii() and text.isdigit() and len(text) < 19 else None  # 64 bits hold 18 digits


def _number(low: float, high: float, text: str) -> float | None:
    try:
        value = float(text)
    except ValueError:
        return None
    return value if low <= value <= high else None


def _fault_names(text: str) -> tuple[str, ...] | None:
    names = tuple(name.strip() for name in text.split(",") if name.strip())
    return names if names and len(set(names)) == len(names) else None


PARAMETERS: Mapping[str, tuple[str, str, Callable[[str], object]]] = {
    "seed": ("seed", "be a whole number", _whole),
    "fault": ("faults", "name faults, each once", _fault_names),
    "system": ("system_v", "be 6, 12 or 24", {"6": 6.0, "12": 12.0, "24": 24.0}.get),
    "supply": ("supply_v", "be a number from 0 to 32", partial(_number, 0.0, 32.0)),
    "ambient": ("ambient_c", "be a number from -40 to 85", partial(_number, -40.0, 85.0)),
    "pace": ("pace", f"be one of {', '.join(PACES)}", {pace: pace for pace in PACES}.get),
    "age": ("age", "be a whole number", _whole),
    "ideal": ("ideal", "be 0 or 1", {"0": False, "1": True}.get),
    "bank": ("bank", "be a name or a path", str),
}
"""By parameter: the field of SimAddress, what a value must do, and what reads one; that gives None for a wrong value."""


@dataclass(frozen=True, slots=True)
class SimAddress:
    """A simulated bench: the unit in the socket by its name in the catalogue (or LINK, NONE), and how it differs from the usual.

    `system_v` of the lamps in the bank, None for what the unit is rated for (12 without one); `supply_v`, None for the system's
    test voltage. `age`: flashes that the unit has done besides those it has by its name. `ideal`: a board without errors and
    noise. `pace`: `virtual` time passes as fast as it is asked for, `real` time as on the wall; None: virtual, or real where the board is
    served to others. `bank`: name or path of the lamp bank in its sockets, None for `standard`.
    """

    unit: str
    seed: int = 1
    faults: tuple[str, ...] = ()
    system_v: float | None = None
    supply_v: float | None = None
    ambient_c: float = 24.0
    pace: str | None = None
    age: int = 0
    ideal: bool = False
    bank: str | None = None
    scheme: str = "sim"

    def __str__(self) -> str:
        return f"{self.scheme}://{self.unit}"


def parse_sim_address(address: str, scheme: str = "sim") -> SimAddress:
    """Return the parts of an address, AddressError if it can't be read; a parameter that is not known is never passed over.

    `scheme`: the word before `://`, for other boards that take the same parameters.
    """

    def stop(what: str) -> AddressError:
        return AddressError(f"opening {address}: {what}")

    try:
        parts = urlsplit(address)
    except ValueError:
        raise stop(f"this can be no address; write {scheme}://NAME?seed=1") from None
    unit = unquote(parts.netloc + parts.path).strip("/")
    if not unit.isprintable():
        raise stop("there are characters in it that no name has")
    if parts.scheme != scheme or not unit:
        raise stop(f"an address of a simulated board is {scheme}://NAME, NAME being a unit of the catalogue, LINK or NONE")
    settings: dict[str, object] = {}
    for key, text in parse_qsl(parts.query, keep_blank_values=True):
        if key not in PARAMETERS:
            raise stop(f"{key!r} is no parameter of a simulated board; there are: {', '.join(PARAMETERS)}")
        field, allowed, read = PARAMETERS[key]
        if field in settings:
            raise stop(f"{key} is given twice")
        settings[field] = read(text)
        if settings[field] is None:
            raise stop(f"{key} must {allowed}, got {text!r}")
    return SimAddress(unit, scheme=scheme, **settings)  # type: ignore[arg-type]


def parse_socket_address(address: str) -> tuple[str, int]:
    """Return the host and port. AddressError if there can be no such host or port."""
    try:
        parts = urlsplit(address)
        host, number = parts.hostname, parts.port
    except ValueError as error:
        raise AddressError(f"opening {address}: {error}; write socket://host:port") from error
    if not host or not number:
        raise AddressError(f"opening {address}: host or port is missing; write socket://host:port")
    check_host(host, f"opening {address}")
    return host, number


def check_host(name: str, doing: str) -> None:
    """Raise AddressError, which begins with `doing`, if no computer can have this name."""
    try:
        name.encode("idna")  # as the search for it does
    except ValueError as error:
        raise AddressError(f"{doing}: no computer can have the name {name!r}: {error}") from error
