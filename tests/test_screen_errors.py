"""The screen when it breaks, and when what it is to show is hostile."""

from __future__ import annotations

import os
import sys
import termios
from pathlib import Path

import pytest
from pty_screen import ServedBoard
from rich.segment import Segment
from rich.text import Text
from screens import at_screen, real, run
from textual.color import Color
from textual.screen import Screen
from textual.widgets import Static

from bench.cli.exit_codes import PROGRAM
from bench.tui.plain_lines import PlainLines
from reports.real_screen import F, RealScreen

ROOT = Path(__file__).parent.parent
HOSTILE = "a\x1b[2J\x9b31m\u202e\ue000b\x85c"
PLANTED = """
import bench.tui.app

def broken(self, key):
    raise ValueError("planted \\x1b[31m")

bench.tui.app.BenchApp.action_open = broken
"""


def test_a_line_stays_as_wide_and_holds_nothing_that_is_obeyed() -> None:
    (shown,) = PlainLines().apply([Segment(HOSTILE)], Color(0, 0, 0))
    assert shown.text == "a[2J31m?bc"
    ours = [Segment("⣿█ ± é漢"), Segment("x", None, [(1,)])]  # type: ignore[list-item]
    assert PlainLines().apply(ours, Color(0, 0, 0)) == ours


def test_no_widget_draws_what_a_terminal_obeys() -> None:
    async def main() -> None:
        async with at_screen(real()) as sitting:
            screen: Screen[None] = Screen()
            await sitting.app.push_screen(screen)
            await screen.mount(Static(Text(HOSTILE)), Static(HOSTILE, markup=False))
            await sitting.until(lambda: "\n".join(drawn(sitting.app)).count("a[2J31m?bc") == 2)
            assert all(line.isprintable() for line in drawn(sitting.app))

    def drawn(app: object) -> list[str]:
        return ["".join(s.text for s in strip if not s.control) for strip in app.screen._compositor.render_strips()]  # type: ignore[attr-defined]

    run(main)


@pytest.mark.xfail(sys.platform != "linux", reason="no pseudo-terminals here", run=False)
def test_an_error_of_the_screen_leaves_with_70_and_gives_the_terminal_back(tmp_path: Path) -> None:
    (tmp_path / "sitecustomize.py").write_text(PLANTED)
    environment = {"PYTHONPATH": f"{tmp_path}{os.pathsep}{ROOT}", "XDG_STATE_HOME": str(tmp_path / "state")}
    keep = tmp_path / "records"
    with ServedBoard(tmp_path) as board, RealScreen(str(board.device), keep, environment=environment) as screen:
        screen.until("Scan or type")
        screen.press(F[1])
        assert screen.ended() == PROGRAM
        screen.until("makebreak screen: an error in this program: ValueError: planted")
        lines = [line.strip() for line in screen.text.splitlines() if line.strip()]
        assert lines[0].startswith("makebreak screen: an error in this program: ValueError: planted \\x1b[31m; details in "), lines
        assert "Traceback" not in screen.text
        assert termios.tcgetattr(screen._master)[3] & termios.ECHO, "what is typed is shown again"
        assert not screen.family(), "the station has ended too"
    log = (tmp_path / "state" / "makebreak" / "log" / "makebreak.log").read_text()
    assert "in broken\n" in log and "\x1b" not in log
