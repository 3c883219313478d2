"""Run the screen, with a station beside it, from beginning to end."""

from __future__ import annotations

import gc
import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from bench.station import start_station
from bench.tui.app import BenchApp
from bench.tui.raster import BLOCKS, BRAILLE, FULL


class Program(BenchApp):
    """The screen as a program of its own. `broke` is the error that ended it, if one did."""

    broke: Exception | None = None

    def on_ready(self) -> None:
        # What is there by now stays there: to look through it for garbage would hold up a frame for 50 ms, every few seconds.
        gc.collect()
        gc.freeze()

    def _handle_exception(self, error: Exception) -> None:
        """End, and keep the error for the caller: Textual would print a page of source code, and leave with 1."""
        self.broke = self.broke or error
        self.exit()


def run_screen(address: str, folder: Path, chosen: Mapping[str, Any], *, dark: bool = True, dots: bool = False) -> int:
    """0 when it was left in good order, 130 if it was told to end; raises the error that broke it. Everything is open then, the terminal is
    as it was, and what was tested is kept.

    `chosen`: fields of `Choices` that are not as they were last time.
    """
    console = os.environ.get("TERM") == "linux"
    ink = FULL if console else BRAILLE if dots else BLOCKS
    app = Program(lambda: start_station(folder), address, folder=folder, chosen=chosen, dark=dark, ink=ink, console=console)
    try:
        # The mouse stays the terminal's: texts are marked and copied with it, and no key here waits for a click.
        app.run(mouse=False)
    finally:
        app.station.close("the screen ended by an error")
    if app.broke is not None:
        raise app.broke
    return app.return_code or 0
