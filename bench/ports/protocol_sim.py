"""`sim://` for pyserial: once `bench.ports` is among `serial.protocol_handler_packages`, `serial.serial_for_url("sim://...")`
opens a simulated board, and any program that speaks through pyserial can talk to one.

Time-outs are in the board's time. With `pace=virtual` (the usual) a read does not wait but lets that time pass at once.
"""

from __future__ import annotations

from typing import Any

import serial
from serial.serialutil import PortNotOpenError, SerialBase

from bench.ports import PortError
from bench.ports.address import parse_sim_address
from bench.ports.simulated import SimulatedLine, open_line

_FOR_EVER_S = 1e9


class Serial(SerialBase):
    """A serial port whose other end is simulated. Baud rate and the like can be set and change nothing."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        self._line: SimulatedLine | None = None
        self._waiting = bytearray()
        super().__init__(*args, **kwargs)

    @property
    def line(self) -> SimulatedLine:
        if self._line is None:
            raise PortNotOpenError()
        return self._line

    def open(self) -> None:
        if self.is_open:
            raise serial.SerialException("the port is already open")
        try:
            self._line = open_line(parse_sim_address(self.portstr or ""))
        except PortError as error:
            raise serial.SerialException(str(error)) from error
        self.is_open = True

    def close(self) -> None:
        self._line = None
        self.is_open = False

    def now_s(self) -> float:
        """The host's clock on this line, s."""
        return self.line.now_s

    @property
    def in_waiting(self) -> int:
        self._waiting += self._whatever(self.line.poll) if not self._waiting else b""
        return len(self._waiting)

    def read(self, size: int = 1) -> bytes:
        """Up to size bytes: all of them, or those that came before the time-out."""
        line = self.line
        deadline_s = line.now_s + (_FOR_EVER_S if self.timeout is None else self.timeout)
        while len(self._waiting) < size:
            left_s = deadline_s - line.now_s
            self._waiting += self._whatever(lambda left_s=left_s: line.read(left_s))
            if line.now_s >= deadline_s:
                break
        data = bytes(self._waiting[:size])
        del self._waiting[:size]
        return data

    def write(self, data: Any) -> int:
        sent = bytes(data)
        self._whatever(lambda: self.line.write(sent))
        return len(sent)

    def flush(self) -> None:
        """Nothing waits on the way down."""

    def reset_input_buffer(self) -> None:
        self._waiting.clear()
        self._whatever(lambda: self.line.read(0.0))

    def reset_output_buffer(self) -> None:
        """Nothing waits on the way down."""

    def _whatever(self, action: Any) -> Any:
        """Do it, and let what goes wrong come out as pyserial's own exception."""
        try:
            return action()
        except PortError as error:
            raise serial.SerialException(str(error)) from error

    def _reconfigure_port(self) -> None:
        pass

    def _update_break_state(self) -> None:
        pass

    def _update_rts_state(self) -> None:
        pass

    def _update_dtr_state(self) -> None:
        pass

    cts = dsr = cd = property(lambda self: True)
    ri = property(lambda self: False)
