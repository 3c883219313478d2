"""`makebreak calibrate`."""

from __future__ import annotations

import contextlib
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path
from shlex import quote
from typing import TYPE_CHECKING

import click

from bench import defaults
from bench.cli.kinds import Address, Folder, Number
from bench.cli.options import refuse_unused
from bench.cli.output import check_folder, print_table, say
from bench.terminal import forget_typed

if TYPE_CHECKING:
    from bench.calibration import MeterAccuracy
    from bench.ports import Port
    from bench.upkeep import Calibration, Wanted
    from bench.upkeep.calibration_files import KeptCalibration

_MOST_PART, _MOST_REST = 0.1, 10.0
_OF_MEASURING = ("meters", "drop", "drop_meter", "pilot", "system", "highest", "minutes", "keep")
CAUTIONS = (
    "The ammeter stands in the full current of all the lamps, up to 9 A: plug its leads into the 10 A socket, and take no meter whose "
    "range of 10 A is not fused.",
    "Take the leads back to the voltage sockets before you measure volts again: an ammeter across the supply is a short.",
    "The supply must have a current limit or the fuse at its post, as in a test; lamps and the resistor for the drop burn.",
    "Let everything stand switched on for ten minutes first.",
)


@click.command("calibrate")
@click.argument("address", type=Address())
@click.option(
    "--meter",
    "meters",
    multiple=True,
    metavar="ACCURACY",
    help="How good your meter is on the range used, as its manual says: 0.05%+2mV for volts, 0.2%+3mA for amperes. May be given once for "
    "each; what has no meter is not compared.",
)
@click.option("--drop", is_flag=True, help="Also the drop, over a resistor of about 0.15 ohm and 10 W in the unit's place.")
@click.option("--drop-meter", metavar="ACCURACY", help="The meter's accuracy on its range for the drop: 0.05%+0.1mV.")
@click.option("--pilot", is_flag=True, help="Also the pilot channel, its terminal joined to the output by a lead.")
@click.option(
    "--system",
    type=click.Choice(["6", "12", "24"]),
    help="Volts of the lamps and the supply. Default: 12; for a simulated bench that of its address or unit.",
)
@click.option(
    "--highest",
    type=Number(5.0, 32.0, "V"),
    metavar="VOLTS",
    help="Highest voltage that the supply can give, 5 to 32; where to compare below it follows from the board's ranges. Default: 17.5, or "
    "30 in a 24 V system.",
)
@click.option(
    "--minutes",
    type=Number(0.0, 60.0, "min"),
    default=5.0,
    show_default=True,
    help="How long to compare the board's clock with this computer's, up to 60; 0 leaves the clock alone.",
)
@click.option(
    "--keep",
    type=Folder(),
    default=Path("calibrations"),
    show_default=True,
    metavar="FOLDER",
    help="Where the dated file of this calibration goes.",
)
@click.option(
    "--from",
    "kept",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Measure nothing: store a calibration of this board that was kept before.",
)
@click.option("--store/--no-store", default=None, help="Store it in the board, or don't, without asking.")
@click.option("--yes", is_flag=True, help="Ask nothing but what meters show: cautions read, manual actions taken as done.")
def command(
    address: str,
    meters: tuple[str, ...],
    drop: bool,
    drop_meter: str | None,
    pilot: bool,
    system: str | None,
    highest: float | None,
    minutes: float,
    keep: Path,
    kept: Path | None,
    store: bool | None,
    yes: bool,
) -> int:
    """Compare the board at ADDRESS with your meters and this computer's clock, and store what is better known then.

    You are led through it: the shorting link in the unit's place, some supply voltages to set and to read, then the ammeter in the
    link's place with one lamp more at each reading. A meter's error is the same at all its points, so many points don't average it away: a
    channel that your meter knows worse than zeroing and the built-in standard do is left as it is, and you are told with figures. With
    0.1 % parts a 0.5 % meter helps with currents only; a 0.05 % meter helps with voltages too.

    \b
    makebreak calibrate auto --meter "0.05%+2mV" --meter "0.2%+3mA"
    makebreak calibrate auto --meter "0.5%+20mA" --minutes 0
    makebreak calibrate "sim://LINK?seed=7" --meter 0.05%+2mV --meter 0.05%+2mA --store
    makebreak calibrate auto --from calibrations/R3-20261125T101500.json

    Nothing is changed before you have seen the result and said yes; the file is written in any case, and --from stores it later.
    """
    from bench.cli.exit_codes import GOOD
    from bench.cli.person import open_confirmed
    from bench.keeping import make_folder
    from bench.ports.opening import open_port
    from bench.upkeep.calibration_files import read_calibration

    if kept is not None:
        refuse_unused(_OF_MEASURING, "--from stores what was measured before")
        if store is False:
            raise click.UsageError("--from stores a calibration, and --no-store does not: leave one of them out")
        read = read_calibration(kept)
        with contextlib.closing(open_port(address)) as port:
            return _store_kept(port, kept, read, store)
    wanted = _wanted(address, _accuracies(meters), drop, drop_meter, pilot, system, highest, minutes)
    make_folder(keep)
    check_folder(keep)
    drives_current = bool(wanted.meters or wanted.drop)
    with contextlib.closing(open_confirmed(address, yes, CAUTIONS) if drives_current else open_port(address)) as port:
        found, path = _compare(port, wanted, keep, yes)
        _show(found)
        if not found.better:
            print("Nothing is better known than before: the board stays as it is.")
            return GOOD
        return _offer(port, path, found.board, found.lines, store)


