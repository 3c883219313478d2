"""Recordings made elsewhere: a CSV file with named columns, such as any oscilloscope or logger exports, becomes blocks of samples.

An edge: reads a file. The file is read twice in chunks, so its size does not matter: once to learn the interval between samples,
the resolution and the noise of each column, and once more for every walk over `Recording.blocks`.

The header is the first line with a time column. A column is a channel and a unit: `time_s`, `i_load_A`, `v_in_V`, `v_out_V`,
`v_drop_V`, `v_pilot_V`, `temperature_degC`, or with a prefix of the whitelist below (`time_ms`, `i_load_mA`, `v_out_mV`). Lines before
the header, lines that begin with # and blank lines are skipped; columns that are not of ours are ignored and noted. Separators are
comma, semicolon or tab; with the last two a decimal comma is allowed. An empty cell or `nan` is a gap.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from bench.samples import Accuracy, Array, Block, SwitchEvent, Trace

if TYPE_CHECKING:
    import pandas as pd

_TIME = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9, "min": 60.0, "h": 3600.0}
_VOLT = {"V": 1.0, "mV": 1e-3, "uV": 1e-6, "kV": 1e3}
_AMPERE = {"A": 1.0, "mA": 1e-3, "uA": 1e-6, "kA": 1e3}
CHANNEL_UNITS: Mapping[str, Mapping[str, float]] = {
    "time": _TIME,
    "i_load": _AMPERE,
    "v_in": _VOLT,
    "v_out": _VOLT,
    "v_drop": _VOLT,
    "v_pilot": _VOLT,
    "temperature": {"degC": 1.0},
}
# A row in which one of these is missing is a gap: what a contact did cannot be seen from half of its signals.
_MAIN = ("i_load", "v_in", "v_out", "v_drop")
_PREAMBLE_LINES = 200
_CHUNK_ROWS = 50_000
_GAP_LEAST_S = 5e-3
_BACK_ROWS = 50
_NOT_NUMBERS = ["nan", "NaN", "NAN", "NA", "N/A", "n/a", "null", "-", "--"]

# Accuracy of an instrument about which nothing was said: 3 % of the reading and 1 % of the largest reading as half-widths, as a plain
# oscilloscope has (common practice, no source).
U_SCALE_UNKNOWN = 0.03 / math.sqrt(3.0)
U_ZERO_UNKNOWN_OF_LARGEST = 0.01 / math.sqrt(3.0)


class RecordingError(Exception):
    """A recording that can't be read. One line: which file, which line and column, what came, what is allowed."""


@dataclass(frozen=True)
class Recording:
    """A recording made elsewhere: blocks for the analysis (read afresh at every walk), and what is known of their errors."""

    path: Path
    columns: tuple[str, ...]
    accuracies: Mapping[str, Accuracy]
    switch_events: tuple[SwitchEvent, ...]
    interval_s: float
    rows: int
    notes: tuple[str, ...]
    _table: _Table

    @property
    def blocks(self) -> Iterator[Block]:
        return _blocks(self._table, self.interval_s)


@dataclass(frozen=True)
class _Column:
    channel: str
    factor: float
    place: int
    title: str


@dataclass(frozen=True)
class _Table:
    """Where the numbers stand in the file, and how they are written."""

    path: Path
    encoding: str
    header_line: int
    separator: str
    decimal: str
    width: int
    columns: tuple[_Column, ...]

    def channels(self) -> tuple[str, ...]:
        return tuple(c.channel for c in self.columns if c.channel != "time")


