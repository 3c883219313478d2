"""Calibrating a board with a meter: which points, what hands must do, and the result told to the board.

With the shorting link in the unit's place and no lamp lit, input and output are at one voltage, and one reading of the meter serves both,
in each of their ranges; with an ammeter there instead, the lamps of the bank are the currents, lit one after the other.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from bench.calibration import (
    VOLTS,
    Calibrated,
    CalibrationError,
    ClockCalibrated,
    MeterAccuracy,
    Point,
    calibrate,
    calibrate_clock,
)
from bench.clock import ClockComparison, ClockEstimate
from bench.description import BoardDescription, Range
from bench.ports import Port
from bench.session.board import BoardClient, BoardFault, Expect
from bench.session.conversation import conversation
from bench.session.in_force import best_lines, lines_of
from bench.session.operator import Action, Do, FitLink, FitUnit, MeterReader, Place, SetSupply, SimulatedHands, attending
from bench.session.progress import Asked, Noted, Progress, StepBegan, Waiting
from bench.session.watch import Watch
from bench.uncertainty import TypeA, combine
from bench.wire import SAMPLES_PER_FRAME, EventFrame, SampleFrame, Sequencer, format_channels
from bench.wire.answers import MODE, whole
from bench.zero import LinkReadings, ZeroError, converter_seen, converter_stated, told_by_range, zeroed

CLOCK_S = 300.0
HIGHEST_V: Mapping[float, float] = {6.0: 17.5, 12.0: 17.5, 24.0: 30.0}
"""Of the supply, by the system's voltage, where nobody says otherwise."""
_LOOK_S = 1.0
_SETTLE_S = 0.3
_LAMP_SETTLE_S = 2.0
_APART_S = 0.4  # between lamps that are lit, so that only one at a time is cold
_LONGEST_ON_S = 1800.0
_TRIES = 3
_FAR = 5.0  # a meter that shows this many standard uncertainties else than the board is asked again
_RESISTOR = "Put a resistor of about 0.15 ohm and 10 W in the unit's place, the sense leads on its ends. It gets hot."
_AMMETER = "Put the ammeter, on its range for 10 A, in the unit's place instead of the link."
_PILOT = "Join the pilot terminal to the unit's output by a lead."
_UNJOIN = "Take that lead off again."


@dataclass(frozen=True)
class Wanted:
    """What is to be calibrated: accuracies of the meters by unit (`V`, `A`; a unit without one is left out), the lamps' system, the
    highest supply voltage there is, how long to compare clocks (0: not at all), and whether a resistor for the drop and a lead to the
    pilot terminal are at hand. `drop_meter`: the meter's accuracy on the range for the drop, if that is another.
    """

    meters: Mapping[str, MeterAccuracy]
    system_v: float = 12.0
    highest_v: float = 17.5
    clock_s: float = CLOCK_S
    drop: bool = False
    pilot: bool = False
    drop_meter: MeterAccuracy | None = None


@dataclass(frozen=True)
class Calibration:
    """Everything that a calibration found: the board, points by channel and range, results, remarks.

    `lines` puts it in force on the board. `better`: whether there is anything worth that.
    """

    board: str
    date: int
    wanted: Wanted
    points: Mapping[str, tuple[Point, ...]]
    channels: tuple[Calibrated, ...]
    clock: ClockCalibrated | None
    notes: tuple[str, ...]
    lines: tuple[str, ...]

    @property
    def better(self) -> bool:
        return any(not found.refused for found in self.channels) or (self.clock is not None and not self.clock.refused)


class _ClockWatch:
    """A listener that compares the board's clock with the host's."""

    def __init__(self, description: BoardDescription) -> None:
        self._comparison = ClockComparison(description.clock_half_width)
        self._period_s = description.sample_period_s(description.mode_of(precise=False).name)
        self._sequencer = Sequencer()

    def __call__(self, frames: Sequence[SampleFrame | EventFrame], arrival_s: float) -> None:
        for placed in map(self._sequencer.place, frames):
            if placed is not None and isinstance(placed.frame, SampleFrame):
                self._comparison.add((placed.stamp + SAMPLES_PER_FRAME) * self._period_s, arrival_s)

    def estimate(self) -> ClockEstimate:
        return self._comparison.estimate()


