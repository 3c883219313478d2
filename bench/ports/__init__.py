"""Ports: where a board's bytes come from and go to. The contract is `Port`; an address chooses the kind.

A port owns its clock: `now_s` is real time for a real board and virtual time for a simulated one, so nothing above a port
ever asks the machine what time it is.
"""

from __future__ import annotations

from typing import Protocol


class Port(Protocol):
    """Where a board's bytes come from and go to. `address` names it for people."""

    address: str

    def write(self, data: bytes) -> None:
        """Send all of data, or raise PortError."""

    def read(self, timeout_s: float) -> bytes:
        """Wait at most timeout_s of this port's time for bytes; whatever is there, possibly nothing. PortError if it is gone."""

    def now_s(self) -> float:
        """Return the host's clock of this port, in s, monotonic, from an arbitrary origin."""

    def close(self) -> None:
        """Let go of the port; harmless twice."""
