"""`makebreak screen`."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import click

from bench.cli.completion import limits_offered, names_of
from bench.cli.kinds import Address, Folder


@click.command("screen")
@click.argument("address", type=Address(), default="auto")
@click.option(
    "--keep",
    type=Folder(),
    default=Path("records"),
    show_default=True,
    metavar="FOLDER",
    help="Where every test is kept: a folder for each day, with a record and a capture of each.",
)
@click.option(
    "--procedure",
    metavar="NAME|FILE",
    shell_complete=names_of("procedures"),
    help="Begin with this procedure instead of the one of last time; F2 changes it.",
)
@click.option(
    "--limits",
    multiple=True,
    metavar="NAME|FILE",
    shell_complete=limits_offered,
    help="Begin with these limit sets, families or files; may be given several times.",
)
@click.option("--grade-rule", metavar="NAME|FILE|none", shell_complete=names_of("grades", "none"), help="Begin with this rule for grades.")
@click.option("--light", is_flag=True, help="Dark on light instead of light on dark; F8 changes that.")
@click.option("--dots", is_flag=True, help="Draw traces finer, in braille dots, where the terminal has them; F9 changes that.")
def command(
    address: str, keep: Path, procedure: str | None, limits: tuple[str, ...], grade_rule: str | None, light: bool, dots: bool
) -> int:
    """Run the screen that stands beside the rig all day: scan, start, verdict, next. F1 on it explains everything.

    ADDRESS is `auto` (the one board plugged in), a serial port, socket://HOST:PORT, or a simulated bench; F3 on the screen chooses one of
    those too, with units and faults, for practice.

    \b
    makebreak screen
    makebreak screen /dev/ttyUSB0 --keep /srv/bench/records --limits us-turn --limits my-shop.toml
    makebreak screen sim://bench-nc-2x21

    The program that drives the board is not the screen: whatever becomes of screen and terminal, everything is open about a second after
    they were last heard, and the record says what happened.
    """
    if not (sys.stdin.isatty() and sys.stderr.isatty()):
        raise click.UsageError("the screen needs a terminal of its own; without one, use `makebreak test`")
    from bench import files
    from bench.ports.address import parse_sim_address
    from bench.ports.setting import set_up
    from bench.tui.program import run_screen

    if address.startswith("sim://"):
        # An address that can never be is said before the screen covers everything.
        set_up(parse_sim_address(address))
        address = _in_real_time(address)

    chosen: dict[str, Any] = {}
    if procedure is not None:
        chosen["procedure"] = procedure
        files.procedure(procedure)
    if limits:
        chosen["limits"] = limits
        for name in limits:
            files.named_limits(name)
    if grade_rule is not None:
        chosen["grade_rule"] = grade_rule
        if grade_rule != "none":
            files.grade_rule(grade_rule)
    return run_screen(address, keep, chosen, dark=not light, dots=dots)


def _in_real_time(address: str) -> str:
    """Return the address of a simulated board that lives in real time, unless it says otherwise itself."""
    if "pace=" in address:
        return address
    return f"{address}{'&' if '?' in address else '?'}pace=real"
