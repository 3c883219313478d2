"""What the simulated board says about itself, as calibration has changed it (firmware/PROTOCOL.md sections 2 and 8).

The rig's real errors are elsewhere (`Rig`) and know nothing of this.
"""

from __future__ import annotations

from dataclasses import replace

from bench.description import BoardDescription, description_lines

_SCALE_OFF = 0.1
_ZERO_OFF_COUNTS = 32.0
_LARGEST_U = 1000.0
_CLOCK_OFF = 0.02
_ROUNDING = 1e-9  # of the built-in value: what lies exactly at a limit is within it, whatever floating point makes of the difference


class ScaleError(ValueError):
    """A value that the board refuses as out of range."""


class BoardScales:
    """The description in force (`description`, `lines`) and the stored one. What is `with_...` is a description to `use`.

    ScaleError for what the board does not take: a channel or range that is not there, values too far from the built-in ones.
    """

    def __init__(self, built_in: BoardDescription) -> None:
        self._built_in = built_in
        self._stored = built_in
        self.use(built_in)

    def use(self, description: BoardDescription) -> None:
        self.description = description
        self.lines = description_lines(description)

    def with_range(self, name: str, number: float, zero: float, scale: float, us: float, uz: float, ul: float) -> BoardDescription:
        channel = self._built_in.channels.get(name)
        built_in = next((r for r in channel.ranges if r.number == number), None) if channel is not None else None
        if channel is None or built_in is None:
            raise ScaleError(f"no range {number:g} of {name}")
        near = _is_near(scale, built_in.scale, _SCALE_OFF) and abs(zero - built_in.zero) <= _ZERO_OFF_COUNTS
        if not near or not all(0.0 <= u <= _LARGEST_U for u in (us, uz, ul)):
            raise ScaleError(f"range {number:g} of {name}")
        low, high = built_in.low, built_in.high
        if channel.curve is None:
            top = (1 << self._built_in.modes["FAST"].bits) - 1.5
            low, high = (0.5 - zero) * scale, (top - zero) * scale
        changed = replace(built_in, zero=zero, scale=scale, low=low, high=high, u_scale=us, u_zero=uz, u_line=ul)
        now = self.description.channels[name]
        ranges = tuple(changed if r.number == number else r for r in now.ranges)
        return replace(self.description, channels={**self.description.channels, name: replace(now, ranges=ranges)})

    def with_clock(self, hz: float, half_width: float) -> BoardDescription:
        if not _is_near(hz, self._built_in.clock_hz, _CLOCK_OFF) or not 0.0 <= half_width <= _CLOCK_OFF:
            raise ScaleError("clock")
        return replace(self.description, clock_hz=round(hz), clock_half_width=half_width)

    def with_serial(self, serial: str) -> BoardDescription:
        if not (serial.isalnum() and len(serial) <= 12):
            raise ScaleError("serial number")
        return replace(self.description, serial=serial)

    def with_date(self, number: float) -> BoardDescription:
        if not 0 <= number <= 99991231:
            raise ScaleError("date")
        return replace(self.description, calibrated=int(number))

    def store(self) -> None:
        """Keep what is in force over resets."""
        self._stored = self.description

    def cleared(self) -> BoardDescription:
        return replace(self._built_in, serial=self.description.serial)

    def forget(self) -> None:
        """Back to what was stored, as a reset does."""
        self.use(self._stored)


def _is_near(value: float, built_in: float, part: float) -> bool:
    """Whether a value is off the built-in one by no more than this part of it, the limit included."""
    return abs(value - built_in) <= (part + _ROUNDING) * built_in
