"""Real serial ports, over pyserial, and finding the boards among a machine's."""

from __future__ import annotations

import contextlib
import errno
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import serial
from serial.tools import list_ports

from bench.errors import PortError, PortTaken
from bench.plain import reason_text
from bench.ports import Port
from bench.wire import Decoder, Reply, encode_command

BAUD = 1_000_000
IDENTITY_WORD = "makebreak"
# A board that is reset by the opening of its port spends two seconds in its boot loader.
_PROBE_S = 2.5
_WRITE_TIMEOUT_S = 1.0  # a line takes a millisecond: a port that does not take it in a second is gone
_PATIENT_S, _GATHER_S = 0.02, 0.004  # 250 bytes of the fastest stream; a driver holds 4 kB
# What comes of a port that vanishes while it is used: pyserial's own exception is an OSError, asking how many bytes wait gives a bare one,
# and telling a new time-out to what is no terminal any more the system's own.
_FOREIGN: tuple[type[Exception], ...] = (OSError,)
if sys.platform != "win32":
    import termios

    _FOREIGN = (OSError, termios.error)
# A name that no device can have, or a speed that this system lacks, is a ValueError.
_CANT_OPEN: tuple[type[Exception], ...] = (*_FOREIGN, ValueError)
_TAKEN = (errno.EAGAIN, errno.EBUSY)  # locked by another program, or kept from all others by the system


class SerialPort(Port):
    """A `Port` over an open pyserial object. What it raises of a port that is gone becomes PortError here. `clock` gives s.

    A read that may wait for 20 ms returns what comes within 4 ms of the first byte in one piece: of a stream that comes in pieces of a
    frame, the calls would cost more than the bytes. Reads that wait for an answer wait for less.
    """

    def __init__(self, address: str, device: Any, clock: Callable[[], float] = time.monotonic) -> None:
        self.address = address
        self._device = device
        self._clock = clock

    def write(self, data: bytes) -> None:
        try:
            self._device.write(data)
        except _FOREIGN as error:
            raise self._lost("sending to", error) from error

    def read(self, timeout_s: float) -> bytes:
        try:
            if self._device.timeout != timeout_s:
                self._device.timeout = timeout_s
            first: bytes = self._device.read(1)
            if not first:
                return first
            if timeout_s >= _PATIENT_S and self._clock is time.monotonic:
                time.sleep(_GATHER_S)
            waiting = self._device.in_waiting
            return first + bytes(self._device.read(waiting)) if waiting else first
        except _FOREIGN as error:
            raise self._lost("reading from", error) from error

    def now_s(self) -> float:
        return self._clock()

    def close(self) -> None:
        try:
            self._device.close()
        except _FOREIGN as error:
            raise self._lost("closing", error) from error

    def _lost(self, doing: str, error: Exception) -> PortError:
        return PortError(f"{doing} {self.address}: {reason_text(error)}; check the cable and that the board has power")


def open_serial(device: str) -> SerialPort:
    """Open a real serial port by its name, at the protocol's speed; for this program alone, where the system can do that."""
    try:
        return SerialPort(device, serial.Serial(device, BAUD, timeout=0.1, write_timeout=_WRITE_TIMEOUT_S, exclusive=True))
    except _CANT_OPEN as error:
        if getattr(error, "errno", None) in _TAKEN:
            raise PortTaken(f"opening {device}: another program uses it; end that first, or name another port") from error
        known = ", ".join(port.device for port in list_ports.comports()) or "none"
        raise PortError(f"opening {device}: {reason_text(error)}; serial ports here: {known}") from error


@dataclass(frozen=True, slots=True)
class FoundPort:
    """A serial port of this machine. `likely`: it is a USB one. `identity`: what it answered to `*IDN?`, if a board did. `taken`: it could
    not be asked, since another program uses it."""

    device: str
    text: str
    likely: bool
    identity: str | None = None
    taken: bool = False


def find_boards(probe: bool = False, ask: Callable[[str], str | None] | None = None) -> tuple[FoundPort, ...]:
    """Return the serial ports of this machine; with `probe` the likely ones are opened and asked who they are."""
    ask = ask or identity_of
    found = []
    for port in sorted(list_ports.comports(), key=lambda port: str(port.device)):
        likely = port.vid is not None
        identity, taken = None, False
        if probe and likely:
            try:
                identity = ask(port.device)
            except PortTaken:
                taken = True
        found.append(FoundPort(port.device, port.description or "", likely, identity, taken))
    return tuple(found)


def identity_of(device: str) -> str | None:
    """Return what a board on this serial port says to `*IDN?`; None if nothing there speaks this protocol or it can't be opened. PortTaken
    if another program uses it."""
    try:
        with contextlib.closing(open_serial(device)) as port:
            return ask_identity(port, _PROBE_S)
    except PortTaken:
        raise
    except PortError:
        return None


def ask_identity(port: Port, patience_s: float) -> str | None:
    """Ask until the answer is a board's or patience is at its end."""
    decoder = Decoder()
    end_s = port.now_s() + patience_s
    while port.now_s() < end_s:
        # The empty line ends whatever stood half-written in the board's buffer.
        port.write(b"\n" + encode_command("*IDN?"))
        again_s = port.now_s() + 0.5
        while port.now_s() < again_s:
            for piece in decoder.feed(port.read(0.1)):
                if isinstance(piece, Reply) and piece.text.split(",")[0] == IDENTITY_WORD:
                    return piece.text
    return None
