"""The station: the process that owns a board and drives it through tests, whatever becomes of the screen.

An edge. The screen sends orders and gets news (`bench.station.messages`) over a connection. A screen that falls silent during a test is
taken for gone: everything is opened, and the record says so.
"""

from bench.station.messages import (
    Absent,
    Attach,
    Beat,
    Begin,
    Broken,
    Done,
    Finished,
    Leave,
    News,
    Order,
    PassTime,
    Present,
    Refused,
    Shown,
    Started,
    Stop,
    Turn,
)
from bench.station.process import StationLink, start_station
from bench.station.station import PRACTICE

__all__ = [
    "PRACTICE",
    "Absent",
    "Attach",
    "Beat",
    "Begin",
    "Broken",
    "Done",
    "Finished",
    "Leave",
    "News",
    "Order",
    "PassTime",
    "Present",
    "Refused",
    "Shown",
    "Started",
    "StationLink",
    "Stop",
    "Turn",
    "start_station",
]
