"""The head of a recording, its first lines: where its numbers stand, how they are written, what they are."""

from __future__ import annotations

import codecs
import csv
import math
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from bench.errors import IntakeError, RecordingError
from bench.intake import RECORDING_MB, open_file
from bench.recording.layout import CHANNEL_UNITS, Column, FileLayout
from bench.recording.stamps import EPOCH_S, TimeColumn, is_stamp, stated_rate_hz

# Units as some files spell them out.
_SPELT = {"sec": "s", "second": "s", "seconds": "s", "volt": "V", "volts": "V", "amp": "A", "amps": "A", "ampere": "A", "°C": "degC"}
_HEAD_LINES = 200
_HEAD_BYTES = 1 << 18  # a header of 10,000 columns fits
_LINE = 100  # characters of names in one note
_SAME_RATE = 1e-3  # relative: an interval is written with few digits


@dataclass(frozen=True)
class _Head:
    """The first whole lines of a file."""

    path: Path
    encoding: str
    lines: tuple[str, ...]

    @property
    def name(self) -> str:
        return f"recording {self.path.name}"

    def row_after(self, number: int, separator: str) -> tuple[int, list[str]]:
        """Return the first line after line `number` that is no blank and no remark: its own number (0 if there is none), and its cells."""
        for later, line in enumerate(self.lines[number:], number + 1):
            if line.strip() and not line.lstrip().startswith("#"):
                return later, _cells(line, separator)
        return 0, []


def read_layout(path: Path, names: Mapping[str, str], rate_hz: float | None = None) -> FileLayout:
    """Return how to read the file. `names` renames columns first, `rate_hz` is the rate of a file without times. Raises RecordingError."""
    head = _head(path)
    _check_names(head, names)
    found = _header(head, names)
    if found is None:
        raise RecordingError(_no_header(head, names))
    number, separator, cells = found
    for name in names.keys() - set(cells):
        raise RecordingError(f"{head.name}: no column {name!r} to rename; its columns are {_cut(cells)}")
    titles = [names.get(cell, cell) for cell in cells]
    units_line, units = head.row_after(number, separator)
    if not _are_units(titles, units):
        units_line, units = 0, []
    columns = tuple(_columns(f"{head.name}: line {number}", titles, units))
    last = units_line or number
    first_row = head.row_after(last, separator)[1]
    decimal = "." if separator == "," else _decimal(head.lines[last:], separator)
    times = [c for c in columns if c.channel == "time"]
    if times:
        time = _time_column(f"{head.name}: line {number}", times[0], first_row, decimal, rate_hz)
    else:
        time = _at_a_rate(head, number, rate_hz)
    channels = tuple(c for c in columns if c.channel != "time")
    return FileLayout(path, head.encoding, last, separator, decimal, tuple(cells), channels, time)


def _head(path: Path) -> _Head:
    """Decode the first lines: UTF-8 with or without a byte order mark, or else Latin-1."""
    try:
        with open_file(path, RECORDING_MB) as file:
            raw = file.read(_HEAD_BYTES)
    except IntakeError as error:
        raise RecordingError(f"recording {path}: can't be opened: {error}") from error
    except OSError as error:
        raise RecordingError(f"recording {path}: can't be read: {error.strerror or error}") from error
    if b"\0" in raw:
        what = "it seems to be UTF-16" if raw[:2] in (b"\xff\xfe", b"\xfe\xff") else "zero bytes in it"
        raise RecordingError(f"recording {path.name}: not a text file ({what}), wanted comma-separated text in UTF-8")
    encoding = "utf-8-sig"
    try:
        codecs.getincrementaldecoder(encoding)().decode(raw, final=len(raw) < _HEAD_BYTES)
    except UnicodeDecodeError:
        encoding = "latin-1"
    lines = raw.decode(encoding, errors="replace").replace("\r\n", "\n").replace("\r", "\n").split("\n")
    # The last is empty, or cut.
    whole = lines if len(raw) < _HEAD_BYTES and lines[-1] else lines[:-1]
    return _Head(path, encoding, tuple(whole[:_HEAD_LINES]))


def _check_names(head: _Head, names: Mapping[str, str]) -> None:
    for old, new in names.items():
        if _split_title(new) is None and new.strip().lower() not in CHANNEL_UNITS:
            channels = ", ".join(f"{channel}_{next(iter(units))}" for channel, units in CHANNEL_UNITS.items())
            raise RecordingError(f"{head.name}: renaming {old!r} to {new!r}, which is no channel with a unit; there are {channels}")


