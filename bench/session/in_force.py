"""Telling a board its calibration, and making sure that it says and keeps what it was told."""

from __future__ import annotations

from collections.abc import Sequence

from bench.calibration import Calibrated, ClockCalibrated, command_lines
from bench.description import BoardDescription
from bench.ports import Port, PortError
from bench.session.board import LONG_REPLY_S, BoardFault
from bench.session.conversation import Cancelled, conversation
from bench.wire.answers import DONE, same_number


def best_lines(zeroed_one: BoardDescription, channels: Sequence[Calibrated], clock: ClockCalibrated | None, date: int) -> tuple[str, ...]:
    """Every range as it is now known best: by the meter, or by zeroing and standard, so that none is left with less than before."""
    best = {(found.channel, found.after.number): found.after for found in channels if not found.refused}
    channels_read = [channel for channel in zeroed_one.channels.values() if channel.curve is None]
    ranges = [(channel.name, best.get((channel.name, r.number), r)) for channel in channels_read for r in channel.ranges]
    return command_lines(ranges, clock.after if clock is not None and not clock.refused else None, date)


def put_in_force(port: Port, lines: Sequence[str]) -> BoardDescription:
    """Tell the board these lines, have it keep them, and read back what it then says. BoardFault if that is not what it was told, or if
    that was broken off; it says what the board has then."""
    now_has = "the board is as it was"
    try:
        with conversation(port) as board:
            board.open()
            now_has = "nothing is stored in the board: take its power for a moment, and it is as it was"
            for line in lines:
                board.command(line)
            # From here on it is brought to its end, which takes a second or two: a board that has stored half of it would be worse.
            board.idle = None
            now_has = "the board may have stored it or not: calibrate it again"
            board.send("CAL:STOR")
            board.query("*OPC?", DONE, duty_s=LONG_REPLY_S)
            description = board.open()
            wrong = board.self_test()
            if wrong:
                raise BoardFault(f"after storing it says that {wrong}")
    except (BoardFault, PortError, Cancelled, KeyboardInterrupt) as error:
        why = str(error) or type(error).__name__
        raise BoardFault(f"storing the calibration in the board at {port.address}: {why}; {now_has}") from error
    for line in lines:
        _check_said(description, line, port.address)
    return description


def _check_said(description: BoardDescription, line: str, address: str) -> None:
    """BoardFault if the description does not say what the board was told."""
    header, _, parameters = line.partition(" ")
    told: Sequence[float] = ()
    said: Sequence[float] = ()
    if header == "CAL:RANG":
        name, number, *numbers = parameters.split(",")
        r = description.channels[name].range(int(number))
        told, said = [float(text) for text in numbers], (r.zero, r.scale, r.u_scale, r.u_zero, r.u_line)
    elif header == "CAL:CLOC":
        told, said = [float(text) for text in parameters.split(",")], (description.clock_hz, description.clock_half_width)
    elif header == "CAL:DATE":
        told, said = [float(parameters)], [description.calibrated]
    if not all(map(same_number, told, said)):
        raise BoardFault(f"calibrating the board at {address}: it was told {line} and says {', '.join(f'{s:g}' for s in said)}")


def lines_of(description: BoardDescription) -> tuple[str, ...]:
    """What puts this description in force on a board that says what is built in."""
    if not description.calibrated:
        return ()
    ranges = [(c.name, r) for c in description.channels.values() if c.curve is None for r in c.ranges]
    return command_lines(ranges, (description.clock_hz, description.clock_half_width), description.calibrated)
