"""The error budget of the reference rig: from the tolerances of its parts to the uncertainties that a board states and a host reports.

A network is a plain function of its parts; each part is moved by its tolerance and what the result does is its contribution, so no
sensitivity is worked out by hand. What zeroing and a meter then put right is what `bench.zero` and `bench.calibration` do with perfect
readings, and what a value is known to is what the host says of it (`Accuracy.parts`): the budget and the host can't differ.

Tolerances are taken as rectangular, the converter's typical figures as two standard deviations. Nothing here was measured on a built rig.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import TypeAlias

from bench.calibration import WITHIN, MeterAccuracy, Point, calibrate, supply_points
from bench.clock import HOST_HALF_WIDTH
from bench.description import BoardDescription, Channel, Check, CommonModeError, Range
from bench.samples import accuracies
from bench.uncertainty import Component, TypeA, combine, rectangular
from bench.zero import KNOWN_ZERO, LinkReadings, apply_zero

Parts: TypeAlias = Mapping[str, float]
Components: TypeAlias = tuple[Component, ...]

REFERENCE_V = 4.096
COUNT_V = REFERENCE_V / 1024.0
NOMINAL: Parts = MappingProxyType(
    {
        "divider 36 k": 36e3,
        "divider 10 k": 10e3,
        "range 8.2 k": 8.2e3,
        "drop R1p 100 k": 100e3,
        "drop R2p 400 k": 400e3,
        "drop R5p 12 k": 12e3,
        "drop R1n 100 k": 100e3,
        "drop R2n 400 k": 400e3,
        "drop R5n 12 k": 12e3,
        "bias 150 k": 150e3,
        "bias 10 k": 10e3,
        "standard 150 k": 150e3,
        "standard 10 k": 10e3,
        "low range 10 k": 10e3,
        "low range 90 k": 90e3,
        "shunt 1 mohm": 1e-3,
        "current amplifier's gain": 50.0,
        "input 10 ohm +": 10.0,
        "input 10 ohm -": 10.0,
        "reference 4.096 V": REFERENCE_V,
    }
)
TOLERANCE: Parts = MappingProxyType({name: 1e-3 for name in NOMINAL} | {"shunt 1 mohm": 1e-2, "current amplifier's gain": 2e-3})
"""Relative half-widths: 0.1 % resistors and reference, 1 % shunt, the amplifier's data sheet (from memory)."""
OFFSET_V = 0.5e-3  # op amps, at most (data sheet of the 10 MHz quad)
SHUNT_OFFSET_V = 25e-6  # current-sense amplifier at its input, at most (data sheet)
SHUNT_BIAS_A = 90e-6  # its input bias current (data sheet)
SHUNT_REJECTION = 1e-6  # of the common mode, at most: 120 dB (data sheet)
NTC_TOLERANCE, NTC_PER_K = 0.05, 0.044  # of the thermistor's resistance, and what that changes for each degree at 25 degC
AIR_K = 1.0  # half-width of what the air at the sensor differs by from that around the unit (common practice, no source)


@dataclass(frozen=True, slots=True)
class ConverterErrors:
    """A converter's typical errors in counts of 10 bits: of zero, of scale (at its end), half-width of linearity (`line`); `count`: one of
    its own."""

    name: str
    zero: float
    scale: float
    line: float
    count: float = 1.0

    @property
    def u_line(self) -> float:
        """Linearity and quantisation, in counts of 10 bits."""
        return combine(rectangular(self.line), rectangular(0.5 * self.count))


# ATmega328P data sheet, typical, reference 4 V: absolute accuracy 2 counts, zero 2, scale 2, linearity 0.5 at 200 kHz; 4.5 counts at 1 MHz.
# At the 500 kHz of fast sampling nothing is stated: twice of all is assumed.
PRECISE = ConverterErrors("precise", 2.0, 2.0, 0.5)
FAST = ConverterErrors("fast", 4.0, 4.0, 1.0)
# A 12-bit converter with +-1.2 counts of linearity (data sheet) that takes its supply for reference; zero and scale from memory.
TWELVE = ConverterErrors("12 bit", 0.5, 0.5, 0.3, 0.25)


def swing(of: Callable[[Parts], float], names: tuple[str, ...], relative: bool = False) -> Components:
    """Return by how much each of these parts, moved by its tolerance, moves a result; relative if asked for."""
    nominal = of(NOMINAL)
    found = []
    for name in names:
        moved = of({**NOMINAL, name: NOMINAL[name] * (1.0 + TOLERANCE[name])}) - nominal
        found.append(_half(name, abs(moved / nominal) if relative else abs(moved)))
    return tuple(found)


def _half(source: str, half_width: float) -> Component:
    return Component(source, rectangular(half_width), shape="rectangular")


