"""What a terminal shows of the bytes that a program writes to it: enough of one to read the bench screen by, and no more.

Cells only: colours are passed over. It also knows the updates that the program marks as belonging together.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence

_PIECE = re.compile(
    rb"\x1b\[(?P<mark>[<=>?]?)(?P<numbers>[\d;:]*)(?P<between>[ -/]*)(?P<final>[@-~])"  # a control sequence
    rb"|\x1b[\]P_^X][^\x07\x1b]*(?:\x07|\x1b\\)"  # a string for the terminal itself
    rb"|\x1b[()][A-Za-z0-9]|\x1b[=>78cM]"
    rb"|(?P<control>[\x00-\x1a\x1c-\x1f])"
    rb"|(?P<text>[^\x00-\x1f]+)"
)
_OPENING = (b"", *(bytes([byte]) for byte in b"[]P_^X()"))  # what may follow an escape character, if it has come yet
_LONGEST = 64
_SYNCHRONISED = b"2026"
ANSWERS: Sequence[tuple[bytes, bytes]] = ((b"\x1b[?2026$p", b"\x1b[?2026;2$y"),)
"""What a program asks, and what a terminal that takes whole updates at once answers."""


class SeenTerminal:
    """`feed` bytes; `rows` are what is to be seen then. `on_update` is called after each whole update."""

    def __init__(self, width: int, height: int, on_update: Callable[[SeenTerminal], None] | None = None) -> None:
        self.width, self.height = width, height
        self.on_update = on_update
        self._cells = [[" "] * width for _ in range(height)]
        self._x = self._y = 0
        self._rest = b""

    @property
    def rows(self) -> list[str]:
        return ["".join(row) for row in self._cells]

    @property
    def text(self) -> str:
        return "\n".join(row.rstrip() for row in self.rows)

    def feed(self, data: bytes) -> None:
        """Bytes as they come; what is cut in the middle waits for the rest."""
        data = self._rest + data
        place = 0
        while place < len(data):
            found = _PIECE.match(data, place)
            if found is None and len(data) - place < _LONGEST and data[place + 1 : place + 2] in _OPENING:
                break
            if found is None:
                place += 1  # nothing that is known begins here
                continue
            text = found["text"]
            if text is not None and found.end() == len(data) and (cut := _unfinished(text)):
                self._put(text[: len(text) - cut].decode("utf-8", "replace"))
                place = len(data) - cut
                break
            self._take(found)
            place = found.end()
        self._rest = data[place:]

    def _take(self, found: re.Match[bytes]) -> None:
        if found["text"] is not None:
            self._put(found["text"].decode("utf-8", "replace"))
        elif found["control"] == b"\r":
            self._x = 0
        elif found["control"] == b"\n":
            self._x, self._y = 0, min(self._y + 1, self.height - 1)
        elif found["final"] is not None:
            self._control(found["mark"], found["numbers"], found["final"])

    def _control(self, mark: bytes, numbers: bytes, final: bytes) -> None:
        if mark == b"?":
            if numbers == _SYNCHRONISED and final == b"l" and self.on_update is not None:
                self.on_update(self)
            return
        given = [int(number) if number.isdigit() else 0 for number in numbers.split(b";")]
        if final in b"Hf" and not mark:
            row, column = [*given, 1][:2]
            self._y = min(max(row, 1), self.height) - 1
            self._x = min(max(column, 1), self.width) - 1
        elif final == b"J" and given[0] in (2, 3):
            self._cells = [[" "] * self.width for _ in range(self.height)]
        elif final == b"K":
            self._cells[self._y][self._x :] = [" "] * (self.width - self._x)

    def _put(self, text: str) -> None:
        room = text[: self.width - self._x]
        self._cells[self._y][self._x : self._x + len(room)] = room
        self._x += len(room)


def _unfinished(text: bytes) -> int:
    """How many bytes at the end of `text` begin a character whose rest has not come."""
    for back in range(1, min(4, len(text) + 1)):
        lead = text[-back]
        if lead & 0xC0 != 0x80:
            needs = 1 if lead < 0x80 else 2 if lead < 0xE0 else 3 if lead < 0xF0 else 4
            return back if needs > back else 0
    return 0
