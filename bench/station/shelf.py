"""Where a station keeps its tests: a folder for each day, a record and a capture for each test."""

from __future__ import annotations

from pathlib import Path

from bench.session.kept_test import KeptTest

_LONGEST = 40


def new_place(folder: Path | None, unit: str, when: str) -> KeptTest:
    """Return a place for a test that begins at `when` (ISO 8601, with the local offset). Nothing is ever written over."""
    if folder is None:
        return KeptTest()
    day = folder / when[:10]
    name = f"{when[11:19].replace(':', '')}-{file_name(unit)}"
    try:
        day.mkdir(parents=True, exist_ok=True)
        for number in range(1, 1000):
            stem = day / (name if number == 1 else f"{name}-{number}")
            record_path, capture_path = stem.with_name(f"{stem.name}.json"), stem.with_name(f"{stem.name}.capture")
            if record_path.exists():
                continue
            try:
                # Each piece is written at once anyway: a killed program must lose nothing.
                file = capture_path.open("xb", buffering=0)
            except FileExistsError:
                continue
            return KeptTest(record_path, capture_path, file)
    except OSError as error:
        return KeptTest(problem=f"keeping tests in {day}: {error.strerror or error}; nothing of this test is kept")
    return KeptTest(problem=f"keeping tests in {day}: there are a thousand {name} already")


def file_name(unit: str) -> str:
    """Return a unit's number as part of a file name: letters, digits, - and _ stay, the rest becomes -."""
    return "".join(c if c.isascii() and (c.isalnum() or c in "-_") else "-" for c in unit)[:_LONGEST] or "unit"
