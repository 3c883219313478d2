"""A recording read: blocks for the analysis, accuracies, and notes for the person who made it."""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from bench.description import CommonModeError
from bench.errors import RecordingError
from bench.instrument import UNSTATED, Instrument
from bench.recording.filling import Filling
from bench.recording.head import column_notes, read_layout
from bench.recording.layout import EVERYTHING, FileLayout
from bench.recording.rows import blocks_of, rows_of
from bench.recording.stand_in import current_levels
from bench.recording.survey import Survey
from bench.samples import EXACT, Accuracy, Block, Timing, Trace

_BEYOND = 0.05  # of a range: instruments read a little beyond their own (common practice, no source)


@dataclass(frozen=True)
class Recording:
    """A recording made elsewhere: blocks for the analysis (read afresh at every walk), and what is known of their errors.

    `row_s` from one row to the next, `interval_s` from one sight of the contact to the next.
    """

    path: Path
    columns: tuple[str, ...]
    accuracies: Mapping[str, Accuracy]
    row_s: float
    interval_s: float
    rows: int
    notes: tuple[str, ...]
    layout: FileLayout
    timing: Timing = EXACT
    delays_s: Mapping[str, float] = field(default_factory=dict)
    current_bounds_a: tuple[float, float] = (0.0, 0.0)

    @property
    def blocks(self) -> Iterator[Block]:
        """The samples, as they are in the file; channels that are sampled later than their row by as much later."""
        for block in blocks_of(self.layout, self.row_s):
            yield replace(block, traces={name: self._delayed(name, trace) for name, trace in block.traces.items()})

    def _delayed(self, name: str, trace: Trace) -> Trace:
        delay_s = self.delays_s.get(name, 0.0)
        return Trace(trace.t_s + delay_s, trace.values) if delay_s else trace

    @property
    def has_stand_in_output(self) -> bool:
        """Whether the output's voltage is not to be had, and only the current tells when the contact was closed.

        A drop beyond its range says that the contact may be open, but not how much the output has.
        """
        differs = {"v_in", "v_drop"} <= set(self.columns) and "v_drop" not in self.layout.ends
        return "v_out" not in self.columns and not differs

    def blocks_with_output(self, nominal_v: float) -> Iterator[Block]:
        """Yield the samples, with a trace v_out in every block: the file's, or v_in less v_drop, or a stand-in made of the current.

        The stand-in is the input's voltage (or nominal_v) times how far the current is from its dark to its lit level: good for when, not
        for how much. RecordingError if there is nothing to make it of.
        """
        if "v_out" in self.columns:
            yield from self.blocks
            return
        if self.has_stand_in_output and "i_load" not in self.columns:
            there = ", ".join(self.columns)
            raise RecordingError(f"{self.layout.name}: neither v_out nor i_load is in it, only {there}: nothing shows the lamps")
        levels = None
        if self.has_stand_in_output:
            levels = current_levels(self.blocks, self.current_bounds_a, self.accuracies["i_load"], self.interval_s)
        for block in self.blocks:
            shown = block.traces["v_drop" if levels is None else "i_load"]
            volts = block.traces["v_in"].values if "v_in" in block.traces else nominal_v
            v_out = Trace(shown.t_s, volts - shown.values if levels is None else volts * levels.lit(shown))
            yield replace(block, traces={**block.traces, "v_out": v_out})


def read_recording(
    path: str | Path,
    *,
    instrument: Instrument = UNSTATED,
    names: Mapping[str, str] | None = None,
    window_s: tuple[float, float] = EVERYTHING,
    rate_hz: float | None = None,
) -> Recording:
    """Read what there is to know of the file; its samples come from `Recording.blocks`.

    `instrument`: what is stated of the one that made it. `names` renames columns of the file first (`{"CH1": "v_in_V"}`). Only rows of
    the window are read: in s as the file counts, or from its first row where that tells date or time of day. `rate_hz`: rows a second,
    for a file without times. Raises RecordingError.
    """
    if not window_s[0] < window_s[1]:
        raise RecordingError(f"recording {Path(path).name}: a window from {window_s[0]:g} to {window_s[1]:g} s; its end must be later")
    layout = replace(read_layout(Path(path), names or {}, rate_hz), window_s=window_s)
    notes = list(column_notes(layout))
    survey, filling = _walk_over(layout)
    turned = survey.reversed(instrument)
    if turned:
        layout = layout.turn_round(turned)
        filling.turn_round(turned)
        notes.append(f"{', '.join(turned)}: recorded the other way round (positive earth, or a probe reversed), sign turned")
    layout = filling.known_to(layout, survey.interval_s)
    notes += filling.notes()
    if not layout.columns:
        raise RecordingError(f"{layout.name}: {notes[-1]}; record it in a larger range")
    notes += _hidden_zeros(survey, layout)
    notes += _beyond_stated(survey, layout.channels(), instrument, turned)
    accuracies = _accuracies(survey, layout, instrument, turned)
    if "v_drop" not in accuracies and "v_in" in accuracies and "v_out" in accuracies:
        accuracies["v_drop"] = _difference(accuracies["v_in"], accuracies["v_out"])
        notes.append("v_drop: not in the file, taken as v_in less v_out")
    notes += survey.notes()
    interval_s = survey.interval_s * max((layout.slow.get(channel, 1) for channel in layout.contact_channels), default=1)
    return Recording(
        path=layout.path,
        columns=layout.channels(),
        accuracies=accuracies,
        row_s=survey.interval_s,
        interval_s=interval_s,
        rows=survey.rows,
        notes=tuple(notes),
        layout=layout,
        timing=_timing(survey, instrument, interval_s),
        delays_s={c: stated.delay_s for c in layout.channels() if (stated := instrument.input(c)) and stated.delay_s},
        current_bounds_a=survey.bounds("i_load", turned) if "i_load" in layout.channels() else (0.0, 0.0),
    )