def _header(head: _Head, names: Mapping[str, str]) -> tuple[int, str, list[str]] | None:
    """Return the number, separator and cells of the line that names the columns: the first with a time, else the first with a channel."""
    without_time = None
    for number, line in enumerate(head.lines, 1):
        separator = _separator(line)
        cells = _cells(line, separator)
        titles = [names.get(cell, cell) for cell in cells]
        with_unit = [parts for parts in map(_split_title, titles) if parts is not None]
        if any(channel == "time" and unit in CHANNEL_UNITS["time"] for channel, unit in with_unit):
            return number, separator, cells
        bare = {title.lower() for title in titles} & CHANNEL_UNITS.keys()
        if "time" in bare and (with_unit or len(bare) > 1):
            return number, separator, cells
        if without_time is None and (with_unit or bare - {"time", "temperature"}):
            without_time = number, separator, cells
    return without_time


def _no_header(head: _Head, names: Mapping[str, str]) -> str:
    cells = {cell for line in head.lines for cell in _cells(line, _separator(line))}
    for name in names.keys() - cells:
        return f"{head.name}: no column {name!r} to rename in its first {len(head.lines)} lines"
    where = f"the first {len(head.lines)} lines"
    if len(head.lines) < _HEAD_LINES and head.path.stat().st_size > _HEAD_BYTES:
        where += f" (of {_HEAD_BYTES // 1024} kB together)"
    return f"{head.name}: no header with a time column in {where}, wanted for example time_s,i_load_A,v_in_V,v_out_V"


def _separator(line: str) -> str:
    return max(";\t,", key=lambda s: (line.count(s) > 0, -";\t,".index(s)))


def _cells(line: str, separator: str) -> list[str]:
    if '"' not in line:
        return [cell.strip() for cell in line.split(separator)]
    try:
        (cells,) = csv.reader([line], delimiter=separator, skipinitialspace=True)
    except csv.Error:
        return []  # longer than any title
    return [cell.strip() for cell in cells]


def _decimal(lines: Sequence[str], separator: str) -> str:
    cells = [cell for line in lines if not line.startswith("#") for cell in line.split(separator)]
    return "," if any(re.fullmatch(r"\s*[-+]?\d*,\d+([eE][-+]?\d+)?\s*", cell) for cell in cells) else "."


def _split_title(title: str) -> tuple[str, str] | None:
    """Return the channel and unit of a column title such as `v_out_mV`, `v_out [mV]`, `V_out (mV)`; None if it is not one of ours."""
    match = re.fullmatch(r"(\w+?)(?:_|\s*[\[(/]\s*)([A-Za-zµμ]+)\s*[\])]?", title.strip())
    if match is None or match[1].lower() not in CHANNEL_UNITS:
        return None
    return match[1].lower(), _unit(match[2])


def _unit(text: str) -> str:
    """Return a unit as CHANNEL_UNITS has it, out of its brackets."""
    plain = text.strip().strip("[]()").strip().replace("µ", "u").replace("μ", "u")
    return _SPELT.get(plain, _SPELT.get(plain.lower(), plain))


def _are_units(titles: Sequence[str], cells: Sequence[str]) -> bool:
    """Return whether the row under the header holds units: a known one under a channel, and no number or time under any."""
    ours = [cell for title, cell in zip(titles, cells, strict=False) if _split_title(title) is not None or title.lower() in CHANNEL_UNITS]
    known = {unit for units in CHANNEL_UNITS.values() for unit in units}
    return any(_unit(cell) in known for cell in ours) and not any(re.search(r"\d", cell) for cell in ours)


