"""`makebreak faults`."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import click

from bench.cli.completion import units_offered
from bench.cli.output import print_table, say


@click.command("faults")
@click.argument("unit", required=False, shell_complete=units_offered)
def command(unit: str | None) -> None:
    """List the faults that a simulated bench can have, or those that it can have with UNIT in the socket.

    A fault is one of the unit, of the bench around it, of the board, or of the link to it.

    \b
    makebreak faults
    makebreak faults bench-hw-hold
    makebreak test "sim://bench-nc-2x21?fault=contact-burnt"
    makebreak test "sim://bench-nc-2x21?fault=lamp-dead,bytes-lost"
    """
    from bench.render.names import legend
    from bench.simboard import catalogue, fitting
    from bench.simboard.units import MECHANISM_TITLES

    if unit is None:
        print_table(("name", "of", "what is wrong", "what one should see", "fits"), _rows(fitting.all_faults()))
        say(f"Mechanisms of units. {legend(MECHANISM_TITLES, MECHANISM_TITLES)}. `makebreak units` lists which unit has which.")
        return
    if unit not in catalogue.names():
        raise click.BadParameter(f"no simulated unit is called {unit!r}; `makebreak units` lists them", param_hint="UNIT")
    rows = [row[:-1] for row in _rows(fitting.faults_for(catalogue.unit(unit)))]
    print_table(("name", "of", "what is wrong", "what one should see"), rows)


def _rows(names: Sequence[str]) -> Iterator[tuple[str, str, str, str, str]]:
    from bench.simboard.faults import FAULTS
    from bench.simboard.fitting import units_with
    from bench.simboard.hidden import RIG_FAULTS
    from bench.simboard.link import LINK_FAULTS

    for name in names:
        if name in FAULTS:
            fault = FAULTS[name]
            needs = f", needs {fault.needs.text}" if fault.needs is not None else ""
            fits = _fits_text(units_with(name)) if fault.side == "unit" else f"any unit{needs}"
            yield name, fault.side, fault.title, fault.see, fits
        elif name in RIG_FAULTS:
            yield name, "board", RIG_FAULTS[name].text, "", "any unit"
        else:
            yield name, "link", LINK_FAULTS[name].text, "", "any unit"


def _fits_text(units: Sequence[str]) -> str:
    """Return the units in few words: `NC, TC but bench-tc-dry`; a mechanism's code stands for all units of it."""
    from bench.simboard import catalogue
    from bench.simboard.units import MECHANISMS

    of_kind: dict[str, list[str]] = {kind: [] for kind in MECHANISMS}
    for name in catalogue.names():
        of_kind[catalogue.entry(name).kind].append(name)
    fitting = {kind: [name for name in names if name in units] for kind, names in of_kind.items()}
    missing = [name for kind, names in of_kind.items() if fitting[kind] for name in names if name not in units]
    kinds = "any unit" if all(fitting.values()) else ", ".join(kind for kind, names in fitting.items() if names)
    return f"{kinds} but {', '.join(missing)}" if missing else kinds