def read_recording(
    path: str | Path,
    *,
    u_scale: Mapping[str, float] | None = None,
    u_zero: Mapping[str, float] | None = None,
    names: Mapping[str, str] | None = None,
) -> Recording:
    """Read what there is to know of the file; its samples come from `Recording.blocks`.

    `u_scale` (relative) and `u_zero` (in V, A or degC) are standard uncertainties of the instrument by channel, `names` renames
    columns of the file first (`{"CH1": "v_in_V"}`). Raises RecordingError.
    """
    table = _open(Path(path), names or {})
    notes = list(_column_notes(table))
    survey = _Survey(table)
    for time_s, values in _rows(table):
        survey.add(time_s, values)
    survey.check()
    accuracies: dict[str, Accuracy] = {}
    for channel in table.channels():
        given_scale, given_zero = (u_scale or {}).get(channel), (u_zero or {}).get(channel)
        accuracies[channel] = survey.accuracy(channel, given_scale, given_zero)
        if given_scale is None or given_zero is None:
            notes.append(f"{channel}: accuracy of the instrument not given in full, a plain oscilloscope's was taken (3 % and 1 % of the largest)")
    for channel in {*(u_scale or {}), *(u_zero or {})} - set(table.channels()):
        raise RecordingError(f"recording {table.path.name}: an accuracy was given for {channel!r}, which is not in it: {', '.join(table.channels())}")
    if "v_drop" not in accuracies and "v_in" in accuracies and "v_out" in accuracies:
        accuracies["v_drop"] = _difference(accuracies["v_in"], accuracies["v_out"])
        notes.append("v_drop: not in the file, taken as v_in less v_out")
    notes += survey.notes()
    events = survey.switch_events()
    if not events:
        notes.append("the instant at which voltage was applied is not in the recording: starting times can't be had")
    return Recording(table.path, table.channels(), accuracies, events, survey.interval_s, survey.rows, tuple(notes), table)


def _difference(v_in: Accuracy, v_out: Accuracy) -> Accuracy:
    """Accuracy of v_in - v_out. With the contact closed both are nearly equal, so their scale errors act on v_in."""
    return Accuracy(
        low=v_in.low - v_out.high,
        high=v_in.high - v_out.low,
        u_scale=0.0,
        u_zero=math.hypot(v_in.u_zero, v_out.u_zero),
        u_line=math.hypot(v_in.u_line, v_out.u_line),
        noise=math.hypot(v_in.noise, v_out.noise),
        common=(("v_in", math.hypot(v_in.u_scale, v_out.u_scale)),),
    )


# --- the head of the file -------------------------------------------------------------------------------------------------------


def _open(path: Path, names: Mapping[str, str]) -> _Table:
    lines, encoding = _head(path)
    for number, line in enumerate(lines, 1):
        separator = _separator(line)
        titles = [names.get(cell, cell) for cell in (part.strip().strip('"') for part in line.split(separator))]
        if any(_split_title(title) == ("time", unit) for title in titles for unit in _TIME):
            columns = tuple(_columns(path, number, titles))
            decimal = "." if separator == "," else _decimal(lines[number:], separator)
            return _Table(path, encoding, number, separator, decimal, len(titles), columns)
    raise RecordingError(
        f"recording {path.name}: no header with a time column in the first {len(lines)} lines, wanted for example time_s,i_load_A,v_in_V,v_out_V"
    )


def _head(path: Path) -> tuple[list[str], str]:
    """The first lines of the file, and its encoding: UTF-8 with or without a byte order mark, or else Latin-1."""
    try:
        with path.open("rb") as file:
            raw = [line for _, line in zip(range(_PREAMBLE_LINES), iter(lambda: file.readline(65536), b""), strict=False)]
    except OSError as error:
        raise RecordingError(f"recording {path}: can't be opened: {error.strerror or error}") from error
    if any(b"\0" in line for line in raw):
        raise RecordingError(f"recording {path.name}: not a text file (zero bytes in it), wanted comma-separated text in UTF-8")
    head = b"".join(raw)
    encoding = "utf-8-sig"
    try:
        head.decode(encoding)
    except UnicodeDecodeError:
        encoding = "latin-1"
    return head.decode(encoding).splitlines(), encoding


def _separator(line: str) -> str:
    return max(";\t,", key=lambda s: (line.count(s) > 0, -";\t,".index(s)))


def _decimal(lines: list[str], separator: str) -> str:
    cells = [cell for line in lines if not line.startswith("#") for cell in line.split(separator)]
    return "," if any(re.fullmatch(r"\s*[-+]?\d*,\d+([eE][-+]?\d+)?\s*", cell) for cell in cells) else "."


