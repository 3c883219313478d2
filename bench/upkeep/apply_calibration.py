"""Telling a board its calibration: the lines that say it, storing them, and putting back what the board said before.

What fails on the way ends in one line that also says what the board has then. Nothing is stored before the board has read back as told.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from bench.board import LONG_REPLY_S, BoardClient
from bench.board.conversation import conversation
from bench.board_identity import model_and_serial
from bench.calibration import Calibrated, ClockCalibrated, command_lines
from bench.description import BoardDescription
from bench.errors import BoardFault, Cancelled, OtherBoardError, PortError, SetupError
from bench.ports import Port
from bench.wire.answers import DONE, same_number

_OTHER_SCALES = "the board reads by other scales until its power is taken for a moment; what it has stored is as it was"
_IN_DOUBT = "the board may have stored it or not: take its power for a moment, then makebreak check tells, or store it again from the file"
_AS_IT_WAS = "the board is as it was"


def best_lines(zeroed_one: BoardDescription, channels: Sequence[Calibrated], clock: ClockCalibrated | None, date: int) -> tuple[str, ...]:
    """Return every range as it is now known best: by the meter, or by zeroing and standard, so that none is left with less than before."""
    best = {(found.channel, found.after.number): found.after for found in channels if not found.refused}
    channels_read = [channel for channel in zeroed_one.channels.values() if channel.curve is None]
    ranges = [(channel.name, best.get((channel.name, r.number), r)) for channel in channels_read for r in channel.ranges]
    return command_lines(ranges, clock.after if clock is not None and not clock.refused else None, date)


def store_calibration(port: Port, identity: str, lines: Sequence[str], storing: Callable[[], None] = lambda: None) -> BoardDescription:
    """Have the board that `identity` names keep these lines, and return what it says of itself afterwards.

    `storing` is called when it has read back as told and is about to store; what that raises stops it. OtherBoardError if the board is
    another one and SetupError if it has no such channels, before it is told anything. BoardFault if it says anything else than it was told,
    Cancelled if that was broken off; their line says what the board has then.
    """
    doing = f"storing the calibration in the board at {port.address}"
    now_has = _AS_IT_WAS
    try:
        with conversation(port) as board:
            before = board.open()
            _check_fits(before, board.identity(), identity, lines, doing)
            try:
                for line in lines:
                    board.command(line)
                _check_said(board.open(), lines)
                # From here on it is brought to its end, which takes a second or two: a board that has stored half of it would be worse.
                board.idle = None
                storing()
            except BaseException:
                now_has = restore_scales(board, before) or now_has
                raise
            now_has = _IN_DOUBT
            board.send("CAL:STOR")
            board.query("*OPC?", DONE, duty_s=LONG_REPLY_S)
            description = board.open()
            _check_said(description, lines)
            wrong = board.self_test()
            if wrong:
                raise BoardFault(f"after storing it says that {wrong}")
    except (BoardFault, PortError, Cancelled, KeyboardInterrupt) as error:
        raise also_saying(error, now_has, doing) from error
    return description


def also_saying(error: BaseException, now_has: str, doing: str) -> BaseException:
    """Return the same end, whose one line also says what was being done and what the board has now. What is no end of a bench's or a
    person's making stays as it is."""
    what = str(error) or "cancelled"
    text = f"{what if what.startswith(doing) else f'{doing}: {what}'}; {now_has}"
    if isinstance(error, Cancelled | KeyboardInterrupt):
        return Cancelled(text)
    return BoardFault(text) if isinstance(error, BoardFault | PortError) else error


def restore_scales(board: BoardClient, before: BoardDescription) -> str:
    """Open everything, and have the board say again what it said before. Empty if it does, else what it has now, in words."""
    if board.make_safe():
        return _OTHER_SCALES
    try:
        for line in ("CAL:CLE", *lines_of(before)):
            board.command(line)
    except (BoardFault, PortError):
        return _OTHER_SCALES
    return ""


def _check_fits(board: BoardDescription, answered: str, wanted: str, lines: Sequence[str], doing: str) -> None:
    """Raise OtherBoardError if the board is another model or has another serial number (its program may be newer), SetupError if it has no
    range that a line is for."""
    is_one, be_one = model_and_serial(answered), model_and_serial(wanted)
    if is_one != be_one:
        which = f"the calibration is that of {' '.join(be_one)}, and this board is {' '.join(is_one)}"
        raise OtherBoardError(f"{doing}: {which}; {_AS_IT_WAS}", answered)
    has = {(c.name, r.number) for c in board.channels.values() if c.curve is None for r in c.ranges}
    for line in lines:
        header, _, parameters = line.partition(" ")
        name, *numbers = parameters.split(",")
        if header == "CAL:RANG" and (name, int(numbers[0])) not in has:
            raise SetupError(f"{doing}: the calibration is of {name}, range {numbers[0]}, which this board has not; {_AS_IT_WAS}")


def _check_said(description: BoardDescription, lines: Sequence[str]) -> None:
    """Raise BoardFault if the description does not say what the board was told."""
    for line in lines:
        told, said = _told_and_said(description, line)
        if not all(map(same_number, told, said)):
            raise BoardFault(f"it was told {line} and says {', '.join(f'{s:g}' for s in said)}")


def _told_and_said(description: BoardDescription, line: str) -> tuple[Sequence[float], Sequence[float]]:
    header, _, parameters = line.partition(" ")
    if header == "CAL:RANG":
        name, number, *numbers = parameters.split(",")
        r = description.channels[name].range(int(number))
        return [float(text) for text in numbers], (r.zero, r.scale, r.u_scale, r.u_zero, r.u_line)
    if header == "CAL:CLOC":
        return [float(text) for text in parameters.split(",")], (description.clock_hz, description.clock_half_width)
    if header == "CAL:DATE":
        return [float(parameters)], [description.calibrated]
    return (), ()


def lines_of(description: BoardDescription) -> tuple[str, ...]:
    """Return what puts this description in force on a board that says what is built in."""
    if not description.calibrated:
        return ()
    ranges = [(c.name, r) for c in description.channels.values() if c.curve is None for r in c.ranges]
    return command_lines(ranges, (description.clock_hz, description.clock_half_width), description.calibrated)
