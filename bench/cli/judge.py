"""`makebreak judge`."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import click

from bench import defaults
from bench.cli.options import lamps_options, limits_options, make_setup, part_options
from bench.cli.output import budget_option, deliver, full_option, json_option


class Window(click.ParamType[tuple[float, float]]):
    """`2.5:20`: from 2.5 to 20 s; an end that is left out is the file's."""

    name = "window"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> tuple[float, float]:
        if not isinstance(value, str):
            return tuple(value)
        begin, sign, end = value.partition(":")
        try:
            if not sign or value.strip() == ":":
                raise ValueError
            return float(begin) if begin.strip() else -math.inf, float(end) if end.strip() else math.inf
        except ValueError:
            self.fail(f"{value!r} is no window; write its ends in seconds, like 2.5:20, 2.5: or :20", param, ctx)


@click.command("judge")
@click.argument(
    "recordings", nargs=-1, required=True, metavar="RECORDING...", type=click.Path(exists=True, dir_okay=False, path_type=Path)
)
@click.option(
    "--unit", default=defaults.UNIT, show_default=True, metavar="NUMBER", help="The unit's number or name for the record."
)
@click.option("--supply", type=float, metavar="VOLTS", help="What the supply should be: the recording is held to it within 5 %.")
@click.option(
    "--procedure",
    default=defaults.PROCEDURE,
    show_default=True,
    metavar="NAME|FILE",
    help="Of a capture: the procedure it was made by.",
)
@click.option(
    "--rename", multiple=True, metavar="OLD=NEW", help="Take the column OLD for NEW: CH1=v_in_V. May be given several times."
)
@click.option(
    "--window", type=Window(), default=(-math.inf, math.inf), metavar="FROM:TO",
    help="Read only these seconds of the recording, as its time column counts; of stamps of date and time, from its first row. "
    "2.5:20, 2.5: or :20.",
)
@click.option("--rate", type=float, metavar="HZ", help="Rows a second, for a recording that does not tell its times.")
@click.option(
    "--scale-error", multiple=True, metavar="CHANNEL=PERCENT", help="Standard uncertainty of a channel's scale: i_load=1."
)
@click.option(
    "--zero-error",
    multiple=True,
    metavar="CHANNEL=VALUE",
    help="Standard uncertainty of a channel's zero, in V or A: i_load=0.02.",
)
@lamps_options
@part_options
@limits_options
@json_option
@full_option
@budget_option
def command(
    recordings: tuple[Path, ...],
    unit: str,
    supply: float | None,
    procedure: str,
    rename: tuple[str, ...],
    window: tuple[float, float],
    rate: float | None,
    scale_error: tuple[str, ...],
    zero_error: tuple[str, ...],
    rated: tuple[float, ...] | None,
    lamps: tuple[int, ...] | None,
    led: bool,
    bank: str | None,
    facts: tuple[tuple[str, str], ...],
    system: str | None,
    part: str | None,
    claims: tuple[tuple[str, Any], ...],
    parts_folder: Path,
    limits: tuple[str, ...],
    grade_rule: str,
    json_path: str | None,
    full: bool,
    budget: bool,
) -> int:
    """Judge a RECORDING, a CSV file that an oscilloscope or logger made (or what `test --capture` kept), and print the report.

    Its header names columns and units: time_s, i_load_A, v_in_V, v_out_V, v_drop_V, v_pilot_V (or _ms, _mA, _mV); units may stand in
    a row under it. Whatever is missing costs only what needs it. Several recordings are starts of the same unit: starting times are
    averaged over them, all else is the last one's. Without errors of the instrument, a plain oscilloscope's are taken.

    \b
    makebreak judge scope.csv --limits un-r48
    makebreak judge start1.csv start2.csv start3.csv --limits sae-j945
    makebreak judge scope.csv --rename "CH1=v_in_V" --rename "CH2=i_load_A"
    makebreak judge long.csv --window 12.5:60           those seconds only
    makebreak judge dump.csv --rate 10000               no time column: 10,000 rows a second
    makebreak judge unit.capture --limits my-shop.toml  a test that was kept, judged again
    """
    from bench.cli.exit_codes import code_for
    from bench.cli.stopping import story_of_now
    from bench.session import judge_files

    setup = make_setup(
        unit=unit, rated=rated, lamps=lamps, led=led, bank=bank, facts=facts, part=part, claims=claims, parts_folder=parts_folder,
        system=system, limits=limits,
        grade_rule=grade_rule, supply=supply,
    )  # fmt: skip
    record = judge_files(
        recordings,
        setup,
        procedure=procedure,
        names=_pairs("--rename", rename),
        u_scale={channel: percent / 100.0 for channel, percent in _numbers("--scale-error", scale_error).items()},
        u_zero=_numbers("--zero-error", zero_error),
        window_s=window,
        rate_hz=rate,
        **story_of_now(),
    )
    deliver(record, json_path, full, budget)
    return code_for(record)


def _pairs(option: str, given: tuple[str, ...]) -> dict[str, str]:
    pairs = {}
    for text in given:
        name, sign, value = text.rpartition("=")
        if not (name and sign and value):
            raise click.BadParameter(f"{text!r}; write it like NAME=VALUE", param_hint=option)
        pairs[name.strip()] = value.strip()
    return pairs


def _numbers(option: str, given: tuple[str, ...]) -> dict[str, float]:
    numbers = {}
    for name, value in _pairs(option, given).items():
        try:
            numbers[name] = float(value)
        except ValueError:
            raise click.BadParameter(f"{name}={value}; the value must be a number", param_hint=option) from None
        if not 0.0 <= numbers[name] < math.inf:
            raise click.BadParameter(f"{name}={value}; an uncertainty is 0 or more", param_hint=option)
    return numbers