def _names(*beginnings: str) -> tuple[str, ...]:
    return tuple(name for name in NOMINAL if name.startswith(beginnings))


# --- the networks


def divided(p: Parts, wide: bool) -> float:
    """Return the volts at the pin for each volt at the sense lead."""
    bottom = p["divider 10 k"]
    if wide:
        bottom = 1.0 / (1.0 / bottom + 1.0 / p["range 8.2 k"])
    return bottom / (bottom + p["divider 36 k"])


def bias_v(p: Parts) -> float:
    """Return the voltage that is added to currents and drop so that they may be negative: a sixteenth of the reference."""
    return REFERENCE_V * p["bias 10 k"] / (p["bias 10 k"] + p["bias 150 k"])


def drop_v(p: Parts, v_in: float, v_out: float, bias: float = 0.0, offset: float = 0.0) -> float:
    """Return the drop amplifier's output: one op amp and six resistors; bias and offset in V."""
    plus = (v_in / p["drop R1p 100 k"] + bias / p["drop R2p 400 k"]) / _conductance_siemens(p, "p")
    return (plus + offset) * _conductance_siemens(p, "n") * p["drop R2n 400 k"] - v_out * p["drop R2n 400 k"] / p["drop R1n 100 k"]


def _conductance_siemens(p: Parts, side: str) -> float:
    return sum(1.0 / p[f"drop {name}{side} {size}"] for name, size in (("R1", "100 k"), ("R2", "400 k"), ("R5", "12 k")))


def current_v(p: Parts) -> float:
    """Return the volts behind the current amplifier for each ampere."""
    return p["shunt 1 mohm"] * p["current amplifier's gain"]


def magnified(p: Parts) -> float:
    """Return the gain of the low range's amplifier."""
    return 1.0 + p["low range 90 k"] / p["low range 10 k"]


def standard_v(p: Parts) -> float:
    """Return the voltage of the built-in standard, 15/16 of the reference."""
    return REFERENCE_V * p["standard 150 k"] / (p["standard 150 k"] + p["standard 10 k"])


# --- channels


@dataclass(frozen=True, slots=True)
class ChannelErrors:
    """The contributions to a channel's errors as built: of its scale (relative), of its zero and its linearity (in its unit); `shares` of
    `v_in`, in its unit for each volt."""

    scale: Components
    zero: Components
    line: Components
    shares: Components = ()


def errors_of(channel: str, number: int, converter: ConverterErrors, count: float) -> ChannelErrors:
    """Return a channel's errors as built. `count`: one count of 10 bits in the channel's unit. KeyError for a channel that the reference
    rig lacks."""
    own = Component("converter's scale", converter.scale / 2.0 / 1024.0)
    zero = Component("converter's zero", converter.zero / 2.0 * count)
    line = (Component("linearity and counts", converter.u_line * count),)
    if channel == "self_check":
        # The standard is a part of the reference, so its error does not show; nor is there an amplifier.
        return ChannelErrors((own,), (zero,), line)
    if channel == "temperature":
        sensor = (_half("thermistor", NTC_TOLERANCE / NTC_PER_K), _half("air here and there", AIR_K))
        return ChannelErrors((), sensor, (Component("counts", 0.1),))
    amplifier = _amplifier(channel, number, count / COUNT_V)
    reference = swing(lambda p: p["reference 4.096 V"], _names("reference"), relative=True)
    return ChannelErrors((own, *reference, *amplifier.scale), (zero, *amplifier.zero), line, amplifier.shares)


def _amplifier(channel: str, number: int, per_volt: float) -> ChannelErrors:
    """Return the errors of what lies before the converter; per_volt: the channel's unit for each volt at the pin."""
    match channel:
        case "v_in" | "v_out" | "v_pilot":
            return _divider(number == 0 and channel != "v_pilot", per_volt)
        case "v_drop":
            return _drop_amplifier(per_volt)
        case "i_load" | "i_load_low":
            return _current_amplifier(channel == "i_load_low", per_volt)
        case _:
            raise KeyError(channel)


def _divider(wide: bool, per_volt: float) -> ChannelErrors:
    names = _names("divider", "range") if wide else _names("divider")
    return ChannelErrors(swing(lambda p: divided(p, wide), names, relative=True), (_half("op amp's offset", OFFSET_V * per_volt),), ())


def _drop_amplifier(per_volt: float) -> ChannelErrors:
    gain = swing(lambda p: drop_v(p, 1.0, 0.0) - drop_v(p, 1.0, 1.0), _names("drop"), relative=True)
    offset = _half("op amp's offset", drop_v(NOMINAL, 0.0, 0.0, 0.0, OFFSET_V) * per_volt)
    shares = tuple(replace(c, u=c.u * per_volt) for c in swing(lambda p: drop_v(p, 1.0, 1.0), _names("drop")))
    return ChannelErrors(gain, (offset, *_bias(per_volt)), (), shares)


