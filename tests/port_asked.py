"""A port that is asked a line, and a wall clock that passes when it is told to: for the tests of ports."""

from __future__ import annotations

from typing import Any

from bench.wire import Decoder, Reply, encode_command

ADDRESS = "sim://LINK?seed=3"


def ask(port: Any, line: str) -> str:
    """Send a query and read its reply over any port; the last reply that comes."""
    decoder = Decoder()
    port.write(encode_command(line))
    end = port.now_s() + 2.0
    while port.now_s() < end:
        replies = [p.text for p in decoder.feed(port.read(0.2)) if isinstance(p, Reply)]
        if replies:
            return replies[-1]
    raise AssertionError(f"no reply to {line}")


class Wall:
    """A clock on the wall that moves only when somebody sleeps, or works (`now_s` set by hand)."""

    def __init__(self) -> None:
        self.now_s = 100.0
        self.slept_s = 0.0

    def sleep(self, seconds: float) -> None:
        self.now_s += seconds
        self.slept_s += seconds
