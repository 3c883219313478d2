"""The screen on a terminal that can do less: a Linux console's letters and colours; and the mouse, which is left to the terminal."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest
from pty_screen import ServedBoard, started
from rich.segment import Segment
from textual.color import Color

from bench.tui.console_letters import ConsoleLetters
from bench.tui.raster import BRAILLE, FULL
from reports.real_screen import F, RealScreen

pytestmark = pytest.mark.xfail(sys.platform != "linux", reason="no pseudo-terminals here", run=False)
LACKING = set("▀▄▌▐▘▝▖▗▚▞▛▜▙▟✓◆◇□○△►◄▁▏★")
"""Letters that the fonts of a Linux console lack, as the tables of Debian's show."""
CONSOLE = {"TERM": "linux", "COLORTERM": ""}
_MOUSE = frozenset(mode << 5 for mode in (1000, 1002, 1003, 1006, 1015))  # as the emulator notes private modes


def test_a_console_s_letters_take_the_place_of_what_it_lacks() -> None:
    (line,) = ConsoleLetters().apply([Segment("✓ GOOD ◆ ▀▄█ ■■□")], Color(0, 0, 0))
    assert line.text == "+ GOOD ♦ ■■█ ■■·"


def test_a_linux_console_shows_only_letters_that_it_has(tmp_path: Path) -> None:
    with ServedBoard(tmp_path) as board, RealScreen(str(board.device), tmp_path / "kept", environment=CONSOLE) as screen:
        started(screen, board, "4711")
        screen.until("volts")
        screen.until(lambda terminal: terminal.text.count("█") > 20)
        assert not LACKING & set(screen.text)
        assert not any(0x2800 <= ord(letter) < 0x2900 for letter in screen.text), "chosen without a key"
        screen.press(F[1])
        screen.until("A unit's test")
        assert not LACKING & set(screen.text)


def test_the_mouse_stays_the_terminal_s(tmp_path: Path) -> None:
    with ServedBoard(tmp_path) as board, RealScreen(str(board.device), tmp_path / "kept") as screen:
        screen.until("Scan or type")
        assert _MOUSE.isdisjoint(screen.terminal.mode)


def test_inks_of_a_console_draw_whole_cells() -> None:
    assert FULL.down == 1 and set(FULL.code) == {ord(" "), ord("█")}
    assert BRAILLE.down == 4
