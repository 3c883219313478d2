"""Calibrating a board with a meter: which points, what hands must do, and the result told to the board.

With the shorting link in the unit's place and no lamp lit, input and output are at one voltage, and one reading of the meter serves both;
with an ammeter there instead, the lamps of the bank are the currents.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from bench.calibration import (
    Calibrated,
    CalibrationError,
    ClockCalibrated,
    MeterAccuracy,
    Point,
    calibrate,
    calibrate_clock,
    command_lines,
)
from bench.clock import ClockComparison, ClockEstimate
from bench.description import BoardDescription, Range
from bench.ports import Port
from bench.session.board import BoardClient, BoardFault
from bench.session.operator import Do, FitLink, FitUnit, MeterReader, Place, SetSupply, SimulatedHands
from bench.session.progress import Asked, Noted, Progress, Waiting
from bench.session.watch import Watch
from bench.uncertainty import TypeA
from bench.wire import SAMPLES_PER_FRAME, EventFrame, SampleFrame, Sequencer

VOLTS = {0: (6.0, 10.0, 14.0, 18.0, 22.0, 26.0, 30.0), 1: (3.0, 5.0, 8.0, 10.0, 12.0, 14.0, 16.0, 17.5)}
"""Supply voltages for the points, by the number of the voltage range."""
CLOCK_S = 300.0
_LOOK_S = 1.0
_SETTLE_S = 0.3
_LAMPS_SETTLE_S = 2.0
_LONGEST_ON_S = 600.0
_STORE_S = 2.5
_SAME = 1e-5
_VOLTAGES = ("v_in", "v_out")
_CURRENTS = ("i_load", "i_load_low")


@dataclass(frozen=True)
class Calibration:
    """Everything that a calibration found: the board, the meters (by unit), points by channel and range, results, remarks.

    `lines` puts it in force on the board, `back` what was in force before.
    """

    board: str
    date: int
    meters: Mapping[str, MeterAccuracy]
    points: Mapping[str, tuple[Point, ...]]
    channels: tuple[Calibrated, ...]
    clock: ClockCalibrated | None
    notes: tuple[str, ...]
    lines: tuple[str, ...]
    back: tuple[str, ...]


class _ClockWatch:
    """A listener that compares the board's clock with the host's."""

    def __init__(self, description: BoardDescription) -> None:
        self._comparison = ClockComparison(description.clock_half_width)
        self._period_s = description.sample_period_s("FAST")
        self._sequencer = Sequencer()

    def __call__(self, frames: Sequence[SampleFrame | EventFrame], arrival_s: float) -> None:
        for placed in map(self._sequencer.place, frames):
            if placed is not None and isinstance(placed.frame, SampleFrame):
                self._comparison.add((placed.stamp + SAMPLES_PER_FRAME) * self._period_s, arrival_s)

    def estimate(self) -> ClockEstimate:
        return self._comparison.estimate()


class _Calibrator:
    """One board, one meter, one pair of hands."""

    def __init__(self, board: BoardClient, hands: MeterReader, meters: Mapping[str, MeterAccuracy], progress: Progress) -> None:
        self._board = board
        self._hands = hands
        self._meters = meters
        self._progress = progress
        self.points: dict[str, tuple[Point, ...]] = {}
        self.notes: list[str] = []

    def ask(self, action: Do | FitLink | FitUnit | SetSupply) -> None:
        self._progress(Asked(action))
        self._hands.do(action)

    def note(self, text: str) -> None:
        self.notes.append(text)
        self._progress(Noted(text))

    def voltages(self, description: BoardDescription, highest_v: float) -> list[Calibrated]:
        """Both voltage channels in each of their ranges, by supplies up to highest_v."""
        found: list[Calibrated] = []
        self.ask(FitLink())
        place = Place("v_in", "V", "between the unit's input terminal and the supply's return, with the shorting link in the unit's place")
        for used in description.channels["v_in"].ranges:
            volts = [v for v in VOLTS.get(used.number, ()) if v <= min(highest_v, 0.95 * used.high)]
            points: dict[str, list[Point]] = {name: [] for name in _VOLTAGES if name in description.channels}
            for v in volts:
                self.ask(SetSupply(v, v))
                readings, should = self._read(description, place, (), f"{used.high - 1.0:g}", master=True)
                for name, of_channel in points.items():
                    of_channel.append(Point(readings[name].mean, readings[name].u, should))
            for name, of_channel in points.items():
                found += self._result(description, name, description.channels[name].range(used.number), of_channel, "V")
        return found

    def currents(self, description: BoardDescription, system_v: float) -> list[Calibrated]:
        """The current channels by lamps of the bank in growing number; with nothing closed the current is 0 without a meter."""
        lamps = [n for n, load in sorted(description.loads.items(), key=lambda item: item[1].nominal) if load.kind == "LAMP"]
        self.ask(Do("Put the ammeter, on its range for 10 A, in the unit's place instead of the link."))
        self.ask(SetSupply(system_v, system_v))
        place = Place("i_load", "A", "the ammeter in the unit's place")
        points: dict[str, list[Point]] = {name: [] for name in _CURRENTS if name in description.channels}
        rest, _ = self._read(description, None, (), "0", master=False)
        for name, of_channel in points.items():
            of_channel.append(Point(rest[name].mean, rest[name].u, 0.0, known=True))
        for count in range(1, len(lamps) + 1):
            readings, should = self._read(description, place, lamps[:count], "0", master=True)
            for name, of_channel in points.items():
                r = description.channels[name].range(0)
                if readings[name].mean < 0.95 * r.high:
                    of_channel.append(Point(readings[name].mean, readings[name].u, should))
        found: list[Calibrated] = []
        for name, of_channel in points.items():
            used = description.channels[name].range(0)
            # What zeroing before every session does without a meter has to be beaten.
            zeroed = replace(used, u_zero=(used.u_line**2 + of_channel[0].u_noise ** 2) ** 0.5)
            found += self._result(description, name, used, of_channel, "A", beside=zeroed)
        return found

    def _result(
        self, description: BoardDescription, name: str, used: Range, points: Sequence[Point], unit: str, beside: Range | None = None
    ) -> list[Calibrated]:
        self.points[f"{name} {used.number}"] = tuple(points)
        try:
            return [calibrate(name, unit, used, points, self._meters[unit], beside=beside)]
        except CalibrationError as error:
            self.note(str(error))
            return []

    def _read(
        self, description: BoardDescription, place: Place | None, loads: Sequence[int], reach_v: str, *, master: bool
    ) -> tuple[Mapping[str, TypeA], float]:
        """What the board reads, before and after the meter is read, and what that shows (0 without a place)."""
        board = self._board
        board.command("SENS:MODE PREC" if "PREC" in description.modes else "SENS:MODE FAST")
        board.command(f"SENS:VOLT:RANG {reach_v}")
        watch = Watch(description)
        board.listener = watch
        board.start_sampling()
        if loads:
            board.close_loads(loads)
        board.switch_master(master)
        board.attend(_LAMPS_SETTLE_S if loads else _SETTLE_S)
        watch.restart()
        board.attend(_LOOK_S)
        should = 0.0 if place is None else self._hands.read_meter(place, lambda: board.attend(0.1))
        board.attend(_LOOK_S)
        readings = watch.readings()
        board.all_open()
        board.stop_sampling()
        board.listener = None
        return readings, should

    def clock(self, description: BoardDescription, seconds: float) -> ClockCalibrated:
        """Against the host's clock for this long."""
        board = self._board
        board.command("SENS:MODE FAST")
        watch = _ClockWatch(description)
        board.listener = watch
        board.start_sampling()
        left_s = seconds
        while left_s > 0.0:
            self._progress(Waiting("comparing the board's clock with this computer's", left_s))
            board.attend(min(5.0, left_s))
            left_s -= 5.0
        board.stop_sampling()
        board.listener = None
        return calibrate_clock(description, watch.estimate())


