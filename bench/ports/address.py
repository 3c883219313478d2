"""Addresses that are more than a name: `socket://host:port`, and those of simulated boards,
`sim://NAME?seed=1&fault=a,b&system=12&supply=12.8&ambient=24&pace=virtual&age=0&ideal=0&bank=standard`."""

from __future__ import annotations

import math
from dataclasses import dataclass
from urllib.parse import parse_qsl, unquote, urlsplit

from bench.errors import AddressError

PACES = ("virtual", "real")
PARAMETERS = ("seed", "fault", "system", "supply", "ambient", "pace", "age", "ideal", "bank")


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
    """AddressError if the address can't be read; a parameter that is not known is never passed over.

    `scheme`: the word before `://`, for other boards that take the same parameters.
    """

    def stop(what: str) -> AddressError:
        return AddressError(f"opening {address}: {what}")

    def number(key: str, low: float, high: float) -> float:
        try:
            value = float(given[key])
        except ValueError:
            value = math.nan
        if not low <= value <= high:
            raise stop(f"{key} must be a number from {low:g} to {high:g}, got {given[key]!r}")
        return value

    try:
        parts = urlsplit(address)
    except ValueError:
        raise stop(f"this can be no address; write {scheme}://NAME?seed=1") from None
    unit = unquote(parts.netloc + parts.path).strip("/")
    if not unit.isprintable():
        raise stop("there are characters in it that no name has")
    if parts.scheme != scheme or not unit:
        raise stop(f"an address of a simulated board is {scheme}://NAME, NAME being a unit of the catalogue, LINK or NONE")
    given: dict[str, str] = {}
    for key, value in parse_qsl(parts.query, keep_blank_values=True):
        if key not in PARAMETERS:
            raise stop(f"{key!r} is no parameter of a simulated board; there are: {', '.join(PARAMETERS)}")
        if key in given:
            raise stop(f"{key} is given twice")
        given[key] = value
    settings: dict[str, object] = {}
    for key in ("seed", "age"):
        if key in given:
            if not (given[key].isascii() and given[key].isdigit() and len(given[key]) < 19):
                raise stop(f"{key} must be a whole number, got {given[key]!r}")
            settings[key] = int(given[key])
    if "system" in given:
        if given["system"] not in ("6", "12", "24"):
            raise stop(f"system must be 6, 12 or 24, got {given['system']!r}")
        settings["system_v"] = float(given["system"])
    if "fault" in given:
        settings["faults"] = names = tuple(name.strip() for name in given["fault"].split(",") if name.strip())
        if not names or len(set(names)) < len(names):
            raise stop(f"fault must name faults, each once, got {given['fault']!r}")
    if "supply" in given:
        settings["supply_v"] = number("supply", 0.0, 32.0)
    if "ambient" in given:
        settings["ambient_c"] = number("ambient", -40.0, 85.0)
    if "pace" in given:
        if given["pace"] not in PACES:
            raise stop(f"pace must be one of {', '.join(PACES)}, got {given['pace']!r}")
        settings["pace"] = given["pace"]
    if "bank" in given:
        settings["bank"] = given["bank"]
    if "ideal" in given:
        if given["ideal"] not in ("0", "1"):
            raise stop(f"ideal must be 0 or 1, got {given['ideal']!r}")
        settings["ideal"] = given["ideal"] == "1"
    return SimAddress(unit, scheme=scheme, **settings)  # type: ignore[arg-type]


def parse_socket_address(address: str) -> tuple[str, int]:
    """Host and port. AddressError if there can be no such host or port."""
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
    """AddressError, which begins with `doing`, if no computer can have this name."""
    try:
        name.encode("idna")  # as the search for it does
    except ValueError as error:
        raise AddressError(f"{doing}: no computer can have the name {name!r}: {error}") from error