def _split_title(title: str) -> tuple[str, str] | None:
    """Channel and unit of a column title such as `v_out_mV`, `v_out [mV]`, `V_out (mV)`; None if it is not one of ours."""
    match = re.fullmatch(r"(\w+?)(?:_|\s*[\[(/]\s*)([A-Za-zµμ]+)\s*[\])]?", title.strip())
    if match is None or match[1].lower() not in CHANNEL_UNITS:
        return None
    return match[1].lower(), match[2].replace("µ", "u").replace("μ", "u")


def _columns(path: Path, line: int, titles: list[str]) -> Iterator[_Column]:
    seen: set[str] = set()
    for place, title in enumerate(titles):
        parts = _split_title(title)
        if parts is None:
            bare = title.strip().lower()
            if bare in CHANNEL_UNITS:
                raise RecordingError(f"recording {path.name}: line {line}, column {title}: no unit in its name, wanted for example {bare}_{next(iter(CHANNEL_UNITS[bare]))}")
            continue
        channel, unit = parts
        if unit not in CHANNEL_UNITS[channel]:
            raise RecordingError(f"recording {path.name}: line {line}, column {title}: unit {unit!r}, allowed: {', '.join(CHANNEL_UNITS[channel])}")
        if channel in seen:
            raise RecordingError(f"recording {path.name}: line {line}, column {title}: a second column of {channel}, one is allowed")
        seen.add(channel)
        yield _Column(channel, CHANNEL_UNITS[channel][unit], place, title.strip())
    if not seen - {"time"}:
        raise RecordingError(f"recording {path.name}: line {line}: nothing but time, wanted at least one of {', '.join(list(CHANNEL_UNITS)[1:])} with a unit")


def _column_notes(table: _Table) -> Iterator[str]:
    ignored = table.width - len(table.columns)
    if ignored:
        yield f"{ignored} column{'s' if ignored > 1 else ''} of the file not used"
    for channel in ("v_in", "v_out", "i_load"):
        if channel not in table.channels():
            yield f"{channel}: not in the file; what needs it is not measured"


# --- rows -----------------------------------------------------------------------------------------------------------------------


def _rows(table: _Table) -> Iterator[tuple[Array, dict[str, Array]]]:
    """Chunks of the file in SI: time shape (n,), and each channel's values, shape (n,), NaN where there is none."""
    import pandas as pd

    try:
        reader = pd.read_csv(
            table.path,
            encoding=table.encoding,
            sep=table.separator,
            decimal=table.decimal,
            header=None,
            names=list(range(table.width)),
            usecols=[c.place for c in table.columns],
            skiprows=table.header_line,
            comment="#",
            dtype=np.float64,
            na_values=_NOT_NUMBERS,
            keep_default_na=True,
            skipinitialspace=True,
            index_col=False,
            chunksize=_CHUNK_ROWS,
            on_bad_lines="error",
        )
        with reader:
            for frame in reader:
                yield _in_si(table, frame)
    except pd.errors.EmptyDataError:
        return
    except (ValueError, pd.errors.ParserError, UnicodeDecodeError) as error:
        raise _bad_cell(table) or RecordingError(f"recording {table.path.name}: can't be read: {error}") from error


def _in_si(table: _Table, frame: pd.DataFrame) -> tuple[Array, dict[str, Array]]:
    si = {c.channel: frame[c.place].to_numpy(dtype=np.float64) * c.factor for c in table.columns}
    for values in si.values():
        values[~np.isfinite(values)] = np.nan
    return si.pop("time"), si


def _bad_cell(table: _Table) -> RecordingError | None:
    """Which cell of the file is not a number: looked for only after the fast reader has refused the file."""
    with table.path.open(encoding=table.encoding, errors="replace") as file:
        for number, line in enumerate(file, 1):
            content = line.split("#", 1)[0].strip("\r\n")
            if number <= table.header_line or not content.strip():
                continue
            cells = content.split(table.separator)
            if len(cells) > table.width:
                return RecordingError(f"recording {table.path.name}: line {number}: {len(cells)} cells, the header has {table.width}")
            for column in table.columns:
                cell = cells[column.place].strip().strip('"') if column.place < len(cells) else ""
                if cell and cell not in _NOT_NUMBERS and not _is_number(cell, table.decimal):
                    return RecordingError(f"recording {table.path.name}: line {number}, column {column.title}: {cell!r} is not a number")
    return None