def _current_amplifier(low_range: bool, per_volt: float) -> ChannelErrors:
    ampere_v = NOMINAL["shunt 1 mohm"]
    leads = swing(lambda p: SHUNT_BIAS_A * (p["input 10 ohm +"] - p["input 10 ohm -"]) / ampere_v, _names("input"))
    zeros = (_half("current amplifier's offset", SHUNT_OFFSET_V / ampere_v), *leads, *_bias(per_volt))
    gain = swing(current_v, _names("shunt", "current"), relative=True)
    if low_range:
        gain += swing(magnified, _names("low range"), relative=True)
        zeros += (_half("low range op amp's offset", OFFSET_V * magnified(NOMINAL) * per_volt),)
    return ChannelErrors(gain, zeros, (), (_half("current amplifier's common mode", SHUNT_REJECTION / ampere_v),))


def _bias(per_volt: float) -> Components:
    return (*(replace(c, u=c.u * per_volt) for c in swing(bias_v, _names("bias"))), _half("bias op amp's offset", OFFSET_V * per_volt))


def u_of(components: Components) -> float:
    """Return the standard uncertainty of these contributions together, in their unit."""
    return combine(*(c.u for c in components))


def as_built(description: BoardDescription, converter: ConverterErrors) -> BoardDescription:
    """Return the description of a reference rig with the uncertainties that its parts and this converter give; scales and zeros stay."""
    channels: dict[str, Channel] = {}
    for name, channel in description.channels.items():
        ranges, shares = [], channel.common
        for r in channel.ranges:
            errors = errors_of(name, r.number, converter, r.scale)
            ranges.append(_range_with(r, errors))
            if errors.shares and "v_in" in description.channels:
                shares = (CommonModeError("v_in", u_of(errors.shares)),)
        channels[name] = replace(channel, ranges=tuple(ranges), common=shares)
    checks = tuple(Check(c.channel, c.expected, u_of(swing(standard_v, _names("standard")))) for c in description.checks)
    return replace(description, channels=channels, checks=checks)


def _range_with(r: Range, errors: ChannelErrors) -> Range:
    return replace(r, u_scale=u_of(errors.scale), u_zero=u_of(errors.zero), u_line=u_of(errors.line))


# --- what a value is known to


@dataclass(frozen=True, slots=True)
class BudgetRow:
    """A value that the budget asks about: `value` of a channel, with `supply_v` at the unit, shown in `unit` after multiplying by `shown`.

    `modelled`: the relative u of what is made of the reading. `range_number`: of the voltages. `precise`: whether precise sampling
    can do it.
    """

    title: str
    channel: str
    value: float
    supply_v: float
    unit: str
    shown: float = 1.0
    range_number: int = 1
    modelled: float = 0.0
    precise: bool = True


GHOST_OHM, GHOST_TOLERANCE = 1000.0, 0.01
EXTRAPOLATED = 0.01  # of an inrush that falls between samples, carried back to the make (ngspice: -1.4 to +0.5 %)
ROWS = (
    BudgetRow("drop 0.45 V at 12.8 V", "v_drop", 0.45, 12.8, "mV", 1e3),
    BudgetRow("drop 0.80 V at 12.8 V", "v_drop", 0.80, 12.8, "mV", 1e3),
    BudgetRow("drop 0.45 V at 25.6 V", "v_drop", 0.45, 25.6, "mV", 1e3, 0),
    BudgetRow("6.4 V", "v_in", 6.4, 6.4, "mV", 1e3),
    BudgetRow("12.8 V", "v_in", 12.8, 12.8, "mV", 1e3),
    BudgetRow("25.6 V", "v_in", 25.6, 25.6, "mV", 1e3, 0),
    BudgetRow("4 A, low range", "i_load_low", 4.0, 12.8, "mA", 1e3),
    BudgetRow("LED 0.15 A, low range", "i_load_low", 0.15, 12.8, "mA", 1e3),
    BudgetRow("inrush 25 A, carried back", "i_load", 25.0, 12.8, "mA", 1e3, modelled=EXTRAPOLATED, precise=False),
    BudgetRow(
        "leakage 2 mA over the ghost load", "v_out", 2e-3 * GHOST_OHM, 12.8, "uA", 1e6 / GHOST_OHM, modelled=rectangular(GHOST_TOLERANCE)
    ),
    BudgetRow("leakage 2 mA by the shunt", "i_load_low", 2e-3, 12.8, "mA", 1e3),
)
METERS: Mapping[str, Mapping[str, MeterAccuracy]] = {
    "0.5 % meter": {"V": MeterAccuracy(5e-3, 2e-2), "A": MeterAccuracy(5e-3, 2e-2), "mV": MeterAccuracy(5e-3, 2e-3)},
    "0.05 % meter": {"V": MeterAccuracy(5e-4, 2e-3), "A": MeterAccuracy(5e-4, 2e-3), "mV": MeterAccuracy(5e-4, 2e-4)},
}
"""Two hand-held meters, each with two digits of its display as the rest; `mV` is for the drop."""
_SAMPLES = 300
_POINTS_A = (0.42, 1.2, 2.9, 4.6, 6.3)  # the lamps of the bank, one more at each
_SUPPLY_V = 30.0  # the highest that it is calibrated with
_POINTS_DROP_V = (0.1, 0.3, 0.6, 0.9)  # a resistor in the unit's place