def _wanted(
    address: str,
    meters: Mapping[str, MeterAccuracy],
    drop: bool,
    drop_meter: str | None,
    pilot: bool,
    system: str | None,
    highest: float | None,
    minutes: float,
) -> Wanted:
    """Return what the options ask for; UsageError for what can't be compared without a meter that was not named."""
    from bench.ports.setting import known_bench
    from bench.upkeep import Wanted
    from bench.upkeep.calibration_plan import HIGHEST_V

    if "V" not in meters:
        refuse_unused(("highest",), "it is how far voltages are compared, and no --meter is for volts")
    if drop_meter is not None and not drop:
        raise click.UsageError("--drop-meter is the meter for --drop: name both, or neither")
    if drop and drop_meter is None and "V" not in meters:
        raise click.UsageError("--drop needs a meter for volts: give --drop-meter, or --meter like 0.05%+2mV")
    if pilot and "V" not in meters:
        raise click.UsageError("--pilot needs a meter for volts: give --meter like 0.05%+2mV")
    if not meters and not drop and not minutes:
        raise click.UsageError("nothing to compare with: give --meter, or some --minutes for the clock")
    for_drop = None
    if drop_meter is not None:
        unit, for_drop = _accuracy(drop_meter)
        if unit != "V":
            raise click.UsageError(f"the accuracy {drop_meter!r} is of amperes; a drop is measured in volts, like 0.05%+0.1mV")
    system_v = float(system or known_bench(address).system_v or defaults.SYSTEM_V)
    highest_v = HIGHEST_V[system_v] if highest is None else highest
    return Wanted(meters, system_v, highest_v, 60.0 * minutes, drop, pilot, for_drop)


def _compare(port: Port, wanted: Wanted, keep: Path, yes: bool) -> tuple[Calibration, Path]:
    """Compare, and keep the result before anything is changed: whatever becomes of the board then, no meter need be read again."""
    from bench.cli.person import Person
    from bench.cli.progress_line import ProgressLine
    from bench.cli.provenance import provenance_now
    from bench.errors import Cancelled
    from bench.stopping import ENDING, held
    from bench.upkeep import calibrate_board
    from bench.upkeep.calibration_files import keep_calibration

    story = provenance_now()
    with held(ENDING) as hold:
        with ProgressLine() as progress:
            found = calibrate_board(port, wanted, Person(assume_yes=yes), _day(story["when"]), progress=progress)
        path = keep_calibration(keep, found, story["when"], story["software"])
        print(f"Kept in {path}.", flush=True)
        if hold.reason is not None:
            raise Cancelled(f"{hold.reason}; {_unchanged(port, path)}")
    return found, path