class _Calibrator:
    """One board as it is built, its meters, one pair of hands."""

    def __init__(
        self, board: BoardClient, description: BoardDescription, hands: MeterReader, wanted: Wanted, progress: Progress
    ) -> None:
        self._board = board
        self._description = description
        self._hands = hands
        self._wanted = wanted
        self._progress = progress
        self._lamps = [n for n, load in sorted(description.loads.items(), key=lambda pair: pair[1].nominal) if load.kind == "LAMP"]
        self._nominal_v = 12.8 * wanted.system_v / 12.0
        self._link: LinkReadings | None = None
        self.zeroed = description
        self.points: dict[str, tuple[Point, ...]] = {}
        self.notes: list[str] = []

    def perform(self) -> tuple[list[Calibrated], ClockCalibrated | None]:
        """Everything that is wanted, one after the other."""
        wanted, channels = self._wanted, self._description.channels
        volts, amperes = wanted.meters.get("V"), wanted.meters.get("A")
        found: list[Calibrated] = []
        clock: ClockCalibrated | None = None
        steps = [
            ("zero", "Zeros and built-in standard, with the shorting link", True),
            ("voltages", "Voltages, with the shorting link", volts is not None),
            ("currents", "Currents, with an ammeter in the unit's place", amperes is not None),
            ("drop", "Drop, with a resistor in the unit's place", wanted.drop and volts is not None and "v_drop" in channels),
            ("clock", "Clock, beside this computer's", wanted.clock_s > 0.0),
        ]
        due = [(name, title) for name, title, wished in steps if wished]
        for number, (name, title) in enumerate(due, 1):
            self._progress(StepBegan(name, title, "", number, len(due)))
            if name == "zero":
                self._zero()
            elif name == "voltages" and volts is not None:
                found += self._voltages(volts)
            elif name == "currents" and amperes is not None:
                found += self._currents(amperes)
            elif name == "drop" and volts is not None:
                found += self._drops(wanted.drop_meter or volts)
            elif name == "clock":
                clock = self._clock(wanted.clock_s)
        return found, clock

    def ask(self, action: Action) -> None:
        self._progress(Asked(action))
        self._hands.do(action, attending(self._board))

    def note(self, text: str) -> None:
        self.notes.append(text)
        self._progress(Noted(text))

    # --- steps

    def _zero(self) -> None:
        """What zeroing makes of the board without a meter: `zeroed`."""
        for left in reversed(range(_TRIES)):
            self.ask(FitLink())
            self.ask(SetSupply(self._nominal_v, self._nominal_v))
            number = self._range_for(self._nominal_v)
            rest, off, on = (
                self._read([number], master, lamps)[number] for master, lamps in ((False, ()), (True, ()), (True, self._lamps[-2:]))
            )
            try:
                self._link = LinkReadings(rest, off, on)
                self.zeroed = zeroed(self._description, self._link)
                return
            except ZeroError as error:
                if not left:
                    raise BoardFault(str(error)) from error
                self.note(f"{error} (asked again)")

    def _voltages(self, meter: MeterAccuracy) -> list[Calibrated]:
        """Input and output in all ranges, by the supply."""
        channels = self._description.channels
        ranges = sorted(channels["v_in"].ranges, key=lambda r: r.high)
        names = [name for name in ("v_in", "v_out") if name in channels]
        # The pilot's channel has one range, like the lowest of the others.
        pilot = ["v_pilot"] if self._wanted.pilot and "v_pilot" in channels else []
        if pilot:
            self.ask(Do(_PILOT))
        place = Place("v_in", "V", "the unit's input terminal, against the supply's return; the link is in the unit's place")
        points: dict[tuple[str, int], list[Point]] = {}
        for v in sorted({v for r in ranges for v in VOLTS.get(r.number, ()) if v <= self._wanted.highest_v}):
            self.ask(SetSupply(v, v))
            numbers = [r.number for r in ranges if v <= 0.95 * r.high]
            for _ in range(_TRIES):
                by_range, should = self._read_both(numbers, place)
                if not self._far(by_range[numbers[0]]["v_in"].mean, should, channels["v_in"].range(numbers[0]), meter, "V"):
                    break
            for number, readings in by_range.items():
                for name in (*names, *(pilot if number == ranges[0].number else ())):
                    points.setdefault((name, number), []).append(Point(readings[name].mean, readings[name].u, should))
        if pilot:
            self.ask(Do(_UNJOIN))
        results = [found for (name, number), some in points.items() for found in self._result(name, number, some, meter)]
        self._learn(results)
        return results

    def _learn(self, results: Sequence[Calibrated]) -> None:
        """The converter's zero is the same in all channels: what the meter showed of it in one range serves those it could not better."""
        stated, link = converter_stated(self._description), self._link
        seen = converter_seen(self._description, link.rest) if link is not None else None
        if stated is None or link is None or seen is None:
            return
        # The best of them alone, since the meter's own zero is in them all.
        better = [found for found in results if not found.refused]
        if better:
            best = min(better, key=lambda found: found.after.u_zero / found.after.scale)
            built_in = self._description.channels[best.channel].range(best.after.number)
            seen = told_by_range(seen, built_in, best.after, math.sqrt(stated.zero_variance))
        self.zeroed = zeroed(self._description, link, seen)

    def _currents(self, meter: MeterAccuracy) -> list[Calibrated]:
        """Both current ranges by lamps of the bank, one more at each point; with nothing closed the current is 0 without a meter."""
        self.ask(Do(_AMMETER))
        self.ask(SetSupply(self._nominal_v, self._nominal_v))
        place = Place("i_load", "A", "the ammeter in the unit's place")
        return self._by_lamps(("i_load", "i_load_low"), place, meter)

    def _drops(self, meter: MeterAccuracy) -> list[Calibrated]:
        """The drop over a resistor, by lamps of the bank."""
        self.ask(Do(_RESISTOR))
        self.ask(SetSupply(self._nominal_v, self._nominal_v))
        place = Place("v_drop", "V", "the ends of the resistor, on the meter's lowest range that holds 1 V")
        return self._by_lamps(("v_drop",), place, meter)

    def _by_lamps(self, names: Iterable[str], place: Place, meter: MeterAccuracy) -> list[Calibrated]:
        channels = self._description.channels
        number = self._range_for(self._nominal_v)
        points: dict[str, list[Point]] = {name: [] for name in names if name in channels}
        rest = self._read([number], False, ())[number]
        for name, some in points.items():
            some.append(Point(rest[name].mean, rest[name].u, 0.0, known=True))
        for count in range(1, len(self._lamps) + 1):
            by_range, should = self._read_both([number], place, self._lamps[:count])
            for name, some in points.items():
                reading, r = by_range[number][name], channels[name].range(number)
                # What another channel adds was seen with the link.
                mean = reading.mean - sum(s.part * by_range[number][s.other].mean for s in self.zeroed.channels[name].common)
                if reading.mean < 0.95 * r.high:
                    some.append(Point(mean, reading.u, should))
        return [found for name, some in points.items() for found in self._result(name, number, some, meter)]

    def _clock(self, seconds: float) -> ClockCalibrated:
        """Against the host's clock for this long."""
        board = self._board
        mode = self._description.mode_of(precise=False).name
        board.command(f"SENS:MODE {mode}", Expect("SENS:MODE?", MODE, mode))
        watch = _ClockWatch(self._description)
        board.listener = watch
        board.start_sampling()
        until_s = board.port.now_s() + seconds
        while (left_s := until_s - board.port.now_s()) > 0.0:
            self._progress(Waiting("comparing the board's clock with this computer's", left_s))
            board.attend(min(1.0, left_s))
        board.stop_sampling()
        board.listener = None
        return calibrate_clock(self._description, watch.estimate())

    # --- small parts

    def _range_for(self, volts: float) -> int:
        """The lowest voltage range that holds these volts and some more."""
        ranges = sorted(self._description.channels["v_in"].ranges, key=lambda r: r.high)
        return next((r.number for r in ranges if 1.1 * volts <= r.high), ranges[-1].number)

    def _far(self, reading: float, should: float, r: Range, meter: MeterAccuracy, unit: str) -> bool:
        """Whether board and meter can't both be right; said, so that it is put right."""
        far = abs(reading - should) > _FAR * combine(r.u_at(should), meter.part * should, meter.rest)
        if far:
            both = f"the board reads {reading:.4g} {unit} there and the meter {should:.4g} {unit}"
            self.note(f"{both}: look at its leads and range (asked again)")
        return far

    def _result(self, name: str, number: int, points: Sequence[Point], meter: MeterAccuracy) -> list[Calibrated]:
        channel = self._description.channels[name]
        used, beside = channel.range(number), self.zeroed.channels[name].range(number)
        self.points[f"{name} {used.number}"] = tuple(points)
        try:
            return [calibrate(name, channel.unit, used, points, meter, beside=beside)]
        except CalibrationError as error:
            self.note(str(error))
            at = max((abs(p.should) for p in points), default=0.0)
            return [Calibrated(name, beside, beside, at, beside.u_at(at), math.inf, str(error))]

    def _read(self, numbers: Sequence[int], master: bool, lamps: Sequence[int]) -> dict[int, Mapping[str, TypeA]]:
        """What the board reads in these voltage ranges."""
        return self._look(numbers, None, master, lamps)[0]

    def _read_both(
        self, numbers: Sequence[int], place: Place, lamps: Sequence[int] = ()
    ) -> tuple[dict[int, Mapping[str, TypeA]], float]:
        """What the board reads with the supply on, and what the meter shows meanwhile."""
        return self._look(numbers, place, True, lamps)

    def _look(
        self, numbers: Sequence[int], place: Place | None, master: bool, lamps: Sequence[int]
    ) -> tuple[dict[int, Mapping[str, TypeA]], float]:
        board = self._board
        found: dict[int, Mapping[str, TypeA]] = {}
        should = 0.0
        mode = self._description.mode_of(precise=True).name
        board.command(f"SENS:MODE {mode}", Expect("SENS:MODE?", MODE, mode))
        for number in numbers:
            highest = self._description.channels["v_in"].range(number).high
            board.command(f"SENS:VOLT:RANG {0.99 * highest:.3f}", Expect("SENS:VOLT:RANG?", whole(0, 3), number))
            watch = Watch(self._description)
            board.listener = watch
            board.start_sampling()
            board.switch_master(master)
            for lamp in lamps:
                board.command(f"ROUT:CLOS {format_channels([lamp])}")
                board.attend(_APART_S)
            board.attend(_LAMP_SETTLE_S if lamps else _SETTLE_S)
            watch.restart()
            board.attend(_LOOK_S)
            if place is not None and number == numbers[-1]:
                should = self._hands.read_meter(place, attending(board))
                board.attend(_LOOK_S)
            found[number] = watch.readings()
            board.all_open()
            board.stop_sampling()
            board.listener = None
        return found, should


