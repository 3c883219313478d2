"""The description that a board states, as calibration has changed it (firmware/PROTOCOL.md sections 2 and 8).

The rig's true errors stand in `hidden` and do not depend on it.
"""

from __future__ import annotations

from dataclasses import replace

from bench.description import BoardDescription, description_lines

_SCALE_OFF = 0.1
_ZERO_OFF_COUNTS = 32.0
_LARGEST_U = 1000.0
_CLOCK_OFF = 0.02
_ROUNDING = 1e-9  # of the built-in value: a value exactly at a limit is within it, however its difference is rounded


class ScaleError(ValueError):
    """A value that the board refuses because it is out of range."""


class BoardScales:
    """The description in force (`description`, `lines`) and the stored one. Each `with_...` returns a description to `use`.

    ScaleError for what the board refuses: a channel or range that is not there, values too far from the built-in ones.
    """

    def __init__(self, built_in: BoardDescription) -> None:
        self._built_in = built_in
        self._stored = built_in
        self.use(built_in)

    def use(self, description: BoardDescription) -> None:
        """Put a description into force, until a reset unless it is stored."""
        self.description = description
        self.lines = description_lines(description)

    def with_range(
        self, name: str, number: float, zero: float, scale: float, u_scale: float, u_zero: float, u_line: float
    ) -> BoardDescription:
        """Return the description with range `number` of a channel calibrated.

        zero in counts, scale in the channel's unit for each count; standard uncertainties: u_scale relative, u_zero and u_line (of
        linearity) in the channel's unit.
        """
        channel = self._built_in.channels.get(name)
        built_in = next((r for r in channel.ranges if r.number == number), None) if channel is not None else None
        if channel is None or built_in is None:
            raise ScaleError(f"no range {number:g} of {name}")
        near = _is_near(scale, built_in.scale, _SCALE_OFF) and abs(zero - built_in.zero) <= _ZERO_OFF_COUNTS
        if not near or not all(0.0 <= u <= _LARGEST_U for u in (u_scale, u_zero, u_line)):
            raise ScaleError(f"range {number:g} of {name}")
        low, high = built_in.low, built_in.high
        if channel.curve is None:
            top = (1 << self._built_in.modes["FAST"].bits) - 1.5
            low, high = (0.5 - zero) * scale, (top - zero) * scale
        changed = replace(built_in, zero=zero, scale=scale, low=low, high=high, u_scale=u_scale, u_zero=u_zero, u_line=u_line)
        now = self.description.channels[name]
        ranges = tuple(changed if r.number == number else r for r in now.ranges)
        return replace(self.description, channels={**self.description.channels, name: replace(now, ranges=ranges)})

    def with_clock(self, hz: float, half_width: float) -> BoardDescription:
        """Return the description with another clock frequency; `half_width` of its error, relative."""
        if not _is_near(hz, self._built_in.clock_hz, _CLOCK_OFF) or not 0.0 <= half_width <= _CLOCK_OFF:
            raise ScaleError("clock")
        return replace(self.description, clock_hz=round(hz), clock_half_width=half_width)

    def with_serial(self, serial: str) -> BoardDescription:
        """Return the description with a serial number of at most 12 letters and digits."""
        if not (serial.isalnum() and len(serial) <= 12):
            raise ScaleError("serial number")
        return replace(self.description, serial=serial)

    def with_date(self, number: float) -> BoardDescription:
        """Return the description with a date of calibration, as a `number` without unit such as 20260131."""
        if not 0 <= number <= 99991231:
            raise ScaleError("date")
        return replace(self.description, calibrated=int(number))

    def store(self) -> None:
        """Store the description in force: it then outlasts resets."""
        self._stored = self.description

    def cleared(self) -> BoardDescription:
        """Return the built-in description with the serial number in force."""
        return replace(self._built_in, serial=self.description.serial)

    def forget(self) -> None:
        """Put the stored description into force, as a reset does."""
        self.use(self._stored)


def _is_near(value: float, built_in: float, part: float) -> bool:
    """Whether a value is off the built-in one by no more than this part of it, the limit included."""
    return abs(value - built_in) <= (part + _ROUNDING) * built_in
