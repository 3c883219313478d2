"""`makebreak judge`."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import click

from bench import defaults
from bench.cli.options import lamps_options, limits_options, make_setup, part_options
from bench.cli.output import budget_option, deliver, full_option, json_option


@click.command("judge")
@click.argument("recording", type=click.Path(exists=True, dir_okay=False, path_type=Path))
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
    recording: Path,
    unit: str,
    supply: float | None,
    procedure: str,
    rename: tuple[str, ...],
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
    """Judge RECORDING, a CSV file that an oscilloscope or logger made (or what `test --capture` kept), and print the report.

    Its header names columns and units: time_s, i_load_A, v_in_V, v_out_V, v_drop_V, v_pilot_V (or _ms, _mA, _mV). Whatever is
    missing costs only what needs it. Without errors of the instrument, a plain oscilloscope's are taken.

    A WAV file is taken for the sound of a unit's clicks: flash rate, its steadiness and missed flashes are judged, and no unit is
    rejected by sound alone.

    \b
    makebreak judge scope.csv --limits un-r48
    makebreak judge unit.capture --limits my-shop.toml
    makebreak judge clicks.wav
    makebreak judge scope.csv --rename "CH1=v_in_V" --rename "CH2=i_load_A" --scale-error i_load=1
    """
    from bench import files
    from bench.cli.exit_codes import code_for
    from bench.cli.stopping import story_of_now
    from bench.recording import is_sound
    from bench.session import judge_capture, judge_recording, judge_sound

    setup = make_setup(
        unit=unit, rated=rated, lamps=lamps, led=led, bank=bank, facts=facts, part=part, claims=claims, parts_folder=parts_folder,
        system=system, limits=limits,
        grade_rule=grade_rule, supply=supply,
    )  # fmt: skip
    if is_capture(recording):
        record = judge_capture(recording, setup, files.procedure(procedure), **story_of_now())
    elif is_sound(recording):
        record = judge_sound(recording, setup, **story_of_now())
    else:
        record = judge_recording(
            recording,
            setup,
            names=_pairs("--rename", rename),
            u_scale={channel: percent / 100.0 for channel, percent in _numbers("--scale-error", scale_error).items()},
            u_zero=_numbers("--zero-error", zero_error),
            **story_of_now(),
        )
    deliver(record, json_path, full, budget)
    return code_for(record)


def is_capture(path: Path) -> bool:
    """Whether the file begins as a capture does."""
    from bench.ports.replay import MAGIC

    with path.open("rb") as file:
        return file.read(len(MAGIC)) == MAGIC


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
