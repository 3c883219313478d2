"""Command lines from the bytes that arrive at a board, however they were cut (firmware/PROTOCOL.md section 2)."""

from __future__ import annotations

from collections.abc import Iterator

from bench.wire import LONGEST_LINE


class LineBuffer:
    """Cut bytes into command lines. An overlong line comes out as None once its end is there."""

    def __init__(self) -> None:
        self._line = bytearray()
        self._overrun = False

    def feed(self, data: bytes) -> Iterator[bytes | None]:
        """Yield the lines that these bytes complete, without their ends."""
        for byte in data:
            if byte == 0x0A:
                line = None if self._overrun else bytes(self._line)
                self._line.clear()
                self._overrun = False
                yield line
            elif byte != 0x0D:
                if len(self._line) < LONGEST_LINE - 1:
                    self._line.append(byte)
                else:
                    self._overrun = True