def calibrate_board(
    port: Port, wanted: Wanted, hands: MeterReader | None, date: int, *, progress: Progress = lambda event: None
) -> Calibration:
    """Compare the board behind `port` with meters and the host's clock.

    Nothing is changed on the board yet: `put_in_force` does that. `hands` is None only for a simulated board, which has its own.
    `date` as a number such as 20261125. BoardFault or PortError if the board fails; everything is open afterwards.
    """
    with conversation(port) as board:
        before = board.open()
        board.need_channels(before)
        identity = board.identity()
        unit = board.simulated_unit()
        board.command("*CLS")
        if unit is not None:
            hands = SimulatedHands(board, unit, wanted.meters)
        if hands is None:
            raise BoardFault(f"calibrating the board at {port.address}: nobody was named to read the meter")
        try:
            # What an earlier calibration promises must not stand in the way of a later one: what is built in has to be beaten.
            board.command("CAL:CLE")
            work = _Calibrator(board, board.open(), hands, wanted, progress)
            if "TIME" in before.limits:
                board.set_number("OUTP:PROT:TIME", min(_LONGEST_ON_S, before.limits["TIME"].high))
            channels, clock = work.perform()
            work.ask(FitUnit(unit or ""))
        finally:
            if not board.make_safe():
                for line in lines_of(before):
                    board.command(line)
    lines = ("CAL:CLE", *best_lines(work.zeroed, channels, clock, date))
    return Calibration(identity, date, wanted, work.points, tuple(channels), clock, tuple(work.notes), lines)
