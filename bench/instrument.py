"""The model of an instrument that made a recording: its limits of error as a data sheet states them, and what is taken where it is silent.

A limit of error is a half-width: the error lies anywhere within it alike, so its standard uncertainty is the half-width over the square
root of 3 (GUM 4.3.7) and its shape rectangular.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any

from bench.table import Table, top_table
from bench.uncertainty import Shape, combine, rectangular

INSTRUMENT_FORMAT = 1
CHANNELS = ("i_load", "v_in", "v_out", "v_drop", "v_pilot", "temperature")
"""Channels that a recording may hold."""
ALL = "all"
# What is taken where nothing was stated, half-widths. Common practice, no source: a plain oscilloscope's 3 % of the reading and 1 % of its
# range, of which the largest voltage may be a third and the inrush of cold lamps a half, or ten counts; the ceramic resonator of a cheap
# logger, 0.5 %; channels read one after another within one row.
CLOCK_UNSTATED = 5e-3
SCALE_UNSTATED = 0.03
ZERO_UNSTATED_OF_LARGEST = 0.03
ZERO_UNSTATED_OF_INRUSH = 0.02
ZERO_UNSTATED_COUNTS = 10.0


@dataclass(frozen=True, slots=True)
class InputErrors:
    """Limits of error of one input, half-widths: `reading` relative, `rest` in the channel's unit, part by part.

    `resolution`: one count in the channel's unit, None if not stated. Readings at or beyond `lowest` and `highest` are clipped.
    """

    reading: float = 0.0
    rest: tuple[float, ...] = ()
    resolution: float | None = None
    lowest: float = -math.inf
    highest: float = math.inf
    delay_s: float = 0.0

    @property
    def u_scale(self) -> float:
        """Relative standard uncertainty."""
        return rectangular(self.reading)

    @property
    def u_zero(self) -> float:
        """Standard uncertainty of the zero, in the channel's unit."""
        return combine(*map(rectangular, self.rest))

    @property
    def zero_shape(self) -> Shape:
        """Of several limits none of which outweighs the others the sum is nearly normal."""
        return "rectangular" if self.rest and rectangular(max(self.rest)) ** 2 > 0.5 * self.u_zero**2 else "normal"

    @property
    def u_zero_beside(self) -> float:
        """The part of u_zero that is not of the one limit which outweighs the others; 0 if none does."""
        return combine(*map(rectangular, sorted(self.rest)[:-1])) if self.zero_shape == "rectangular" else 0.0


@dataclass(frozen=True)
class Instrument:
    """What is stated of an instrument. None: not stated, and a wide default is taken and named.

    `clock`: relative half-width of its time base. `skew_s`: half-width of how far the channels of one row lie apart in time.
    `sampling_s`: each reading is the mean over up to this time before its stamp. `inputs` by channel name.
    """

    title: str = ""
    clock: float | None = None
    skew_s: float | None = None
    sampling_s: float | None = None
    inputs: Mapping[str, InputErrors] = field(default_factory=lambda: MappingProxyType({}))

    def input(self, channel: str) -> InputErrors | None:
        """Return what is stated of the input that recorded this channel; None if nothing is."""
        return self.inputs.get(channel, self.inputs.get(ALL))

    @property
    def clock_half_width(self) -> float:
        """Half-width of the clock's relative error; a wide one is taken where none is stated."""
        return CLOCK_UNSTATED if self.clock is None else self.clock

    def unstated(self, channels: tuple[str, ...]) -> str:
        """Return what is not stated of the instrument of these channels, in words, with what is taken instead; empty if all is stated."""
        inputs = [channel for channel in channels if self.input(channel) is None]
        missing = [f"clock ({CLOCK_UNSTATED * 100:g} % taken)"] if self.clock is None else []
        if inputs:
            missing.append(f"{', '.join(inputs)} ({SCALE_UNSTATED * 100:g} % and a plain instrument's zero taken)")
        if self.skew_s is None and len(channels) > 1:
            missing.append("time between channels (a row's taken)")
        return "; ".join(missing)


UNSTATED = Instrument()


def parse_instrument(content: Mapping[str, Any], origin: str) -> Instrument:
    """Return the instrument of a file whose inputs may be called `all` or one of CHANNELS. TableError for what can't be used."""
    top = top_table(content, origin, INSTRUMENT_FORMAT)
    title = top.text("title")
    clock, skew, sampling = (_limit(top, key) for key in ("clock_ppm", "skew_us", "sampling_time_us"))
    inputs: dict[str, InputErrors] = {}
    if (tables := top.optional_table("channels")) is not None:
        for name in (ALL, *CHANNELS):
            if (table := tables.optional_table(name)) is not None:
                inputs[name] = _input(table)
        tables.done()
    top.done()
    return Instrument(
        title,
        None if clock is None else clock * 1e-6,
        None if skew is None else skew * 1e-6,
        None if sampling is None else sampling * 1e-6,
        MappingProxyType(inputs),
    )


def _input(table: Table) -> InputErrors:
    reading, of_range, counts, zero, resolution = (
        _limit(table, key) for key in ("percent_of_reading", "percent_of_range", "counts", "zero", "resolution")
    )
    lowest, highest = table.number("lowest"), table.number("highest")
    if lowest is not None and highest is not None and lowest >= highest:
        raise table.error("highest", f"got {highest:g}; it must be more than lowest, {lowest:g}")
    delay_us = table.number("delay_us") or 0.0
    rest = []
    if of_range is not None:
        if lowest is None or highest is None:
            raise table.error("percent_of_range", "it needs lowest and highest, the ends of the range")
        rest.append(of_range / 100.0 * (highest - lowest))
    if counts is not None:
        if not resolution:
            raise table.error("counts", "it needs resolution, the size of one count in V or A")
        rest.append(counts * resolution)
    if zero is not None:
        rest.append(zero)
    if reading is None and not rest:
        raise table.error("percent_of_reading", "missing; state at least one limit of error: this, percent_of_range, counts or zero")
    table.done()
    return InputErrors(
        (reading or 0.0) / 100.0,
        tuple(rest),
        resolution,
        -math.inf if lowest is None else lowest,
        math.inf if highest is None else highest,
        delay_us * 1e-6,
    )


def _limit(table: Table, key: str) -> float | None:
    value = table.number(key)
    if value is not None and value < 0.0:
        raise table.error(key, f"got {value:g}; a limit of error is 0 or more")
    return value
