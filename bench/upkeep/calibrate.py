"""Calibrating a board with a meter: readings of the board beside those of the meter, step by step.

With the shorting link in the unit's place and no lamp lit, input and output are at one voltage, and one reading of the meter serves both,
in each of their ranges; with an ammeter there instead, the lamps of the bank are the currents, lit one after the other.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import partial

from bench.board import BoardClient, Expect
from bench.board.conversation import conversation
from bench.board.simulated_operator import SimulatedOperator, attending, operator_at
from bench.board.watch import Watch
from bench.calibration import WITHIN, Calibrated, ClockCalibrated, MeterAccuracy, Point, calibrate, calibrate_clock
from bench.clock import ClockComparison, ClockEstimate
from bench.description import BoardDescription
from bench.errors import BoardFault, CalibrationError, SetupError, ZeroError
from bench.lamp_check import supply_problem
from bench.manual_actions import Action, Do, FitLink, FitResistor, FitUnit, MeasuringPoint, MeterReader, SetSupply
from bench.ports import Port
from bench.session.progress import Asked, Noted, Planned, Progress, StepBegan, Waiting
from bench.uncertainty import TypeA, combine
from bench.upkeep.apply_calibration import also_saying, best_lines, restore_scales
from bench.upkeep.calibration_plan import RESISTOR_OHM, CalibrationPlan, Wanted, plan_for, plan_lines
from bench.wire import SAMPLES_PER_FRAME, EventFrame, SampleFrame, Sequencer, format_channels
from bench.wire.answers import MODE, whole
from bench.zero import LinkReadings, apply_zero, converter_seen, converter_stated, updated_by_range

_LOOK_S = 1.0
_SETTLE_S = 0.3
_LAMP_SETTLE_S = 2.0
_APART_S = 0.4  # between lamps that are lit, so that only one at a time is cold
_LONGEST_ON_S = 1800.0
_TRIES = 3
_FAR = 5.0  # a meter that shows this many standard uncertainties else than the board is asked again
_FAR_PART = 0.1  # a supply this much off what was asked for is asked again
_LEAST_FAR_V = 0.5
_AMMETER = "Put the ammeter, on its range for 10 A, in the unit's place instead of the link."
_PILOT = "Join the pilot terminal to the unit's output by a lead."
_UNJOIN = "Take that lead off again."


@dataclass(frozen=True)
class Calibration:
    """Everything that a calibration found: the board by its reply to *IDN?, points by channel and range, results, remarks.

    `lines`: what to tell the board. `better`: whether there is anything worth that.
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
        """Whether anything was found that is worth telling the board."""
        return any(not found.refused for found in self.channels) or (self.clock is not None and not self.clock.refused)


class _ClockWatch:
    """A listener that compares the board's clock with the host's."""

    def __init__(self, description: BoardDescription) -> None:
        self._comparison = ClockComparison(description.clock_half_width)
        self._period_s = description.sample_period_s(description.mode_of("FAST").name)
        self._sequencer = Sequencer()

    def __call__(self, frames: Sequence[SampleFrame | EventFrame], arrival_s: float) -> None:
        for placed in map(self._sequencer.place, frames):
            if placed is not None and isinstance(placed.frame, SampleFrame):
                self._comparison.add((placed.stamp + SAMPLES_PER_FRAME) * self._period_s, arrival_s)

    def estimate(self) -> ClockEstimate:
        return self._comparison.estimate()


