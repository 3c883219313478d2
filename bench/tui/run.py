"""Run the screen, with a station beside it, from beginning to end."""

from __future__ import annotations

from pathlib import Path

from bench.station import start_station
from bench.tui.app import INKS, BenchApp


def run_screen(address: str, folder: Path, *, dark: bool = True, blocks: bool = False) -> int:
    """0 when it was left in good order, 1 if the screen broke; either way everything is open and what was tested is kept."""
    app = BenchApp(lambda: start_station(folder), address, folder=folder, dark=dark, ink=INKS[1] if blocks else INKS[0])
    try:
        app.run()
    finally:
        app.station.close("the screen ended by an error")
    return app.return_code or 0
