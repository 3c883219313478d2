"""What a terminal shows of a program's bytes, by the emulator of the package pyte; and which updates belong together."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import pyte

_SYNCHRONISED = 2026  # the private mode by which a program marks an update as whole
ANSWERS: Sequence[tuple[bytes, bytes]] = ((b"\x1b[?2026$p", b"\x1b[?2026;2$y"),)
"""What a program asks, and what a terminal that takes whole updates at once answers."""


class SeenTerminal(pyte.Screen):
    """`feed` bytes; `rows` are what is to be seen then. `on_update` is called after each whole update."""

    def __init__(self, width: int, height: int, on_update: Callable[[SeenTerminal], None] | None = None) -> None:
        super().__init__(width, height)
        self.on_update = on_update
        self._stream = pyte.ByteStream(self)

    def feed(self, data: bytes) -> None:
        """Take bytes as they come; what is cut in the middle waits for the rest."""
        # The package passes over sequences marked `>`, and prints the end of those marked `<`: both ask for keys it does not send.
        self._stream.feed(data.replace(b"\x1b[<", b"\x1b[>"))

    def reset_mode(self, *modes: int, **kwargs: Any) -> None:
        super().reset_mode(*modes, **kwargs)
        if _SYNCHRONISED in modes and kwargs.get("private") and self.on_update is not None:
            self.on_update(self)

    @property
    def rows(self) -> list[str]:
        return list(self.display)

    @property
    def text(self) -> str:
        return "\n".join(row.rstrip() for row in self.rows)