class _Calibrator:
    """Compares one board, as it is built, with its meters, read by an operator."""

    def __init__(
        self,
        board: BoardClient,
        description: BoardDescription,
        operator: MeterReader,
        wanted: Wanted,
        plan: CalibrationPlan,
        progress: Progress,
    ) -> None:
        self._board = board
        self._description = description
        self._operator = operator
        self._wanted = wanted
        self._plan = plan
        self._progress = progress
        self._ranges = sorted(description.channels["v_in"].ranges, key=lambda r: r.high)
        self._set_v: float | None = None
        self._link: LinkReadings | None = None
        self._found: list[Calibrated] = []
        self._clock: ClockCalibrated | None = None
        self.zeroed = description
        self.points: dict[str, tuple[Point, ...]] = {}
        self.notes: list[str] = []

    def perform(self) -> tuple[list[Calibrated], ClockCalibrated | None]:
        """Do everything that is wanted, one after the other."""
        due = list(self._due())
        for number, (name, title, work) in enumerate(due, 1):
            self._progress(StepBegan(name, title, "", number, len(due)))
            work()
        if self._set_v != self._plan.nominal_v:
            # The unit that comes next must not meet the last voltage that was compared.
            self._ask(SetSupply(self._plan.nominal_v, self._plan.nominal_v, ()))
        self._ask(FitUnit(""))
        return self._found, self._clock

    def _due(self) -> Iterator[tuple[str, str, Callable[[], None]]]:
        """Yield name, title and work of each step that is wanted."""
        wanted, channels = self._wanted, self._description.channels
        volts, amperes = wanted.meters.get("V"), wanted.meters.get("A")
        drop = wanted.meter_for("v_drop") if "v_drop" in channels else None
        yield "zero", "Zeros and built-in standard, with the shorting link", self._zero
        if volts is not None:
            yield "voltages", "Voltages, with the shorting link", partial(self._voltages, volts)
        if amperes is not None:
            yield "currents", "Currents, with an ammeter in the unit's place", partial(self._currents, amperes)
        if drop is not None:
            yield "drop", "Drop, with a resistor in the unit's place", partial(self._drops, drop)
        if wanted.clock_s > 0.0:
            yield "clock", "Clock, beside this computer's", partial(self._compare_clocks, wanted.clock_s)

    def _ask(self, action: Action) -> None:
        self._progress(Asked(action))
        self._operator.do(action, attending(self._board))

    def _note(self, text: str) -> None:
        self.notes.append(text)
        self._progress(Noted(text))

    # --- steps

    def _zero(self) -> None:
        """Zero the board without a meter; see `apply_zero`."""
        number = self._range_for(self._plan.nominal_v)
        for left in reversed(range(_TRIES)):
            self._ask(FitLink())
            self._set_for_lamps()
            rest, off, on = (
                self._read([number], master, lamps)[number] for master, lamps in ((False, ()), (True, ()), (True, self._plan.lamps[-2:]))
            )
            try:
                self._link = LinkReadings(rest, off, on)
                self.zeroed = apply_zero(self._description, self._link)
                return
            except ZeroError as error:
                if not left:
                    raise BoardFault(str(error)) from error
                self._note(f"{error} (asked again)")

    def _voltages(self, meter: MeterAccuracy) -> None:
        """Input and output in all ranges, by the supply."""
        channels = self._description.channels
        names = [name for name in ("v_in", "v_out") if name in channels]
        # The pilot's channel has one range, like the lowest of the others.
        pilot = ["v_pilot"] if self._wanted.pilot and "v_pilot" in channels else []
        if pilot:
            self._ask(Do(_PILOT))
        place = MeasuringPoint(
            "v_in", "V", "the unit's input terminal, against the supply's return; the link is in the unit's place", meter
        )
        points: dict[tuple[str, int], list[Point]] = {}
        for v in self._plan.volts:
            seen_v = self._set_supply(v)
            numbers = [r.number for r in self._ranges if seen_v <= WITHIN * r.high]
            if not numbers:
                continue
            by_range, should = self._compared(numbers, place, ("v_in",), ())
            for number, readings in by_range.items():
                for name in (*names, *(pilot if number == self._ranges[0].number else ())):
                    points.setdefault((name, number), []).append(Point(readings[name].mean, readings[name].u, should))
        if pilot:
            self._ask(Do(_UNJOIN))
        results = [self._result(name, number, some, meter) for (name, number), some in points.items()]
        self._learn(results)
        self._found += results

    def _learn(self, results: Sequence[Calibrated]) -> None:
        """Use what the meter showed of the converter's zero, which all channels share, for the ranges that it could not better."""
        stated, link = converter_stated(self._description), self._link
        seen = converter_seen(self._description, link.rest) if link is not None else None
        if stated is None or link is None or seen is None:
            return
        # The best of them alone, since the meter's own zero is in them all.
        better = [found for found in results if not found.refused]
        if better:
            best = min(better, key=lambda found: found.after.u_zero / found.after.scale)
            built_in = self._description.channels[best.channel].range(best.after.number)
            seen = updated_by_range(seen, built_in, best.after, math.sqrt(stated.zero_variance))
        self.zeroed = apply_zero(self._description, link, seen)

    def _currents(self, meter: MeterAccuracy) -> None:
        """Both current ranges by lamps of the bank, one more at each point; with nothing closed the current is 0 without a meter."""
        self._ask(Do(_AMMETER))
        self._by_lamps(("i_load", "i_load_low"), MeasuringPoint("i_load", "A", "the ammeter in the unit's place", meter))

    def _drops(self, meter: MeterAccuracy) -> None:
        """Compare the drop over a resistor, by lamps of the bank."""
        self._ask(FitResistor(RESISTOR_OHM))
        most_v = 1.1 * RESISTOR_OHM * self._plan.amps
        self._by_lamps(("v_drop",), MeasuringPoint("v_drop", "V", f"the ends of the resistor, on a range that holds {most_v:.1f} V", meter))

    def _by_lamps(self, names: Iterable[str], place: MeasuringPoint) -> None:
        self._set_for_lamps()
        channels = self._description.channels
        number = self._range_for(self._plan.nominal_v)
        points: dict[str, list[Point]] = {name: [] for name in names if name in channels}
        rest = self._read([number], False, ())[number]
        for name, some in points.items():
            some.append(Point(rest[name].mean, rest[name].u, 0.0, known=True))
        for count in range(1, len(self._plan.lamps) + 1):
            by_range, should = self._compared([number], place, tuple(points), self._plan.lamps[:count])
            for name, some in points.items():
                reading = by_range[number][name]
                # What another channel adds was seen with the link.
                mean = reading.mean - sum(s.part * by_range[number][s.other].mean for s in self.zeroed.channels[name].common)
                if reading.mean < WITHIN * channels[name].range(number).high:
                    some.append(Point(mean, reading.u, should))
        self._found += [self._result(name, number, some, place.accuracy) for name, some in points.items()]

    def _compare_clocks(self, seconds: float) -> None:
        """Compare with the host's clock for this long."""
        board = self._board
        mode = self._description.mode_of("FAST").name
        board.command(f"SENS:MODE {mode}", Expect("SENS:MODE?", MODE, mode))
        watch = _ClockWatch(self._description)
        with board.sampling(watch):
            until_s = board.port.now_s() + seconds
            while (left_s := until_s - board.port.now_s()) > 0.0:
                self._progress(Waiting("comparing the board's clock with this computer's", left_s))
                board.attend(min(1.0, left_s))
        self._clock = calibrate_clock(self._description, watch.estimate())

    # --- the supply

    def _set_supply(self, volts: float) -> float:
        """Have the supply set, and return what the board reads of it; asked again if that is something else.

        It is looked at in the widest range, since a voltage beyond the range in use trips the board.
        """
        widest = self._ranges[-1].number
        for left in reversed(range(_TRIES)):
            self._ask(SetSupply(volts, volts, ()))
            self._set_v = volts
            seen_v = self._read([widest], True, ())[widest]["v_in"].mean
            if abs(seen_v - volts) <= max(_FAR_PART * volts, _LEAST_FAR_V):
                break
            self._note(f"the supply was to be set to {volts:g} V, and the board reads {seen_v:.2f} V ({_again(left)})")
        return seen_v

    def _set_for_lamps(self) -> None:
        """Have the supply set for the lamps. BoardFault if it would burn them, or not light them."""
        problem = supply_problem(self._set_supply(self._plan.nominal_v), self._wanted.system_v)
        if problem:
            raise BoardFault(f"calibrating the board at {self._board.port.address}: {problem}")

    def _range_for(self, volts: float) -> int:
        """Return the lowest voltage range that holds these volts and some more."""
        return next((r.number for r in self._ranges if 1.1 * volts <= r.high), self._ranges[-1].number)

    # --- readings

    def _compared(
        self, numbers: Sequence[int], place: MeasuringPoint, names: Sequence[str], lamps: Sequence[int]
    ) -> tuple[dict[int, Mapping[str, TypeA]], float]:
        """Return what the board reads in these voltage ranges and what the meter shows; asked again if both can't be right.

        `names`: the board's channels at the place, of which that counts which knows it best.
        """
        for left in reversed(range(_TRIES)):
            by_range, should = self._look(numbers, place, True, lamps)
            readings = by_range[numbers[0]]
            usable = [(name, self._description.channels[name].range(numbers[0])) for name in names]
            within = [(name, r) for name, r in usable if readings[name].mean < WITHIN * r.high]
            if not within:
                break
            name, r = min(within, key=lambda pair: pair[1].u_at(readings[pair[0]].mean))
            shares = self._description.channels[name].common
            u_common = combine(*(share.u * readings[share.other].mean for share in shares))
            meter = place.accuracy
            if abs(readings[name].mean - should) <= _FAR * combine(r.u_at(should), u_common, meter.part * should, meter.rest):
                break
            both = f"the board reads {readings[name].mean:.4g} {place.unit} there and the meter {should:.4g} {place.unit}"
            self._note(f"{both}: look at its leads and range ({_again(left)})")
        return by_range, should

    def _read(self, numbers: Sequence[int], master: bool, lamps: Sequence[int]) -> dict[int, Mapping[str, TypeA]]:
        """Return what the board reads in these voltage ranges."""
        return self._look(numbers, None, master, lamps)[0]

    def _look(
        self, numbers: Sequence[int], place: MeasuringPoint | None, master: bool, lamps: Sequence[int]
    ) -> tuple[dict[int, Mapping[str, TypeA]], float]:
        """Return what the board reads in these voltage ranges with the switches so, and what the meter shows meanwhile; 0 without a
        place."""
        board = self._board
        found: dict[int, Mapping[str, TypeA]] = {}
        should = 0.0
        mode = self._description.mode_of("PREC").name
        board.command(f"SENS:MODE {mode}", Expect("SENS:MODE?", MODE, mode))
        for number in numbers:
            highest = self._description.channels["v_in"].range(number).high
            board.command(f"SENS:VOLT:RANG {0.99 * highest:.3f}", Expect("SENS:VOLT:RANG?", whole(0, 3), number))
            at = place if number == numbers[-1] else None
            found[number], should = self._sample(at, master, lamps)  # the last has the meter's
        return found, should

    def _sample(self, place: MeasuringPoint | None, master: bool, lamps: Sequence[int]) -> tuple[Mapping[str, TypeA], float]:
        """Return what the board reads in the range at hand, and what the meter shows meanwhile; 0 without a place."""
        board, should = self._board, 0.0
        watch = Watch(self._description)
        with board.sampling(watch):
            board.switch_master(master)
            for lamp in lamps:
                board.command(f"ROUT:CLOS {format_channels([lamp])}")
                board.attend(_APART_S)
            board.attend(_LAMP_SETTLE_S if lamps else _SETTLE_S)
            watch.restart()
            board.attend(_LOOK_S)
            if place is not None:
                should = self._operator.read_meter(place, attending(board))
                board.attend(_LOOK_S)
            return watch.readings(), should

    def _result(self, name: str, number: int, points: Sequence[Point], meter: MeterAccuracy) -> Calibrated:
        channel = self._description.channels[name]
        used, beside = channel.range(number), self.zeroed.channels[name].range(number)
        self.points[f"{name} {used.number}"] = tuple(points)
        try:
            return calibrate(name, channel.unit, used, points, meter, beside=beside)
        except CalibrationError as error:
            at = max((abs(p.should) for p in points), default=0.0)
            return Calibrated(name, beside, beside, at, beside.u_at(at), math.inf, str(error))


