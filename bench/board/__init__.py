"""The board's client: `BoardClient`, how it talks (`talk`), what goes wrong (`faults`), and what must be answered (`expect`).

An edge. Talk with a board inside `conversation`, which leaves everything open.
"""

from bench.board.client import BoardClient, BoardContact, StampAsked
from bench.board.conversation import conversation, heeding
from bench.board.expect import Expect
from bench.board.simulated_operator import SimulatedOperator, attending, operator_at
from bench.board.talk import LONG_REPLY_S, REPLY_S, Listener

__all__ = [
    "LONG_REPLY_S",
    "REPLY_S",
    "BoardClient",
    "BoardContact",
    "Expect",
    "Listener",
    "SimulatedOperator",
    "StampAsked",
    "attending",
    "conversation",
    "heeding",
    "operator_at",
]
