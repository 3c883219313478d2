"""The head of a recording: where its numbers stand, how they are written, what they are. Reads the first lines of the file."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

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
MAIN = ("i_load", "v_in", "v_out", "v_drop")
_PREAMBLE_LINES = 200


class RecordingError(Exception):
    """A recording that can't be read. One line: which file, which line and column, what came, what is allowed."""


@dataclass(frozen=True)
class Column:
    channel: str
    factor: float
    place: int
    title: str


@dataclass(frozen=True)
class Table:
    """Where the numbers stand in the file, and how they are written."""

    path: Path
    encoding: str
    header_line: int
    separator: str
    decimal: str
    width: int
    columns: tuple[Column, ...]

    @property
    def name(self) -> str:
        """The recording, for messages."""
        return f"recording {self.path.name}"

    def turned_round(self, channels: Iterable[str]) -> Table:
        """The same, with the sign of these channels turned."""
        turned = frozenset(channels)
        return replace(self, columns=tuple(replace(c, factor=-c.factor) if c.channel in turned else c for c in self.columns))

    def channels(self) -> tuple[str, ...]:
        return tuple(c.channel for c in self.columns if c.channel != "time")


def open_table(path: Path, names: Mapping[str, str]) -> Table:
    lines, encoding = _head(path)
    for number, line in enumerate(lines, 1):
        separator = _separator(line)
        cells = [part.strip().strip('"') for part in line.split(separator)]
        titles = [names.get(cell, cell) for cell in cells]
        if any(_split_title(title) == ("time", unit) for title in titles for unit in _TIME):
            for name in names.keys() - set(cells):
                raise RecordingError(f"recording {path.name}: no column {name!r} to rename; its columns are {', '.join(cells)}")
            columns = tuple(_columns(path, number, titles))
            decimal = "." if separator == "," else _decimal(lines[number:], separator)
            return Table(path, encoding, number, separator, decimal, len(titles), columns)
    raise RecordingError(
        f"recording {path.name}: no header with a time column in the first {len(lines)} lines, "
        "wanted for example time_s,i_load_A,v_in_V,v_out_V"
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


def _columns(path: Path, line: int, titles: list[str]) -> Iterator[Column]:
    where = f"recording {path.name}: line {line}"
    seen: set[str] = set()
    for place, title in enumerate(titles):
        parts = _split_title(title)
        if parts is None:
            bare = title.strip().lower()
            if bare in CHANNEL_UNITS:
                example = f"{bare}_{next(iter(CHANNEL_UNITS[bare]))}"
                raise RecordingError(f"{where}, column {title}: no unit in its name, wanted for example {example}")
            continue
        channel, unit = parts
        if unit not in CHANNEL_UNITS[channel]:
            raise RecordingError(f"{where}, column {title}: unit {unit!r}, allowed: {', '.join(CHANNEL_UNITS[channel])}")
        if channel in seen:
            raise RecordingError(f"{where}, column {title}: a second column of {channel}, one is allowed")
        seen.add(channel)
        yield Column(channel, CHANNEL_UNITS[channel][unit], place, title.strip())
    if not seen - {"time"}:
        channels = ", ".join(list(CHANNEL_UNITS)[1:])
        raise RecordingError(f"{where}: nothing but time, wanted at least one of {channels} with a unit")


def column_notes(table: Table) -> Iterator[str]:
    ignored = table.width - len(table.columns)
    if ignored:
        yield f"{ignored} column{'s' if ignored > 1 else ''} of the file not used"
    for channel in ("v_in", "v_out", "i_load"):
        if channel not in table.channels():
            yield f"{channel}: not in the file; what needs it is not measured"


