"""How a test is set up (`setup`), and what that means on a board: its loads (`loads`), its voltages and currents (`drop_and_currents`)."""

from bench.setup.electrical import (
    LOOP_ASSUMED,
    conditions_for,
    loop_of,
    most_inrush_a,
    on_time_s,
    open_v,
    protection_a,
    range_reach_v,
    steady_a,
)
from bench.setup.loads import TRAILER_W, KnownBanks, RunLoad, bank_text, load_for, recorded_load
from bench.setup.setup import ENTERED, MOST_V, Setup, setup_record, watts_text, with_load_of_recording

__all__ = [
    "ENTERED",
    "LOOP_ASSUMED",
    "MOST_V",
    "TRAILER_W",
    "KnownBanks",
    "RunLoad",
    "Setup",
    "bank_text",
    "conditions_for",
    "load_for",
    "loop_of",
    "most_inrush_a",
    "on_time_s",
    "open_v",
    "protection_a",
    "range_reach_v",
    "recorded_load",
    "setup_record",
    "steady_a",
    "watts_text",
    "with_load_of_recording",
]
