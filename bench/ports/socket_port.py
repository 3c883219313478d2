"""A board behind a network socket: `socket://host:port`."""

from __future__ import annotations

import socket
import time

from bench.errors import PortError
from bench.plain import reason_text
from bench.ports import Port
from bench.ports.address import parse_socket_address

_CONNECT_S = 3.0  # a server on the same network answers within milliseconds
_LARGEST_READ = 65536
_AGAIN = "open it again, and see that no other program uses the board"


class SocketPort(Port):
    """A `Port` over a TCP connection; connects when made."""

    def __init__(self, address: str) -> None:
        self.address = address
        try:
            self._socket = socket.create_connection(parse_socket_address(address), _CONNECT_S)
            self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        except OSError as error:
            raise PortError(f"opening {address}: {reason_text(error)}; is the board's server running there?") from error

    def write(self, data: bytes) -> None:
        try:
            self._socket.settimeout(_CONNECT_S)
            self._socket.sendall(data)
        except OSError as error:
            raise PortError(f"sending to {self.address}: {reason_text(error)}; the connection is gone: {_AGAIN}") from error

    def read(self, timeout_s: float) -> bytes:
        try:
            self._socket.settimeout(max(timeout_s, 1e-6))
            data = self._socket.recv(_LARGEST_READ)
        except TimeoutError:
            return b""
        except OSError as error:
            raise PortError(f"reading from {self.address}: {reason_text(error)}; the connection is gone: {_AGAIN}") from error
        if not data:
            raise PortError(f"reading from {self.address}: the other end closed the connection; {_AGAIN}")
        return data

    def now_s(self) -> float:
        return time.monotonic()

    def close(self) -> None:
        self._socket.close()
