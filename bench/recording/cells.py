"""The cells of a recording: whole lines of text, piece by piece, and the numbers in them. Every piece is bounded."""

from __future__ import annotations

import io
import re
from collections.abc import Collection, Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from bench.samples import Array

if TYPE_CHECKING:
    import pandas as pd

PIECE = 1 << 20  # characters read together, and the longest line
_EMPTY = ["nan", "NaN", "NAN", "NA", "N/A", "n/a", "null", "-", "--"]
# No instrument reads so much: 9.9E37 stands for "beyond the range" (IEEE 488.2 and SCPI), and files have it and others like it. (The
# largest number that means something is a time in ns since 1970, 2e18.)
_BEYOND = 1e20
# Smaller ones are 0, in any unit: products of such numbers are no numbers any more.
_NOTHING = 1e-30
_MARK = re.compile(
    r"(?P<sign>[-+]?)\s*(?P<word>OL|O\.L|OFL|OVLD|OVF|OVRNG|OVER|UNDER|OVERLOAD|OVERFLOW|OVERRANGE|INF|1\.#INF)", re.IGNORECASE
)
_REMARK = re.compile(r"(?m)^[ \t]*(?:#.*)?$")
_UNCLOSED = re.compile(r'(?m)^[^"\n]*"(?:[^"\n]*"[^"\n]*")*[^"\n]*$')


class BadCells(Exception):
    """What stands in line `line` can't be read."""

    def __init__(self, line: int, text: str) -> None:
        super().__init__(text)
        self.line, self.text = line, text


def pieces(path: Path, encoding: str, skip: int) -> Iterator[tuple[int, str]]:
    """Yield the lines after the first `skip`, whole and some thousands together, each time with the number of the first of them."""
    with path.open(encoding=encoding, errors="replace") as file:
        for _ in range(skip):
            file.readline()
        line, rest = skip + 1, ""
        while chunk := rest + file.read(PIECE):
            if "\0" in chunk:
                raise BadCells(line + chunk.split("\0", 1)[0].count("\n"), "a zero byte: the file is damaged, or no text")
            if len(chunk) - len(rest) < PIECE:
                yield line, chunk
                return
            whole, cut, rest = chunk.rpartition("\n")
            if not cut:
                raise BadCells(line, f"more than {PIECE} characters, too long for a row of numbers")
            yield line, whole
            line += whole.count("\n") + 1


class Grid:
    """Pieces of text in, the wanted columns out, one verb: `read`.

    `numbers` are the places of columns of numbers (NaN where there is none, infinite beyond the instrument's range), `texts` of columns
    left as text; a row may not have more than `width` cells.
    """

    def __init__(self, separator: str, decimal: str, width: int, numbers: Collection[int], texts: Collection[int]) -> None:
        self._separator, self._decimal, self._width = separator, decimal, width
        self._numbers, self._texts = frozenset(numbers), frozenset(texts)

    def read(self, line: int, text: str, titles: dict[int, str]) -> pd.DataFrame:
        """Return the rows of a piece whose first line is `line`. Raises BadCells; `titles` are the columns' for its messages."""
        if '"' in text and (unclosed := _UNCLOSED.search(text)):
            raise BadCells(line + text.count("\n", 0, unclosed.start()), 'a quotation mark (") that is not closed')
        # What is left of blank lines and remarks is empty, and passed over; the lines keep their numbers.
        text = _REMARK.sub("", text)
        try:
            frame = self._parse(text, as_found=False)
        except ValueError:
            try:
                frame = self._parse(text, as_found=True)
            except ValueError as error:
                raise BadCells(line, f"no rows of cells from here on: {' '.join(str(error).split())}") from error
            for place in self._numbers:
                if frame[place].dtype.kind not in "if":
                    frame[place] = self._converted(frame[place], place, line, text, titles)
        extra = frame[self._width].notna().to_numpy()
        if extra.any():
            at, row = _line_of(int(extra.argmax()), line, text)
            comma = " (decimal commas need semicolons or tabs between the columns)" if self._separator == "," else ""
            raise BadCells(at, f"{row.count(self._separator) + 1} cells, the header has {self._width}{comma}")
        for place in self._numbers:
            values = frame[place].to_numpy(dtype=np.float64)
            values = np.where(np.abs(values) >= _BEYOND, np.copysign(np.inf, values), values)
            frame[place] = np.where(np.abs(values) < _NOTHING, 0.0, values)
        return frame

    def _parse(self, text: str, as_found: bool) -> pd.DataFrame:
        import pandas as pd

        wanted = self._numbers | self._texts
        kinds: dict[int, type] = {place: str for place in self._texts}
        if not as_found:
            kinds |= dict.fromkeys(self._numbers, np.float64)
        # A full row before the others, taken off again: pandas needs to see each of the columns once.
        full = self._separator.join(["0"] * (self._width + 1))
        frame = pd.read_csv(
            io.StringIO(f"{full}\n{text}"),
            sep=self._separator,
            decimal=self._decimal,
            header=None,
            names=list(range(self._width + 1)),
            usecols=sorted(wanted | {self._width}),
            dtype={**kinds, self._width: str},
            na_values=_EMPTY,
            skipinitialspace=True,
            index_col=False,
            low_memory=False,
        )
        return frame.iloc[1:].reset_index(drop=True)

    def _converted(self, cells: pd.Series, place: int, line: int, text: str, titles: dict[int, str]) -> Array:
        """Return numbers, and marks of a reading beyond the range, of a column in which not all are plain numbers."""
        import pandas as pd

        missing, texts = cells.isna().to_numpy(), cells.astype(str).str.strip()
        plain = texts if self._decimal == "." else texts.str.replace(self._decimal, ".", regex=False)
        values = np.array(pd.to_numeric(plain, errors="coerce"), dtype=np.float64)
        other = np.isnan(values) & ~missing & (texts != "").to_numpy()
        marks = texts[other]
        known = {}
        for cell in marks.unique():
            mark = _MARK.fullmatch(cell)
            if mark is None:
                at = _line_of(int(np.flatnonzero(other)[(marks == cell).to_numpy().argmax()]), line, text)[0]
                raise BadCells(at, f"column {titles[place]}: {_short(cell)!r} is not a number")
            known[cell] = -np.inf if mark["sign"] == "-" or mark["word"].upper() == "UNDER" else np.inf
        values[other] = marks.map(known)
        return values


def row_line(row: int, line: int, text: str) -> int:
    """Return the number of the line in which row `row` of a piece stands."""
    return _line_of(row, line, _REMARK.sub("", text))[0]


def _line_of(row: int, line: int, text: str) -> tuple[int, str]:
    filled = [(number, content) for number, content in enumerate(text.split("\n"), line) if content]
    return filled[min(row, len(filled) - 1)]


def _short(cell: str) -> str:
    return cell if len(cell) <= 40 else cell[:39] + "…"