@dataclass(frozen=True, slots=True)
class KnownTo:
    """How well a row's value is known: standard uncertainty in the row's unit, its largest contribution, and whether a calibration by this
    meter is refused (`u` is then what it would have given)."""

    u: float
    largest: str
    refused: bool = False


def known(row: BudgetRow, stated: BoardDescription, state: str) -> KnownTo:
    """Return how well a row's value is known. `state`: `raw` as built, `self` with link and standard, or a key of METERS; `stated`: of
    `as_built`."""
    if state == "raw":
        return _known(row, stated, zero_taken=False)
    zeroed_one = apply_zero(stated, perfect_link(stated, row.supply_v))
    if state == "self":
        return _known(row, zeroed_one, zero_taken=True)
    r = stated.channels[row.channel].range(row.range_number)
    beside = zeroed_one.channels[row.channel].range(row.range_number)
    channel, meter = stated.channels[row.channel], METERS[state][_meter(row.channel)]
    found = calibrate(row.channel, channel.unit, r, _points(stated, row, r), meter, beside=beside)
    ranges = tuple(found.after if one.number == r.number else one for one in channel.ranges)
    calibrated = replace(stated, calibrated=1, channels={**stated.channels, row.channel: replace(channel, ranges=ranges)})
    again = apply_zero(calibrated, perfect_link(calibrated, row.supply_v))
    return replace(_known(row, again, zero_taken=True), refused=found.refused is not None)


def _known(row: BudgetRow, description: BoardDescription, zero_taken: bool) -> KnownTo:
    accuracy = accuracies(description, row.range_number)[row.channel]
    u_at_zero = accuracy.noise / _SAMPLES**0.5 if zero_taken and row.channel in KNOWN_ZERO else None
    parts = accuracy.parts(row.channel, row.value, {"v_in": row.supply_v}, u_at_zero)
    if row.modelled:
        parts = (*parts, Component("what is made of it", row.modelled * row.value))
    return KnownTo(row.shown * u_of(parts), max(parts, key=lambda c: c.u).source.partition(": ")[2] or "what is made of it")


def _meter(channel: str) -> str:
    return {"v_drop": "mV", "i_load": "A", "i_load_low": "A"}.get(channel, "V")


def _points(description: BoardDescription, row: BudgetRow, r: Range) -> tuple[Point, ...]:
    """Return the points of the guided procedure, read without error."""
    if row.channel in KNOWN_ZERO:
        values = _POINTS_DROP_V if row.channel == "v_drop" else _POINTS_A
        return (Point(0.0, 0.0, 0.0, known=True), *(Point(v, 0.0, v) for v in values))
    volts = supply_points(description.channels["v_in"].ranges, _SUPPLY_V)
    return tuple(Point(v, 0.0, v) for v in volts if v <= WITHIN * r.high)


def perfect_link(description: BoardDescription, volts: float) -> LinkReadings:
    """Return what a rig without errors reads with the link fitted, with the scatter that the description states."""

    def phase(v: float, a: float) -> dict[str, TypeA]:
        true = {"v_in": v, "v_out": v, "i_load": a, "i_load_low": a} | {c.channel: c.expected for c in description.checks}
        return {
            name: TypeA(true.get(name, 0.0), channel.ranges[0].noise, _SAMPLES)
            for name, channel in description.channels.items()
            if channel.curve is None
        }

    return LinkReadings(phase(0.0, 0.0), phase(volts, 0.0), phase(volts, 3.5))


# --- times


def edge_u_s(description: BoardDescription, converter: ConverterErrors) -> float:
    """Return the standard uncertainty of the instant of one edge, which lies anywhere between two samples of a channel."""
    mode = "PREC" if converter is PRECISE else "FAST"
    return rectangular(0.5 * description.slots * description.sample_period_s(mode))


def duration_u_s(description: BoardDescription, seconds: float, edge_s: float, by_host: bool) -> float:
    """Return the standard uncertainty of a duration between two edges, by the board's clock as built or as compared with the host's."""
    half = HOST_HALF_WIDTH if by_host else description.clock_half_width
    return combine(2.0**0.5 * edge_s, seconds * rectangular(half))