def _is_number(cell: str, decimal: str) -> bool:
    try:
        float(cell.replace(decimal, "."))
    except ValueError:
        return False
    return True


class _Timeline:
    """Rows in, rows whose time strictly increases out; a chunk's last rows of equal time wait for the next.

    Equal times are a time column of coarse resolution: such rows are spread evenly up to the next time. A row whose time goes back
    is dropped; a file that goes back and stays back is two recordings, which is an error.
    """

    def __init__(self, table: _Table) -> None:
        self._table = table
        self._held: tuple[Array, dict[str, Array]] | None = None
        self._last = -math.inf
        self._back = 0
        self.spread = 0
        self.dropped = 0
        self._step = 0.0

    def feed(self, time_s: Array, values: dict[str, Array]) -> tuple[Array, dict[str, Array]]:
        keep = np.isfinite(time_s)
        highest = np.maximum.accumulate(np.where(keep, time_s, -np.inf)) if len(time_s) else time_s
        keep &= time_s >= np.maximum(highest, self._last)
        self._count_back(keep)
        time_s, values = time_s[keep], {c: v[keep] for c, v in values.items()}
        if self._held is not None:
            time_s = np.concatenate((self._held[0], time_s))
            values = {c: np.concatenate((self._held[1][c], v)) for c, v in values.items()}
        if not len(time_s):
            return time_s, values
        self._last = float(time_s[-1])
        ready = int(np.searchsorted(time_s, self._last, side="left"))
        self._held = time_s[ready:], {c: v[ready:] for c, v in values.items()}
        out = self._spread(time_s[:ready], self._last)
        return out, {c: v[:ready] for c, v in values.items()}

    def flush(self) -> tuple[Array, dict[str, Array]] | None:
        """The rows that waited, at the end of the file."""
        if self._held is None or not len(self._held[0]):
            return None
        time_s, values = self._held
        self._held = None
        return self._spread(time_s, float(time_s[0]) + (self._step or 1e-6) * len(time_s)), values

    def _count_back(self, keep: npt.NDArray[np.bool_]) -> None:
        self.dropped += int(np.count_nonzero(~keep))
        for run in np.split(keep, np.flatnonzero(np.diff(keep)) + 1):
            if len(run) and run[0]:
                self._back = 0
                continue
            self._back += len(run)
            if self._back > _BACK_ROWS:
                raise RecordingError(
                    f"recording {self._table.path.name}: column {self._table.columns[0].title if self._table.columns else 'time'}: "
                    f"goes back after {self._last:g} s and stays back for more than {_BACK_ROWS} rows; two recordings in one file? keep one"
                )

    def _spread(self, time_s: Array, end: float) -> Array:
        if not len(time_s):
            return time_s
        distinct, first, count = np.unique(time_s, return_index=True, return_counts=True)
        following = np.append(distinct[1:], end)
        if len(distinct) > 1:
            self._step = float(np.median(np.diff(time_s))) or float(np.median((following - distinct) / count))
        if len(distinct) == len(time_s):
            return time_s
        self.spread += int(len(time_s) - len(distinct))
        within = np.arange(len(time_s)) - np.repeat(first, count)
        # Rows of one time belong to the next few samples, not to a pause that may follow.
        step = np.minimum((following - distinct) / count, max(self._step, 1e-12) * 8)
        spread: Array = np.repeat(distinct, count) + within * np.repeat(step, count)
        return spread


def _strict_rows(table: _Table) -> Iterator[tuple[Array, dict[str, Array]]]:
    timeline = _Timeline(table)
    for time_s, values in _rows(table):
        ready = timeline.feed(time_s, values)
        if len(ready[0]):
            yield ready
    last = timeline.flush()
    if last is not None:
        yield last


