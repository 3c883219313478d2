"""`makebreak standard`."""

from __future__ import annotations

import contextlib
import sys
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from bench import defaults
from bench.cli.asked_setup import AskedSetup, with_asked_setup
from bench.cli.kinds import Address, Folder
from bench.cli.options import lamps_options, refuse_unused
from bench.cli.output import check_folder

if TYPE_CHECKING:
    from bench.control_chart import ChartFinding
    from bench.setup import Setup
    from bench.upkeep.standard import StandardReading
    from bench.upkeep.standard_files import KeptReading


_OF_A_UNIT = ("rated", "lamps", "led", "bank")
_OF_MEASURING = (*_OF_A_UNIT, "flashing", "system", "yes")


@click.command("standard")
@click.argument("address", type=Address(), required=False)
@click.option("--name", default="link", show_default=True, help="Name of the kept standard; its readings are kept under it.")
@click.option("--flashing", is_flag=True, help="The standard is a kept unit that flashes, not the shorting link.")
@click.option(
    "--keep",
    type=Folder(),
    default=Path("standards"),
    show_default=True,
    metavar="FOLDER",
    help="Where readings are kept, one line each.",
)
@click.option("--charts", is_flag=True, help="Draw the chart of every quantity, not only of those that moved.")
@lamps_options
@click.option("--yes", is_flag=True, help="Ask nothing: cautions read, manual actions taken as done.")
@with_asked_setup
def command(address: str | None, name: str, flashing: bool, keep: Path, charts: bool, asked: AskedSetup, yes: bool) -> int:
    """Measure a kept standard on the board at ADDRESS before a session, and see whether the rig has drifted.

    The standard is the shorting link with two lamps of the bank, or (with --flashing) a good electronic unit that you keep for this and
    use for nothing else. From the fourth reading on the last is held against the scatter of the earlier ones and the stated uncertainty
    together; the first eight make the chart's limits. A quantity that left these but stays within its stated uncertainty has moved: watch
    it. One that left both has drifted: look for the cause, then calibrate. A calibration begins a new chart. Without ADDRESS the charts
    are drawn as they stand.

    \b
    makebreak standard auto
    makebreak standard auto --name reference-unit --flashing
    makebreak standard --name link --charts

    Leaves with 4 if something has drifted, with 3 if that can't be told yet and a reading differs by more than is stated.
    """
    from bench.cli.provenance import provenance_now
    from bench.errors import TableError
    from bench.keeping import make_folder
    from bench.upkeep.standard_files import append_standard, comparable, entry_of, read_standard, standard_path, unfinished_line

    path = standard_path(keep, name)
    # What can't be read or kept must be known before anything is measured.
    entries, unfinished = read_standard(path), unfinished_line(path)
    if address is None:
        refuse_unused(_OF_MEASURING, "without an address nothing is measured")
    elif not flashing:
        refuse_unused(_OF_A_UNIT, "they say on what a kept unit flashes (--flashing), and this is the shorting link")
    if address is None and not entries:
        why = unfinished or f"nothing is kept in {path} yet"
        raise TableError(f"kept standard {name}: {why}; give the address of a board to measure it")
    if unfinished:
        print(f"note: {unfinished}", file=sys.stderr)
    if address is not None:
        make_folder(keep)
        check_folder(keep)
        setup = replace(asked, unit=name).setup(address)
        when = provenance_now()["when"]
        append_standard(path, entry_of(when, _measured(address, setup, flashing, yes)))
        entries = read_standard(path)
    return _report(name, comparable(entries), charts)


def _measured(address: str, setup: Setup, flashing: bool, yes: bool) -> StandardReading:
    from bench import files
    from bench.cli.person import Person, open_confirmed
    from bench.cli.progress_line import ProgressLine
    from bench.cli.provenance import provenance_now
    from bench.stopping import ENDING, held
    from bench.upkeep.standard import measure_link, measure_unit

    with contextlib.ExitStack() as stack:
        port = open_confirmed(address, yes)
        stack.callback(port.close)
        stack.enter_context(held(ENDING))
        progress = stack.enter_context(ProgressLine())
        person = Person(assume_yes=yes)
        if not flashing:
            return measure_link(port, setup, person, progress)
        return measure_unit(port, files.procedure(defaults.PROCEDURE), setup, person, progress=progress, **provenance_now())


def _report(name: str, entries: Sequence[KeptReading], charts: bool) -> int:
    """Print how each quantity stands and what follows, and return the exit code for it."""
    from bench.cli.exit_codes import BENCH_FAULT, GOOD, NOT_DECIDED
    from bench.cli.person import folded
    from bench.control_chart import FEWEST, ChartState
    from bench.upkeep.standard import TITLES

    last = entries[-1]
    count = "first reading" if len(entries) == 1 else f"{len(entries)} readings since {entries[0].when[:10]}"
    print(folded(f"Kept standard {name} on board {last.board}: {count}; values with their stated uncertainty (± 95 %)"))
    findings = {TITLES.get(quantity, quantity): _show_quantity(quantity, entries, charts) for quantity in last.values}
    drifted = [title for title, finding in findings.items() if finding.state is ChartState.DRIFTED]
    untold = [title for title, finding in findings.items() if finding.state is ChartState.UNTOLD]
    odd = [title for title in untold if findings[title].since is not None]
    if drifted:
        print(folded(f"THE RIG HAS DRIFTED: {', '.join(drifted)}. Look for the cause (leads, lamps, warmth), then zero or calibrate it."))
        return BENCH_FAULT
    if untold:
        needed = f"{FEWEST + 1} readings are needed to know their scatter, there are {len(entries)}"
        few = f"Whether the rig has drifted can't be told yet: {needed}."
        print(folded(f"{few} Measure again before you rely on it: {', '.join(odd)}." if odd else few))
        return NOT_DECIDED if odd else GOOD
    print("The rig has not drifted beyond its scatter and its stated uncertainty.")
    return GOOD


def _show_quantity(quantity: str, entries: Sequence[KeptReading], charts: bool) -> ChartFinding:
    """Print how one quantity stands, with its chart if it moved or `charts` are wanted, and return what was found of it."""
    from bench.cli.person import folded
    from bench.control_chart import judge
    from bench.render.chart import chart_lines, sentence
    from bench.uncertainty import Component, Estimate
    from bench.upkeep.standard import TITLES

    having = [entry for entry in entries if quantity in entry.values]
    rows, whens = [entry.values[quantity] for entry in having], [entry.when for entry in having]
    readings = [Estimate(value, unit, (Component("stated", u),)) for value, u, unit in rows]
    finding = judge([value for value, _, _ in rows], [u for _, u, _ in rows])
    print(folded(sentence(TITLES.get(quantity, quantity), whens, readings, finding)))
    if charts or finding.since is not None:
        for line in chart_lines(whens, readings, finding):
            print(line)
    return finding
