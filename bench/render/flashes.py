"""The flashes of all runs of a record as rows, for tables and CSV; units stand in the names of the columns."""

from __future__ import annotations

import csv
from collections.abc import Iterator
from io import StringIO

from bench.measure.flash_table import COLUMNS
from bench.record import TestRecord

TITLES = ("run", "flash", *COLUMNS)
"""The run's name, the number of the flash in it, and what was read of it."""


def flash_rows(record: TestRecord) -> Iterator[tuple[str | float | None, ...]]:
    """Yield a row for each flash, under TITLES; None where something was not read."""
    for step in record.steps:
        flashes = step.flashes
        columns = (getattr(flashes, name) for name in COLUMNS)
        for number, values in enumerate(zip(*columns, strict=True), flashes.first):
            yield step.name, number, *values


def flashes_csv(record: TestRecord) -> str:
    """Return the rows as CSV (RFC 4180 with plain line ends), in SI units; an empty cell where something was not read."""
    out = StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(TITLES)
    writer.writerows(flash_rows(record))
    return out.getvalue()