def _blocks(table: _Table, interval_s: float) -> Iterator[Block]:
    """The file as blocks without gaps inside; times count from its first row."""
    main = [c for c in table.channels() if c in _MAIN]
    threshold = max(5.0 * interval_s, _GAP_LEAST_S)
    origin: float | None = None
    gap, last = False, -math.inf
    for time_s, values in _strict_rows(table):
        origin = float(time_s[0]) if origin is None else origin
        good = np.all([np.isfinite(values[c]) for c in main], axis=0) if main else np.ones(len(time_s), dtype=bool)
        for begin, end in _stretches(time_s, good, threshold):
            t = time_s[begin:end] - origin
            missing_rows = begin > 0 and not good[begin - 1]
            gap_before = gap or missing_rows or (last > -math.inf and float(t[0]) - last > threshold)
            yield Block(float(t[0]), float(t[-1]) + interval_s, _traces(t, {c: v[begin:end] for c, v in values.items()}), gap_before and last > -math.inf)
            last, gap = float(t[-1]), False
        gap = gap or not bool(good[-1])


def _stretches(time_s: Array, good: npt.NDArray[np.bool_], threshold: float) -> Iterator[tuple[int, int]]:
    """Index ranges of good rows without a pause longer than threshold."""
    cut = np.flatnonzero((np.diff(good.astype(np.int8)) != 0) | (np.diff(time_s) > threshold)) + 1
    edges = [0, *cut.tolist(), len(time_s)]
    for begin, end in zip(edges, edges[1:], strict=False):
        if good[begin]:
            yield begin, end


def _traces(t_s: Array, values: Mapping[str, Array]) -> dict[str, Trace]:
    traces: dict[str, Trace] = {}
    for channel, v in values.items():
        there = np.isfinite(v)
        if there.all():
            traces[channel] = Trace(t_s, v)
        elif there.any():
            traces[channel] = Trace(t_s[there], v[there])
    if "v_drop" not in traces and "v_in" in traces and "v_out" in traces:
        traces["v_drop"] = Trace(t_s, traces["v_in"].values - traces["v_out"].values)
    return traces


# --- what the file shows of its instrument --------------------------------------------------------------------------------------


