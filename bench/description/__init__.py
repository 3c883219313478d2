"""What a board says about itself: channels, ranges, uncertainties, modes, loads, limits (firmware/PROTOCOL.md section 8).

Pure. A different board is a different description, not different host code.
"""

from bench.description.board import NEEDED, BoardDescription, Channel, Check, Limit, Load, Loop, Mode, NtcCurve, Place, Range, Share
from bench.description.lines import PROTOCOL_VERSION, description_crc, description_lines
from bench.description.plan import PERIOD_SCANS, scan_plan
from bench.description.reading import BS_K, CHANNEL_UNITS, LINES_MOST, OHMS, parse_description

__all__ = [
    "BS_K", "CHANNEL_UNITS", "LINES_MOST", "NEEDED", "OHMS", "PERIOD_SCANS", "PROTOCOL_VERSION", "BoardDescription", "Channel",
    "Check", "Limit", "Load", "Loop", "Mode", "NtcCurve", "Place", "Range", "Share", "description_crc",
    "description_lines", "parse_description", "scan_plan",
]  # fmt: skip
