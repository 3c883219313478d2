"""`makebreak boards`."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from bench.cli.output import print_table

if TYPE_CHECKING:
    from bench.ports.serial_port import FoundPort


@click.command("boards")
@click.option("--probe/--no-probe", default=True, help="Ask each USB serial port whether a board is there (default: yes).")
def command(probe: bool) -> None:
    """List the serial ports and the boards on them.

    Asking opens each USB serial port, which resets some devices; --no-probe only lists.

    \b
    makebreak boards
    makebreak boards --no-probe
    """
    from bench.ports.serial_port import find_boards

    found = find_boards(probe=probe)
    if not found:
        print("No serial port on this machine. A simulated board needs none: makebreak test")
        return
    print_table(("port", "what it is", "board"), [(p.device, p.text, _board(p, probe)) for p in found])


def _board(port: FoundPort, probe: bool) -> str:
    """Return what answered there, or why nothing did."""
    if port.taken:
        return "in use by another program"
    return port.identity or ("no answer" if port.likely and probe else "not asked")