class _Survey:
    """Learns from a first walk over the rows: interval, resolution, noise, the instant of the voltage."""

    def __init__(self, table: _Table) -> None:
        self._table = table
        self._timeline = _Timeline(table)
        self.rows = 0
        self._gap_rows = 0
        self._intervals: list[Array] = []
        self._largest = dict.fromkeys(table.channels(), 0.0)
        self._bounds = {c: (math.inf, -math.inf) for c in table.channels()}
        self._step = dict.fromkeys(table.channels(), math.inf)
        self._noises: dict[str, list[float]] = {c: [] for c in table.channels()}
        self._origin: float | None = None
        self._supply: list[tuple[float, float]] = []
        self._supply_peak = 0.0

    def add(self, time_s: Array, values: dict[str, Array]) -> None:
        self.rows += len(time_s)
        self._learn(*self._timeline.feed(time_s, values))

    def _learn(self, time_s: Array, values: dict[str, Array]) -> None:
        if not len(time_s):
            return
        self._origin = float(time_s[0]) if self._origin is None else self._origin
        if len(time_s) > 1 and len(self._intervals) < 64:
            self._intervals.append(np.diff(time_s)[:_CHUNK_ROWS])
        for channel, v in values.items():
            there = v[np.isfinite(v)]
            self._gap_rows += len(v) - len(there) if channel in _MAIN else 0
            if len(there):
                low, high = self._bounds[channel]
                self._bounds[channel] = min(low, float(there.min())), max(high, float(there.max()))
                self._largest[channel] = max(self._largest[channel], float(np.abs(there).max()))
                self._step[channel] = min(self._step[channel], _smallest_step(there))
            if len(there) > 32:
                self._noises[channel].append(_noise(there))
        if "v_in" in values:
            self._watch_supply(time_s - self._origin, values["v_in"])

    def _watch_supply(self, t_s: Array, v: Array) -> None:
        """Keep the first rise of the input's voltage: the samples on both sides of half of the level that it reaches."""
        there = np.isfinite(v)
        t_s, v = t_s[there], v[there]
        if not len(v):
            return
        if self._supply and self._supply_peak > 2.0:
            return
        for t, value in zip(t_s.tolist(), v.tolist(), strict=True):
            self._supply.append((t, value))
            if abs(value) > 2.0:
                # 2 V is a supply in any system, and no noise. A few more samples show the level it rises to.
                self._supply_peak = max(self._supply_peak, abs(value))
                if len([1 for _, w in self._supply if abs(w) > 2.0]) > 20:
                    return
            elif len(self._supply) > 64:
                del self._supply[0]

    def switch_events(self) -> tuple[SwitchEvent, ...]:
        """The application of voltage, if the file begins without it: 50 % instant of the rise of v_in."""
        if not self._supply or abs(self._supply[0][1]) > 2.0:
            return ()
        level = sorted(abs(v) for _, v in self._supply if abs(v) > 2.0)
        if not level:
            return ()
        half = level[len(level) // 2] / 2.0
        for (t0, v0), (t1, v1) in zip(self._supply, self._supply[1:], strict=False):
            if abs(v0) < half <= abs(v1):
                return (SwitchEvent(t0 + (half - abs(v0)) / (abs(v1) - abs(v0)) * (t1 - t0), True, frozenset()),)
        return ()

    def check(self) -> None:
        last = self._timeline.flush()
        if last is not None:
            self._learn(*last)
        if self.rows < 3 or not self._intervals:
            raise RecordingError(f"recording {self._table.path.name}: {self.rows} rows of numbers, at least 3 are needed")
        for channel in self._table.channels():
            if self._bounds[channel][0] > self._bounds[channel][1]:
                title = next(c.title for c in self._table.columns if c.channel == channel)
                raise RecordingError(f"recording {self._table.path.name}: column {title}: not one number in it; leave the column out")

    @property
    def interval_s(self) -> float:
        return float(np.median(np.concatenate(self._intervals)))

    def accuracy(self, channel: str, u_scale: float | None, u_zero: float | None) -> Accuracy:
        """Errors of a column. Its outermost values count as clipped only if they are readings of a full scale (see `_clipped`)."""
        step = self._step[channel] if math.isfinite(self._step[channel]) else 0.0
        quantum = step / math.sqrt(12.0)
        noise = max(float(np.median(self._noises[channel])) if self._noises[channel] else 0.0, quantum)
        return Accuracy(
            low=-math.inf,
            high=math.inf,
            u_scale=U_SCALE_UNKNOWN if u_scale is None else u_scale,
            u_zero=max(U_ZERO_UNKNOWN_OF_LARGEST * self._largest[channel], step) if u_zero is None else u_zero,
            u_line=quantum,
            noise=noise,
        )

    def notes(self) -> list[str]:
        notes = [f"{self.rows} rows, {1.0 / self.interval_s:.4g} a second"]
        steps = np.concatenate(self._intervals)
        jitter = float(np.median(np.abs(steps - self.interval_s)))
        if jitter > 0.01 * self.interval_s:
            notes.append(f"time between rows varies (half of them by more than {jitter * 1e6:.3g} us)")
        if self._timeline.spread:
            notes.append(f"{self._timeline.spread} rows repeat the time of the row before: spread evenly")
        if self._timeline.dropped:
            notes.append(f"{self._timeline.dropped} rows dropped: time goes back or is missing there")
        if self._gap_rows:
            notes.append(f"{self._gap_rows} empty cells: gaps, over which nothing is joined")
        if self.interval_s > 1e-3:
            notes.append("fewer than 1000 rows a second: bounce and inrush can't be seen")
        return notes


def _smallest_step(values: Array) -> float:
    """Smallest distance between distinct values, rounding noise aside; infinite if all are equal."""
    distinct = np.unique(values)
    steps = np.diff(distinct)
    steps = steps[steps > 1e-9 * max(float(np.abs(distinct).max()), 1e-30)]
    return float(steps.min()) if len(steps) else math.inf


def _noise(values: Array) -> float:
    """Standard deviation of one sample's noise, from second differences, so that slopes and steps do not count."""
    bend = values[2:] - 2.0 * values[1:-1] + values[:-2]
    return float(np.median(np.abs(bend))) / (0.6745 * math.sqrt(6.0))
