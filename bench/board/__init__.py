"""The board's client: `BoardClient`, how it talks (`talk`), what goes wrong (`faults`), and what must be answered (`expect`).

An edge. Talk with a board inside `conversation`, which leaves everything open.
"""

from bench.board.client import BoardClient, Contact, StampAsked
from bench.board.conversation import conversation, heeding
from bench.board.expect import Expect
from bench.board.simulated_operator import SimulatedOperator, attending, operator_at
from bench.board.talk import LONG_REPLY_S, REPLY_S, Listener
from bench.errors import (
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
    Cancelled,
    NoOperator,
)

__all__ = [
    "LONG_REPLY_S",
    "REPLY_S",
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
    "Cancelled",
    "Contact",
    "Expect",
    "Listener",
    "NoOperator",
    "SimulatedOperator",
    "StampAsked",
    "attending",
    "conversation",
    "heeding",
    "operator_at",
]
