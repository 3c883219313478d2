"""`makebreak judge`."""

from __future__ import annotations

import math
from pathlib import Path

import click

from bench import defaults
from bench.cli.asked_setup import AskedSetup, with_asked_setup
from bench.cli.completion import names_of
from bench.cli.kinds import RATE_HZ, SUPPLY_V, TimeSpan, UnitNumber, Watts
from bench.cli.options import each_once, fact_option, lamps_options, limits_options, part_options, refuse_parts_alone
from bench.cli.output import budget_option, check_target, deliver, full_option, json_option, paths_among, refuse_with_json_alone


@click.command("judge")
@click.argument("recordings", nargs=-1, required=True, metavar="RECORDING...", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option(
    "--unit",
    type=UnitNumber(),
    default=defaults.UNIT,
    show_default=True,
    metavar="NUMBER",
    help="The unit's number or name for the record.",
)
@click.option("--supply", type=SUPPLY_V, metavar="VOLTS", help="What the supply should be: the recording is held to it within 5 %.")
@click.option(
    "--procedure",
    default=defaults.PROCEDURE,
    show_default=True,
    metavar="NAME|FILE",
    shell_complete=names_of("procedures"),
    help="Of a capture that does not say it (format 1): the procedure it was made by.",
)
@click.option("--rename", multiple=True, metavar="OLD=NEW", help="Take the column OLD for NEW: CH1=v_in_V. May be given several times.")
@click.option(
    "--instrument",
    metavar="NAME|FILE",
    shell_complete=names_of("instruments"),
    help="What made the recording, as its data sheet states it: a file of limits of error, or one of the examples.",
)
@click.option(
    "--window",
    type=TimeSpan(),
    default=(-math.inf, math.inf),
    metavar="FROM:TO",
    help="Read only these seconds of the recording, as its time column counts; of stamps of date and time, from its first row. "
    "2.5:20, 2.5: or :20.",
)
@click.option("--rate", type=RATE_HZ, metavar="HZ", help="Rows a second, for a recording that does not tell its times.")
@click.option(
    "--fitted",
    type=Watts(),
    metavar="LAMPS",
    help="Watts of the lamps that were connected while a recording was made: 2x21+5. Default: those that the unit is said to be for; "
    "without either the lamps count as not known.",
)
@lamps_options
@fact_option
@part_options
@limits_options
@json_option
@full_option
@budget_option
@with_asked_setup
def command(
    recordings: tuple[Path, ...],
    procedure: str,
    rename: tuple[str, ...],
    instrument: str | None,
    window: tuple[float, float],
    rate: float | None,
    asked: AskedSetup,
    json_path: str | None,
    full: bool,
    budget: bool,
) -> int:
    """Judge a RECORDING, a CSV file that an oscilloscope or logger made (or what `test --capture` kept), and print the report.

    Its header names columns and units: time_s, i_load_A, v_in_V, v_out_V, v_drop_V, v_pilot_V (or _ms, _mA, _mV); units may stand in
    a row under it. Whatever is missing costs only what needs it. Several recordings are starts of the same unit: starting times are
    averaged over them, all else is the last one's. What is not stated of the instrument is taken as wide as that of a cheap one.

    A capture says itself how it was made. Unit, limits, grade rule, facts and claims that are named here win; other lamps, system,
    supply or procedure than those of the test are refused.

    A WAV file is taken for the sound of a unit's clicks: flash rate, its steadiness and missed flashes are judged, and no unit is
    rejected by sound alone.

    \b
    makebreak judge scope.csv --limits un-r48
    makebreak judge scope.csv --instrument oscilloscope --fitted 2x21
    makebreak judge start1.csv start2.csv start3.csv --limits sae-j945
    makebreak judge scope.csv --rename "CH1=v_in_V" --rename "CH2=i_load_A"
    makebreak judge long.csv --window 12.5:60           those seconds only
    makebreak judge dump.csv --rate 10000               no time column: 10,000 rows a second
    makebreak judge clicks.wav                          the sound of its clicks
    makebreak judge unit.capture                        a test that was kept, judged again
    makebreak judge unit.capture --limits my-shop.toml  the same by other limits
    """
    from bench import files
    from bench.cli.exit_codes import code_for
    from bench.cli.provenance import provenance_now
    from bench.instrument import UNSTATED
    from bench.judging import judge_files
    from bench.setup import Setup

    def setup() -> Setup:
        refuse_parts_alone(asked.part)  # the part of a capture is known without being named
        return asked.setup()

    refuse_with_json_alone(json_path)
    check_target(json_path, "record", (*recordings, *paths_among(procedure, instrument), *asked.paths))
    record = judge_files(
        recordings,
        setup,
        lambda claimed: asked.otherwise(procedure, claimed),
        procedure=procedure,
        names=_pairs("--rename", rename),
        instrument=UNSTATED if instrument is None else files.instrument(instrument),
        fitted=asked.fitted,
        window_s=window,
        rate_hz=rate,
        **provenance_now(),
    )
    deliver(record, json_path, full, budget)
    return code_for(record)


def _pairs(option: str, given: tuple[str, ...]) -> dict[str, str]:
    pairs = []
    for text in given:
        name, sign, value = text.rpartition("=")
        if not (name and sign and value):
            raise click.BadParameter(f"{text!r}; write it like NAME=VALUE", param_hint=option)
        pairs.append((name.strip(), value.strip()))
    return each_once(option, pairs)
