"""A board in conversation: `BoardClient`, how it talks (`talk`), what goes wrong (`faults`), and what must be answered (`expect`)."""

from bench.session.board.client import BoardClient, StampAsked
from bench.session.board.expect import Expect
from bench.session.board.talk import LONG_REPLY_S, REPLY_S, Listener

__all__ = [
    "LONG_REPLY_S",
    "REPLY_S",
    "BoardClient",
    "Expect",
    "Listener",
    "StampAsked",
]
