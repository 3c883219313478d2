"""`makebreak test`."""

from __future__ import annotations

import contextlib
from pathlib import Path
from typing import TYPE_CHECKING

import click

from bench import defaults, stopping
from bench.cli.asked_setup import AskedSetup, with_asked_setup
from bench.cli.completion import names_of
from bench.cli.kinds import Address, UnitNumber
from bench.cli.options import bench_options, fact_option, lamps_options, limits_options, part_options, refuse_parts_alone
from bench.cli.output import budget_option, check_target, full_option, json_option, paths_among, refuse_with_json_alone, show_result
from bench.cli.streams import say_error

if TYPE_CHECKING:
    from bench.ports import Port
    from bench.procedure import Procedure
    from bench.record import TestRecord
    from bench.session.kept_test import KeptTest
    from bench.setup import Setup


@click.command("test")
@click.argument("address", type=Address(), default=defaults.ADDRESS)
@click.option(
    "--unit",
    type=UnitNumber(),
    metavar="NUMBER",
    help="The unit's number or name for the record. Default: the simulated unit's name, or 'unnamed'.",
)
@click.option(
    "--procedure",
    default=defaults.PROCEDURE,
    show_default=True,
    metavar="NAME|FILE",
    shell_complete=names_of("procedures"),
    help="Procedure of the test; `makebreak procedures` lists them.",
)
@lamps_options
@fact_option
@part_options
@limits_options
@bench_options
@click.option("--stop-early", is_flag=True, help="Stop as soon as every limit is decided.")
@click.option("--capture", type=click.Path(dir_okay=False, path_type=Path), metavar="FILE", help="Keep everything the board sends in FILE.")
@click.option("--yes", is_flag=True, help="Ask nothing: cautions read, manual actions taken as done.")
@json_option
@full_option
@budget_option
@with_asked_setup
def command(
    address: str,
    procedure: str,
    asked: AskedSetup,
    capture: Path | None,
    yes: bool,
    json_path: str | None,
    full: bool,
    budget: bool,
) -> int:
    """Test a unit on the board at ADDRESS and print the report.

    ADDRESS is `auto` (the one board plugged in), a serial port, socket://HOST:PORT, or a simulated bench
    sim://UNIT?seed=1&fault=NAME,NAME&supply=12.8&bank=NAME. Without one, a simulated unit is tested.

    \b
    makebreak test
    makebreak test "sim://bench-nc-2x21?fault=contact-burnt"
    makebreak test "sim://bench-el-plain?bank=led" --lamps 1,2
    makebreak test auto --unit 4711 --rated 2x21+5 --limits un-r48 --json 4711.json
    makebreak test auto --unit 4712 --rated 2x27 --bank 2x27
    makebreak test auto --unit 4713 --part 0815
    makebreak test COM5 --procedure full --system 24 --limits us-turn --limits my-shop.toml

    Cancel with Ctrl-C: all loads open, and the record says how far it came.
    """
    from bench import files
    from bench.cli.exit_codes import code_for
    from bench.cli.person import open_confirmed
    from bench.session.kept_test import KeptTest

    plan = files.procedure(procedure)
    refuse_parts_alone(asked.part)
    setup = asked.setup(address)
    refuse_with_json_alone(json_path)
    check_target(json_path, "record", (*paths_among(procedure), *asked.paths, *(() if capture is None else (capture,))))
    kept = KeptTest(Path(json_path) if json_path not in (None, "-") else None, capture)
    port = open_confirmed(address, yes)
    # From here on nothing ends the test but in good order, with all loads open, the record kept and the result said.
    with stopping.held(f"{stopping.ENDING}, keeping the record"):
        record = _tested(port, plan, setup, kept, yes)
        show_result(record, json_path if kept.record_path is not None or json_path == "-" else None, full, budget)
        if kept.problem:
            if kept.record_path is None and json_path not in (None, "-"):
                raise click.ClickException(kept.problem)
            say_error(f"makebreak test: {kept.problem}")
        return code_for(record)


def _tested(port: Port, plan: Procedure, setup: Setup, kept: KeptTest, yes: bool) -> TestRecord:
    """Return the record of the test, which is kept."""
    from bench.cli.person import Person
    from bench.cli.progress_line import ProgressLine
    from bench.cli.provenance import provenance_now
    from bench.errors import PortError, SetupError
    from bench.session import BEGUN, begun_record, run_test

    story = provenance_now()
    try:
        kept.begin(begun_record(plan, setup, port.address, BEGUN, **story))
        if kept.problem:
            kept.discard()
            raise click.ClickException(kept.problem)
        # A terminal that stands still may hold up the end of the line, but not the record.
        with ProgressLine() as progress:
            try:
                record = run_test(port, plan, setup, operator=Person(assume_yes=yes), progress=progress, capture=kept.capture, **story)
            except SetupError:
                kept.discard()
                raise
            return kept.finish(record)
    finally:
        with contextlib.suppress(PortError):
            port.close()
