"""A board in conversation: `BoardClient`, what goes wrong with one (`faults`), and what it must answer (`expect`)."""

from bench.session.board.client import LONG_REPLY_S, BoardClient, Listener, StampAsked
from bench.session.board.expect import Expect
from bench.session.board.faults import (
    BoardContradicts,
    BoardFault,
    BoardLacks,
    BoardLate,
    BoardMisspoken,
    BoardRefused,
    BoardRestarted,
    BoardSilent,
    BoardTripped,
    BoardUnfit,
)

__all__ = [
    "LONG_REPLY_S",
    "BoardClient",
    "BoardContradicts",
    "BoardFault",
    "BoardLacks",
    "BoardLate",
    "BoardMisspoken",
    "BoardRefused",
    "BoardRestarted",
    "BoardSilent",
    "BoardTripped",
    "BoardUnfit",
    "Expect",
    "Listener",
    "StampAsked",
]