def _walk_over(layout: FileLayout) -> tuple[Survey, Filling]:
    """Read every wanted row once, for what they show of the instrument. RecordingError if there are too few."""
    survey, filling = Survey(layout), Filling(layout)
    for time_s, values in rows_of(layout):
        filling.add(values)
        survey.add(time_s, values)
    begin_s, end_s = layout.window_s
    if not survey.rows and layout.window_s != EVERYTHING:
        raise RecordingError(f"{layout.name}: no row from {begin_s:g} to {end_s:g} s; choose another window")
    survey.finish()
    return survey, filling


def _accuracies(survey: Survey, layout: FileLayout, instrument: Instrument, turned: Collection[str]) -> dict[str, Accuracy]:
    """Return what each channel's readings are known to, with the ends of its range; of a `turned` channel those have changed places."""
    found = {channel: survey.accuracy(channel, instrument.input(channel)) for channel in layout.channels()}
    found |= {c: replace(found[c], low=-found[c].high, high=-found[c].low) for c in turned if c in found}
    return {c: _clipped_at(accuracy, layout.ends.get(c, EVERYTHING)) for c, accuracy in found.items()}


def _hidden_zeros(survey: Survey, layout: FileLayout) -> Iterator[str]:
    """Yield what to say of currents that never read below 0, whose zero is not to be had from the rest."""
    for channel in layout.channels():
        if channel.startswith("i_") and survey.clipped_at_zero(channel):
            yield f"{channel}: never below 0 and often exactly 0: its zero may be hidden there, so none is taken from the rest"


def _timing(survey: Survey, instrument: Instrument, interval_s: float) -> Timing:
    """Return how the channels were sampled; what is not stated may be as wrong as one interval."""
    skew_s = instrument.skew_s if instrument.skew_s is not None else interval_s
    sampling_s = instrument.sampling_s if instrument.sampling_s is not None else interval_s
    return Timing(skew_s, survey.stamp_u_s, sampling_s)


def _beyond_stated(survey: Survey, channels: Sequence[str], instrument: Instrument, turned: Collection[str]) -> Iterator[str]:
    """Yield what to say of channels that read more than their input can, by what is stated of it."""
    for channel in channels:
        stated = instrument.input(channel)
        if stated is None or not math.isfinite(room := _BEYOND * (stated.highest - stated.lowest)):
            continue
        low, high = survey.bounds(channel, turned)
        if math.isfinite(low) and math.isfinite(high) and (low < stated.lowest - room or high > stated.highest + room):
            ends = f"{low:g} to {high:g}, beyond the stated range of {stated.lowest:g} to {stated.highest:g}"
            yield f"{channel}: read {ends}: does the instrument's file belong to this recording?"


def _clipped_at(accuracy: Accuracy, ends: tuple[float, float]) -> Accuracy:
    """Return the accuracy of a channel that went beyond these ends of its range; infinite if it did not."""
    return replace(accuracy, low=max(accuracy.low, ends[0]), high=min(accuracy.high, ends[1]))


def _difference(v_in: Accuracy, v_out: Accuracy) -> Accuracy:
    """Return the accuracy of v_in - v_out. With the contact closed both are nearly equal, so their scale errors act on v_in."""
    return Accuracy(
        low=v_in.low - v_out.high,
        high=v_in.high - v_out.low,
        u_scale=0.0,
        u_zero=math.hypot(v_in.u_zero, v_out.u_zero),
        u_line=math.hypot(v_in.u_line, v_out.u_line),
        noise=math.hypot(v_in.noise, v_out.noise),
        common=(CommonModeError("v_in", math.hypot(v_in.u_scale, v_out.u_scale)),),
        zero_at_rest=False,
        line_is_smooth=False,
    )
