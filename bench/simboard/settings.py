"""The settings of a board that `*RST` puts back (firmware/PROTOCOL.md sections 2 and 6)."""

from __future__ import annotations

from dataclasses import dataclass

from bench.description import BoardDescription


@dataclass
class BoardSettings:
    """Protection (level in A; delay, longest on-time and silence in s), sampling mode, voltage range."""

    level_a: float
    delay_s: float
    time_s: float
    silence_s: float
    mode: str = "FAST"
    range_number: int = 0


def default_settings(description: BoardDescription) -> BoardSettings:
    """Return the settings after power-up, from the limits that the board states. KeyError for a limit that it does not."""
    limits = description.limits
    return BoardSettings(limits["CURR"].default, limits["DELAY"].default, limits["TIME"].default, limits["SIL"].default)