def _again(left: int) -> str:
    """Return what becomes of a reading or setting that seems wrong, with so many tries left."""
    return "asked again" if left else "taken as it is"


def calibrate_board(
    port: Port, wanted: Wanted, operator: MeterReader | None, date: int, *, progress: Progress = lambda event: None
) -> Calibration:
    """Compare the board behind `port` with meters and the host's clock.

    Nothing is stored in the board: `store_calibration` does that. `operator` is None only for a simulated board, which has its own.
    `date`: as a number such as 20261125. BoardFault or PortError if the board fails, Cancelled if the operator ends it, SetupError for what
    this bench can't do. Everything is open afterwards, and the board reads by the scales that it had, or the error says which it has.
    """
    doing = f"calibrating the board at {port.address}"
    with conversation(port) as board:
        identity, before, simulated_unit = board.make_contact()
        board.need_channels(before)
        with operator_at(board, simulated_unit, operator, "calibrating") as present:
            if wanted.pilot and isinstance(present, SimulatedOperator):
                raise SetupError(f"{doing}: a simulated bench has no lead from its pilot terminal to the output; leave out --pilot")
            try:
                # What an earlier calibration promises must not stand in the way of a later one: what is built in has to be beaten.
                board.command("CAL:CLE")
                built_in = board.open()
                plan = plan_for(built_in, wanted)
                progress(Planned(tuple(plan_lines(plan, built_in, wanted))))
                if "TIME" in before.limits:
                    board.set_number("OUTP:PROT:TIME", min(_LONGEST_ON_S, before.limits["TIME"].high))
                work = _Calibrator(board, built_in, present, wanted, plan, progress)
                channels, clock = work.perform()
            except BaseException as error:
                now_has = restore_scales(board, before) if before.calibrated else ""
                if now_has:
                    raise also_saying(error, now_has, doing) from error
                raise
        if before.calibrated and (now_has := restore_scales(board, before)):
            work.notes.append(now_has)
    lines = ("CAL:CLE", *best_lines(work.zeroed, channels, clock, date))
    return Calibration(identity, date, wanted, work.points, tuple(channels), clock, tuple(work.notes), lines)
