"""What a board says about itself: channels, ranges, uncertainties, modes, loads, limits (firmware/PROTOCOL.md section 8).

A different board is a different description, not different host code.
"""

from bench.description.channels import CHANNEL_UNITS, NEEDED, ChannelName
from bench.description.contents import (
    BoardDescription,
    BoardLoad,
    Channel,
    Check,
    CommonModeError,
    Loop,
    Mode,
    NtcCurve,
    ProtectionLimit,
    Range,
    ScanPlace,
)  # fmt: skip
from bench.description.lines import PROTOCOL_VERSION, description_crc, description_lines
from bench.description.parsing import BS_K, LINES_MOST, OHMS, parse_description
from bench.description.plan import PERIOD_SCANS, scan_plan

__all__ = [
    "BS_K", "CHANNEL_UNITS", "LINES_MOST", "NEEDED", "OHMS", "PERIOD_SCANS", "PROTOCOL_VERSION", "BoardDescription", "BoardLoad",
    "Channel", "ChannelName", "Check", "CommonModeError", "Loop", "Mode", "NtcCurve", "ProtectionLimit", "Range", "ScanPlace",
    "description_crc", "description_lines", "parse_description", "scan_plan",
]  # fmt: skip
