"""A conversation with a board, which leaves everything open however it ends, and ends early when that is asked for."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator

from bench.board.client import BoardClient
from bench.errors import Cancelled
from bench.ports import Port
from bench.stopping import Hold, held


@contextlib.contextmanager
def conversation(port: Port) -> Iterator[BoardClient]:
    """Talk with the board behind `port`; when that ends, everything is opened before anything else happens.

    Signals are held off: Cancelled is raised instead, between two reads of the board.
    """
    with held() as hold:
        board = BoardClient(port)
        board.idle = heeding(hold)
        try:
            yield board
        finally:
            board.make_safe()


def heeding(hold: Hold, cancelled: Callable[[], bool] | None = None) -> Callable[[], None]:
    """Return what to call between two reads: it raises Cancelled if a signal, or `cancelled`, asks for an end."""

    def heed() -> None:
        if hold.reason is not None:
            raise Cancelled(hold.reason)
        if cancelled is not None and cancelled():
            raise Cancelled

    return heed