def _columns(where: str, titles: Sequence[str], units: Sequence[str]) -> Iterator[Column]:
    """Yield the columns that are channels; the unit of a title without one stands in `units`. A time without a unit may be stamps: it is
    not used beside one with a unit."""
    seen: set[str] = set()
    has_numbers = any(_split_title(title) == ("time", unit) for title in titles for unit in CHANNEL_UNITS["time"])
    for place, title in enumerate(titles):
        bare = title.strip().lower()
        below = _unit(units[place]) if place < len(units) else ""
        parts = (bare, below) if bare in CHANNEL_UNITS else _split_title(title)
        if parts is None or (parts[0] == "time" and parts[1] not in CHANNEL_UNITS["time"] and has_numbers):
            continue
        channel, unit = parts
        if not unit and channel != "time":
            example = f"{channel}_{next(iter(CHANNEL_UNITS[channel]))}"
            raise RecordingError(f"{where}, column {title}: no unit in its name, wanted for example {example}")
        if unit not in CHANNEL_UNITS[channel] and channel != "time":
            raise RecordingError(f"{where}, column {title}: unit {unit!r}, allowed: {', '.join(CHANNEL_UNITS[channel])}")
        if bare not in CHANNEL_UNITS and below and below != unit:
            raise RecordingError(f"{where}, column {title}: the row under it says {below!r}; keep one of the two")
        if channel in seen:
            raise RecordingError(f"{where}, column {title}: a second column of {channel}, one is allowed")
        seen.add(channel)
        yield Column(channel, CHANNEL_UNITS[channel].get(unit, math.nan), place, title.strip())
    if not seen - {"time"}:
        channels = ", ".join(list(CHANNEL_UNITS)[1:])
        raise RecordingError(f"{where}: nothing but time, wanted at least one of {channels} with a unit")


def _time_column(where: str, column: Column, first_row: Sequence[str], decimal: str, rate_hz: float | None) -> TimeColumn:
    """Return how the column `column` tells time, by its first cell."""
    if rate_hz is not None:
        raise RecordingError(f"{where}, column {column.title}: the file tells its times; a rate is for files that have none")
    cell = first_row[column.place] if column.place < len(first_row) else ""
    if is_stamp(cell):
        return TimeColumn("stamp", column.place, title=column.title)
    if math.isnan(column.factor):
        raise RecordingError(f"{where}, column {column.title}: no unit of time, wanted for example time_s, or stamps like 12:00:01.25")
    try:
        since_1970 = abs(float(cell.replace(decimal, ".")) * column.factor) >= EPOCH_S
    except ValueError:
        since_1970 = False
    return TimeColumn("exact" if since_1970 else "number", column.place, column.factor, column.title)


def _at_a_rate(head: _Head, number: int, rate_hz: float | None) -> TimeColumn:
    """Return the time of a file without times: by the rate that was given, or else the one that its head states."""
    stated = stated_rate_hz(head.lines[: number - 1])
    rate = stated if rate_hz is None else rate_hz
    if rate is None:
        raise RecordingError(
            f"{head.name}: no header with a time column, and no rate of sampling stated before line {number}; wanted a column time_s, "
            "a line like 'sample rate: 10 kHz', or a rate given in Hz (--rate, rate_hz)"
        )
    if not 0.0 < rate < math.inf:
        raise RecordingError(f"{head.name}: a rate of {rate:g} Hz, wanted the rows a second")
    is_other = stated is not None and not math.isclose(stated, rate, rel_tol=_SAME_RATE)
    return TimeColumn("rate", factor=1.0 / rate, stated_hz=stated if is_other else None)


def _cut(names: Sequence[str]) -> str:
    """Return the names, as many as a line holds."""
    shown: list[str] = []
    length = 0
    for name in names:
        name = name if len(name) <= 30 else name[:29] + "…"
        length += len(name) + 2
        if length > _LINE:
            return f"{', '.join(shown)} and {len(names) - len(shown)} more"
        shown.append(name or "''")
    return ", ".join(shown)


def column_notes(layout: FileLayout) -> Iterator[str]:
    """Yield what was found about the columns, a sentence each."""
    used = {c.place for c in layout.columns} | {layout.time.place}
    ignored = [title for place, title in enumerate(layout.titles) if place not in used]
    if ignored:
        yield f"{len(ignored)} column{'s' if len(ignored) > 1 else ''} of the file not used: {_cut(ignored)}"
    if layout.time.kind == "rate":
        otherwise = "" if layout.time.stated_hz is None else f", as was asked; the file states {layout.time.stated_hz:g}"
        yield f"no time column: rows taken at {1.0 / layout.time.factor:g} a second{otherwise}"
    for channel in ("v_in", "v_out", "i_load"):
        if channel not in layout.channels():
            yield f"{channel}: not in the file; what needs it is not measured"
