"""A recording read: blocks for the analysis, accuracies, and notes for the person who made it."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from bench.description import Share
from bench.recording.filling import Filling
from bench.recording.head import column_notes, open_table
from bench.recording.rows import blocks_of, rows_of
from bench.recording.survey import Survey
from bench.recording.table import EVERYTHING, RecordingError, Table
from bench.samples import Accuracy, Block, Trace


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
    table: Table

    @property
    def blocks(self) -> Iterator[Block]:
        """The samples, as they are in the file."""
        return blocks_of(self.table, self.row_s)

    @property
    def output_stands_in(self) -> bool:
        """Whether the output's voltage is not to be had, and only the current tells when the contact was closed.

        A drop beyond its range says that the contact may be open, but not how much the output has.
        """
        differs = {"v_in", "v_drop"} <= set(self.columns) and "v_drop" not in self.table.ends
        return "v_out" not in self.columns and not differs

    def blocks_with_output(self, nominal_v: float) -> Iterator[Block]:
        """The samples, with a trace v_out in every block: the file's, or v_in less v_drop, or a stand-in made of the current.

        The stand-in is the input's voltage (or nominal_v) times the current over its steady value, at most 1: good for when, not
        for how much. RecordingError if there is nothing to make it of.
        """
        if "v_out" in self.columns:
            yield from self.blocks
            return
        if self.output_stands_in and "i_load" not in self.columns:
            there = ", ".join(self.columns)
            raise RecordingError(f"{self.table.name}: neither v_out nor i_load is in it, only {there}: nothing shows the lamps")
        steady_a = _steady_current(self.blocks) if self.output_stands_in else 1.0
        for block in self.blocks:
            shown = block.traces["i_load" if self.output_stands_in else "v_drop"]
            volts = block.traces["v_in"].values if "v_in" in block.traces else nominal_v
            lit = np.clip(np.abs(shown.values) / steady_a, 0.0, 1.0)
            v_out = Trace(shown.t_s, volts * lit if self.output_stands_in else volts - shown.values)
            yield replace(block, traces={**block.traces, "v_out": v_out})


def _steady_current(blocks: Iterator[Block]) -> float:
    """The current of the lamps when hot: the middle one of all readings above a twentieth of the largest.

    A cold inrush is ten to fifteen times as large and short; the dark current of a hot-wire unit is smaller than that twentieth.
    """
    counts: dict[int, int] = {}
    for block in blocks:
        # A histogram with bins of 1 % keeps the memory small.
        i = np.abs(block.traces["i_load"].values)
        bins, number = np.unique(np.floor(100.0 * np.log(np.maximum(i, 1e-6))).astype(np.int64), return_counts=True)
        for k, n in zip(bins.tolist(), number.tolist(), strict=True):
            counts[k] = counts.get(k, 0) + n
    floor = max(counts) + 100.0 * math.log(0.05)
    above = sorted((k, n) for k, n in counts.items() if k >= floor)
    half, seen = sum(n for _, n in above) / 2.0, 0
    for k, n in above:
        seen += n
        if seen >= half:
            return math.exp(k / 100.0)
    raise AssertionError("half of a count lies within it")


def read_recording(
    path: str | Path,
    *,
    u_scale: Mapping[str, float] | None = None,
    u_zero: Mapping[str, float] | None = None,
    names: Mapping[str, str] | None = None,
    window_s: tuple[float, float] = EVERYTHING,
    rate_hz: float | None = None,
) -> Recording:
    """Read what there is to know of the file; its samples come from `Recording.blocks`.

    `u_scale` (relative) and `u_zero` (in V, A or degC) are standard uncertainties of the instrument by channel, `names` renames
    columns of the file first (`{"CH1": "v_in_V"}`). Only rows of the window are read: in s as the file counts, or from its first row where
    that tells date or time of day. `rate_hz`: rows a second, for a file without times. Raises RecordingError.
    """
    if not window_s[0] < window_s[1]:
        raise RecordingError(f"recording {Path(path).name}: a window from {window_s[0]:g} to {window_s[1]:g} s; its end must be later")
    table = replace(open_table(Path(path), names or {}, rate_hz), window_s=window_s)
    notes = list(column_notes(table))
    survey, filling = Survey(table), Filling(table)
    for time_s, values in rows_of(table):
        filling.add(values)
        survey.add(time_s, values)
    if not survey.rows and window_s != EVERYTHING:
        raise RecordingError(f"{table.name}: no row from {window_s[0]:g} to {window_s[1]:g} s; choose another window")
    survey.finish()
    turned = survey.reversed()
    if turned:
        table = table.turned_round(turned)
        filling.turn_round(turned)
        notes.append(f"{', '.join(turned)}: recorded the other way round (positive earth, or a probe reversed), sign turned")
    table = filling.known_to(table, survey.interval_s)
    notes += filling.notes()
    if not table.columns:
        raise RecordingError(f"{table.name}: {notes[-1]}; record it in a larger range")
    accuracies: dict[str, Accuracy] = {}
    for channel in table.channels():
        given_scale, given_zero = (u_scale or {}).get(channel), (u_zero or {}).get(channel)
        accuracies[channel] = _clipped_at(survey.accuracy(channel, given_scale, given_zero), table.ends.get(channel, EVERYTHING))
        if given_scale is None or given_zero is None:
            notes.append(f"{channel}: accuracy not given in full, a plain oscilloscope's taken (3 %, and 1 % of the largest)")
    for channel in {*(u_scale or {}), *(u_zero or {})} - set(table.channels()):
        there = ", ".join(table.channels())
        raise RecordingError(f"recording {table.path.name}: an accuracy was given for {channel!r}, but it holds {there}")
    if "v_drop" not in accuracies and "v_in" in accuracies and "v_out" in accuracies:
        accuracies["v_drop"] = _difference(accuracies["v_in"], accuracies["v_out"])
        notes.append("v_drop: not in the file, taken as v_in less v_out")
    notes += survey.notes()
    row_s = survey.interval_s
    interval_s = row_s * max((table.slow.get(channel, 1) for channel in table.contact_channels), default=1)
    return Recording(table.path, table.channels(), accuracies, row_s, interval_s, survey.rows, tuple(notes), table)


def _clipped_at(accuracy: Accuracy, ends: tuple[float, float]) -> Accuracy:
    """The accuracy of a channel that went beyond these ends of its range; infinite if it did not."""
    return replace(accuracy, low=max(accuracy.low, ends[0]), high=min(accuracy.high, ends[1]))


def _difference(v_in: Accuracy, v_out: Accuracy) -> Accuracy:
    """Accuracy of v_in - v_out. With the contact closed both are nearly equal, so their scale errors act on v_in."""
    return Accuracy(
        low=v_in.low - v_out.high,
        high=v_in.high - v_out.low,
        u_scale=0.0,
        u_zero=math.hypot(v_in.u_zero, v_out.u_zero),
        u_line=math.hypot(v_in.u_line, v_out.u_line),
        noise=math.hypot(v_in.noise, v_out.noise),
        common=(Share("v_in", math.hypot(v_in.u_scale, v_out.u_scale)),),
    )


