"""From an address to a port. Each kind is imported only when it is asked for."""

from __future__ import annotations

import os
import stat
from collections.abc import Callable
from typing import TypeAlias

from bench.errors import AddressError, PortError
from bench.intake import kind_of
from bench.ports import Port
from bench.ports.address import parse_sim_address, parse_socket_address

Opener: TypeAlias = Callable[[str], Port]
_MORE: dict[str, Opener] = {}
KINDS = "auto, a device name, socket://host:port, sim://NAME, replay://FILE"
LONGEST = 1000
"""Characters of an address."""


def open_port(address: str) -> Port:
    """Open `auto` (the one board plugged in), a device name, `socket://`, `sim://` or `replay://`. PortError if that fails, AddressError
    if there can be no such thing."""
    check_address(address)
    kind, separator, _ = address.partition("://")
    if not separator:
        from bench.ports.serial_port import open_serial

        return open_serial(the_one_board() if address == "auto" else address)
    if kind == "sim":
        from bench.ports.simulated import open_simulated

        return open_simulated(address)
    if kind == "socket":
        from bench.ports.socket_port import SocketPort

        return SocketPort(address)
    if kind == "replay":
        from bench.ports.replay import open_replay

        return open_replay(address)
    return _MORE[kind](address)


def check_address(address: str) -> None:
    """Raise AddressError, without opening anything, for what can be no address of any kind."""
    if not address.strip():
        raise AddressError(f"opening {address!r}: an empty address; an address is one of: {KINDS}")
    if len(address) > LONGEST or not address.isprintable():
        raise AddressError(f"opening {address[:LONGEST]!r}: an address has at most {LONGEST} characters, all of them printable")
    kind, separator, _ = address.partition("://")
    if not separator:
        _check_device(address)
    elif kind == "sim":
        parse_sim_address(address)
    elif kind == "socket":
        parse_socket_address(address)
    elif kind != "replay" and kind not in _MORE:
        raise AddressError(f"opening {address}: {kind}:// is not known; an address is one of: {KINDS}")


def _check_device(name: str) -> None:
    """Raise AddressError for the name of a file or folder, or one that no device can have; what is not there may be plugged in yet."""
    if os.name != "posix":
        return  # a port's name is in no folder there
    try:
        mode = os.stat(name).st_mode
    except FileNotFoundError:
        return
    except (OSError, ValueError) as error:
        raise AddressError(f"opening {name}: no serial port has this name ({getattr(error, 'strerror', None) or error})") from error
    if not stat.S_ISCHR(mode):
        raise AddressError(f"opening {name}: it is {kind_of(mode) or 'a file'}, no serial port; an address is one of: {KINDS}")


def add_kind(kind: str, opener: Opener) -> None:
    """Have addresses of this kind opened by `opener` from now on: for boards that this package does not know."""
    _MORE[kind] = opener


def the_one_board() -> str:
    """Return the device name of the only board plugged in. PortError if there is none or there are several."""
    from bench.ports.serial_port import find_boards

    ports = find_boards(probe=True)
    boards = [found for found in ports if found.identity is not None]
    if len(boards) == 1:
        return boards[0].device
    if not boards:
        taken = [found.device for found in ports if found.taken]
        used = f" that is free (other programs use {', '.join(taken)}: end them)" if taken else ""
        raise PortError(f"looking for a board: none answered on any USB serial port{used}; plug one in, or name a port or sim://NAME")
    raise PortError(f"looking for a board: {len(boards)} answered ({', '.join(b.device for b in boards)}); name the one to use")
