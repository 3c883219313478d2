"""The terminal that tests and figures look at the screen with: what it shows does not hang on how the bytes were cut."""

from __future__ import annotations

from reports.seen_terminal import SeenTerminal

BYTES = (
    "\x1b[?2026h\x1b[?1049h\x1b[2J\x1b[1;1Hold longer\x1b[1;1H\x1b[1;38;2;230;233;236;48;2;16;20;24m87.7 ± 2\x1b[0m\x1b[K"
    "\x1b[2;3H██░⣿\r\n\x1b]22;default\x07\x1b[>25u\x1b[?2026lx\r\x1b[4;9Hed"
).encode()
ROWS = ["87.7 ± 2  ", "  ██░⣿    ", "x         ", "        ed"]


def seen(pieces: list[bytes]) -> tuple[list[str], list[list[str]]]:
    updates: list[list[str]] = []
    terminal = SeenTerminal(10, 4, lambda terminal: updates.append(terminal.rows))
    for piece in pieces:
        terminal.feed(piece)
    return terminal.rows, updates


def test_what_is_seen() -> None:
    rows, updates = seen([BYTES])
    assert rows == ROWS
    assert updates == [[*ROWS[:2], " " * 10, " " * 10]]


def test_however_it_is_cut() -> None:
    whole = seen([BYTES])
    assert seen([bytes([byte]) for byte in BYTES]) == whole
    for place in range(len(BYTES)):
        assert seen([BYTES[:place], BYTES[place:]]) == whole