def calibrate_board(
    port: Port,
    meters: Mapping[str, MeterAccuracy],
    hands: MeterReader | None,
    date: int,
    *,
    system_v: float = 12.0,
    highest_v: float = 30.0,
    clock_s: float = CLOCK_S,
    progress: Progress = lambda event: None,
) -> Calibration:
    """Compare the board behind `port` with meters (accuracy by unit, V and A; a unit without one is left out) and the host's clock.

    Nothing is changed on the board yet: `put_in_force` does that. `hands` is None only for a simulated board, which has its own.
    `date` as a number such as 20261125. BoardFault or PortError if the board fails; everything is open afterwards.
    """
    board = BoardClient(port)
    try:
        before = board.open()
        # What an earlier calibration says must not stand in the way of a better one: compare with what is built in.
        board.command("CAL:CLE")
        description = board.open()
        unit = board.simulated_unit()
        board.command("*CLS")
        if unit is not None:
            hands = SimulatedHands(board, unit, meters)
        if hands is None:
            raise BoardFault(f"calibrating the board at {port.address}: nobody was named to read the meter")
        board.set_number("OUTP:PROT:TIME", min(_LONGEST_ON_S, description.limits["TIME"].high))
        work = _Calibrator(board, hands, meters, progress)
        channels: list[Calibrated] = []
        if "V" in meters:
            channels += work.voltages(description, highest_v)
        if "A" in meters:
            channels += work.currents(description, 12.8 * system_v / 12.0)
        clock = work.clock(description, clock_s) if clock_s > 0.0 else None
        if unit is not None:
            work.ask(FitUnit(unit))
        back = _lines_of(before)
        for line in back:
            board.command(line)
        identity = board.identity()
    finally:
        board.make_safe()
    lines = ("CAL:CLE", *command_lines(channels, clock, date))
    return Calibration(identity, date, meters, work.points, tuple(channels), clock, tuple(work.notes), lines, back)


def put_in_force(port: Port, lines: Sequence[str]) -> BoardDescription:
    """Tell the board these lines, have it keep them, and read back what it then says. BoardFault if that is not what it was told."""
    board = BoardClient(port)
    try:
        board.open()
        for line in lines:
            board.command(line)
        board.send("CAL:STOR")
        board.query("*OPC?", "1", timeout_s=_STORE_S)
        description = board.open()
    finally:
        board.make_safe()
    for line in lines:
        _check_said(description, line, port.address)
    return description


def _check_said(description: BoardDescription, line: str, address: str) -> None:
    header, _, parameters = line.partition(" ")
    if header == "CAL:RANG":
        name, number, *numbers = parameters.split(",")
        r = description.channels[name].range(int(number))
        said = (r.zero, r.scale, r.u_scale, r.u_zero, r.u_line)
        if any(abs(float(told) - got) > _SAME * max(abs(float(told)), 1e-9) for told, got in zip(numbers, said, strict=True)):
            raise BoardFault(f"calibrating the board at {address}: it was told {line} and says {said}")


def _lines_of(description: BoardDescription) -> tuple[str, ...]:
    """What puts this description in force on a board that says what is built in."""
    if not description.calibrated:
        return ()
    ranges = [Calibrated(c.name, r, r, 0.0, 0.0, 0.0) for c in description.channels.values() if c.curve is None for r in c.ranges]
    clock = ClockCalibrated((0.0, 0.0), (description.clock_hz, description.clock_half_width))
    return command_lines(ranges, clock, description.calibrated)