def _show(found: Calibration) -> None:
    """Print what was compared, what is refused and why, and notes."""
    from bench.cli.person import folded
    from bench.render.calibration_result import refusal_texts, result_rows
    from bench.render.names import CHANNELS, legend

    print_table(("channel", "at", "known to, before", "with the meter", "result"), result_rows(found))
    say(f"Known to: ± 95 %. Channels. {legend(CHANNELS, [one.channel for one in found.channels])}.")
    for text in refusal_texts(found):
        print(folded(text))
    for note in found.notes:
        print(folded(note, "note: "), file=sys.stderr)


def _offer(port: Port, path: Path, board: str, lines: Sequence[str], store: bool | None) -> int:
    """Store what is kept in `path`, if that is wanted; the file says what became of it."""
    from bench.cli.exit_codes import GOOD
    from bench.errors import Cancelled
    from bench.stopping import ENDING, held
    from bench.upkeep import store_calibration
    from bench.upkeep.calibration_files import mark_stored

    try:
        wanted = _confirmed(store)
    except (click.Abort, KeyboardInterrupt):
        raise Cancelled(f"cancelled; {_unchanged(port, path)}") from None
    if not wanted:
        print(f"Not stored: {_unchanged(port, path)}.")
        return GOOD
    with held(ENDING):
        store_calibration(port, board, lines, storing=lambda: mark_stored(path, None))
        mark_stored(path, True)
        print("Stored in the board, and read back.")
    return GOOD


def _store_kept(port: Port, path: Path, kept: KeptCalibration, store: bool | None) -> int:
    """Store what was kept before. Of a file that is another board's it is said which one beside it is this board's."""
    from bench.errors import OtherBoardError, SetupError
    from bench.upkeep.calibration_files import newest_of

    try:
        return _offer(port, path, kept.board, kept.lines, store)
    except OtherBoardError as error:
        own = newest_of(path.parent, error.answered)
        there = f"its own is {own}" if own else f"there is none of it in {path.parent}"
        raise SetupError(f"{error}; {there}") from None


def _unchanged(port: Port, path: Path) -> str:
    return f"the board stays as it is; makebreak calibrate {quote(port.address)} --from {quote(str(path))} stores it"


def _day(when: str) -> int:
    return int(when[:10].replace("-", ""))


def _accuracy(text: str) -> tuple[str, MeterAccuracy]:
    """Return unit (V or A) and accuracy; the rest says which unit it is."""
    from bench.calibration import MeterAccuracy

    try:
        accuracy = MeterAccuracy.parse(text)
    except ValueError as error:
        raise click.UsageError(str(error)) from None
    unit = text.strip()[-1:].upper()
    if unit not in ("V", "A"):
        raise click.UsageError(f"the accuracy {text!r} does not say whether it is of volts or amperes; write it like 0.05%+2mV or 0.2%+3mA")
    if accuracy.part + accuracy.rest <= 0.0 or accuracy.part > _MOST_PART or accuracy.rest > _MOST_REST:
        raise click.UsageError(f"the accuracy {text!r} is none of a meter; more than 0, at most {_MOST_PART:.0%} and {_MOST_REST:g} {unit}")
    return unit, accuracy


def _accuracies(texts: Sequence[str]) -> Mapping[str, MeterAccuracy]:
    found: dict[str, MeterAccuracy] = {}
    for text in texts:
        unit, accuracy = _accuracy(text)
        if unit in found:
            raise click.UsageError(f"two accuracies for {'volts' if unit == 'V' else 'amperes'} were given; one meter for each, please")
        found[unit] = accuracy
    return found


def _confirmed(store: bool | None) -> bool:
    """Return whether to store: as the option says, or as the person at the terminal says by an explicit y; without one it is no."""
    if store is not None:
        return store
    forget_typed(sys.stdin)
    return sys.stdin.isatty() and click.confirm("Store this in the board?", default=False, err=True)
