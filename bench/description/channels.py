"""The words of a description that this program knows: channels and their units, kinds of loads, settings of the protection."""

from __future__ import annotations

from collections.abc import Mapping
from enum import StrEnum
from typing import Literal, TypeAlias, get_args


class ChannelName(StrEnum):
    """The channels that this program can read. A board may have others, so maps of channels have keys of type str."""

    V_IN = "v_in"
    V_OUT = "v_out"
    V_DROP = "v_drop"
    I_LOAD = "i_load"
    I_LOAD_LOW = "i_load_low"
    V_PILOT = "v_pilot"
    TEMPERATURE = "temperature"
    SELF_CHECK = "self_check"


ChannelUnit: TypeAlias = Literal["V", "A", "degC"]
LoadKind: TypeAlias = Literal["LAMP", "PILOT", "LEAK", "FREE"]
ProtectionName: TypeAlias = Literal["CURR", "DELAY", "TIME", "SIL"]

LOAD_KINDS: tuple[LoadKind, ...] = get_args(LoadKind)
PROTECTION_NAMES: tuple[ProtectionName, ...] = get_args(ProtectionName)
CHANNEL_UNITS: Mapping[str, ChannelUnit | None] = {
    ChannelName.V_IN: "V",
    ChannelName.V_OUT: "V",
    ChannelName.V_DROP: "V",
    ChannelName.I_LOAD: "A",
    ChannelName.I_LOAD_LOW: "A",
    ChannelName.V_PILOT: "V",
    ChannelName.TEMPERATURE: "degC",
    ChannelName.SELF_CHECK: None,
}
"""The unit that each channel must be in; None: its own."""
NEEDED = (ChannelName.V_IN, ChannelName.V_OUT, ChannelName.I_LOAD)
"""Without these nothing can be said of a unit: neither when it flashed, nor whether supply, lamps and leads were right meanwhile."""
