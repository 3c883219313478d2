"""Refusals, the error queue and the status registers of a board (firmware/PROTOCOL.md section 9)."""

from __future__ import annotations

from collections import deque

from bench.wire import SCPI_ERRORS

QUEUE_LENGTH = 8
POWER_ON = 128
OPERATION_COMPLETE = 1


class CommandError(Exception):
    """A line that the board refuses, with the SCPI error number."""

    def __init__(self, number: int) -> None:
        super().__init__(f"{number}, {SCPI_ERRORS[number]}")
        self.number = number


class Status:
    """The error queue and the registers of IEEE 488.2."""

    def __init__(self) -> None:
        self.errors: deque[int] = deque()
        self.event = POWER_ON
        self.event_enable = 0
        self.service_enable = 0

    def push(self, number: int) -> None:
        """Queue an error by its SCPI number and set its bit in the event register; with a full queue -350 replaces the last one."""
        if len(self.errors) == QUEUE_LENGTH:
            number = -350
            self.errors.pop()
        self.errors.append(number)
        self.event |= {1: 32, 2: 16, 3: 8}[-number // 100]

    def next_error(self) -> str:
        """Take the oldest error from the queue: its number and its text, `0,"No error"` if there is none."""
        number = self.errors.popleft() if self.errors else 0
        return f'{number},"{SCPI_ERRORS[number]}"'

    def read_event(self) -> int:
        """Return the event register and clear it."""
        value, self.event = self.event, 0
        return value

    def clear(self) -> None:
        """Empty the queue and clear the event register; enable registers stay."""
        self.errors.clear()
        self.event = 0

    def byte(self) -> int:
        """Return the status byte."""
        value = (4 if self.errors else 0) | (32 if self.event & self.event_enable else 0)
        return value | (64 if value & self.service_enable else 0)
