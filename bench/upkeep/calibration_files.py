"""Calibrations as they are kept: a dated file each, whose check sum shows damage and edits, and which says what the board has of it."""

from __future__ import annotations

import json
import os
import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from bench.board_identity import model_and_serial
from bench.description.parsing import LARGEST, SCALES
from bench.errors import IntakeError, TableError
from bench.intake import RECORD_MB, read_bytes
from bench.keeping import make_folder, write_new
from bench.record_sum import KEY, sum_of
from bench.typed_json import encode, loads
from bench.upkeep.calibrate import Calibration

CALIBRATION_FORMAT = 2
_SCHEMA = f"makebreak-calibration-{CALIBRATION_FORMAT}"
_STORED = "stored_in_board"
_WORDS: Mapping[bool | None, bytes] = {False: b"false", None: b"null ", True: b"true "}
_NUMBER = r"-?\d+(?:\.\d+)?(?:E[-+]?\d+)?"
_LINE = re.compile(rf"CAL:CLE|CAL:RANG [a-z_]+(?:,{_NUMBER}){{6}}|CAL:CLOC {_NUMBER},{_NUMBER}|CAL:DATE \d{{8}}")
_LINES_MOST = 100


@dataclass(frozen=True, slots=True)
class KeptCalibration:
    """What a board is told of a kept calibration: `board` is its reply to *IDN?, `date` the day as a number such as 20261125. `stored`:
    whether the board has it; None if that was never confirmed."""

    board: str
    date: int
    lines: tuple[str, ...]
    stored: bool | None


def keep_calibration(folder: Path, calibration: Calibration, when: str, software: str) -> Path:
    """Write a new file in `folder`, named for the board's serial number and the time, which says that the board has nothing of it yet.

    TableError if it can't be written.
    """
    serial = "".join(c for c in calibration.board.split(",")[2] if c.isalnum())
    stamp = "".join(c for c in when[:19] if c.isalnum())
    path = folder / f"{serial}-{stamp}.json"
    content: dict[str, Any] = {"schema": _SCHEMA, "format": CALIBRATION_FORMAT, "when": when, "software": software}
    content |= encode(calibration)
    content = {KEY: sum_of(json.dumps(content, allow_nan=False)), _STORED: False, **content}
    make_folder(folder)
    try:
        write_new(path, json.dumps(content, indent=2, allow_nan=False) + "\n")
    except FileExistsError as error:
        raise TableError(f"keeping the calibration in {path}: there is one already") from error
    except OSError as error:
        path.unlink(missing_ok=True)
        raise TableError(f"keeping the calibration in {path}: {error.strerror or error}; name a folder that can be written") from error
    return path


def read_calibration(path: Path) -> KeptCalibration:
    """Read back a kept calibration. TableError for what is none of this version's, is not as it was written, or makes no sense."""
    doing = f"reading the calibration {path}"
    try:
        content = loads(read_bytes(path, RECORD_MB))
        if not isinstance(content, dict) or not str(content.get("schema", "")).startswith("makebreak-calibration-"):
            raise ValueError("it is no calibration of this program")
        if content.get("format") != CALIBRATION_FORMAT:
            raise ValueError(f"it has format {content.get('format')!r}, this version reads {CALIBRATION_FORMAT}; calibrate the board again")
        stored = content.pop(_STORED)
        if sum_of(json.dumps(content)) != content[KEY]:
            raise ValueError("its check sum does not fit: it was damaged or edited; calibrate the board again")
        board, date, lines = content["board"], content["date"], tuple(content["lines"])
        sensible = isinstance(board, str) and type(date) is int and board.count(",") >= 3 and stored in (True, False, None)
        if not sensible or not 0 < len(lines) <= _LINES_MOST or not all(isinstance(line, str) and _LINE.fullmatch(line) for line in lines):
            raise ValueError("it does not say what a board is to be told")
        _check_order(lines, date)
        for line in lines:
            _check_numbers(line)
    except (IntakeError, ValueError, KeyError, TypeError) as error:
        why = f"it has no {error}" if isinstance(error, KeyError) else str(error)
        raise TableError(f"{doing}: {why}") from error
    return KeptCalibration(board, date, lines, stored)


def newest_of(folder: Path, board: str) -> Path | None:
    """Return the newest file in `folder` that is a calibration of the board which answers `board` to *IDN?; None if there is none. What
    can't be read is passed over."""
    found = []
    for path in folder.glob("*.json"):
        try:
            kept = read_calibration(path)
        except TableError:
            continue
        if model_and_serial(kept.board) == model_and_serial(board):
            found.append((kept.date, path.name, path))  # the name says the time of the day
    return max(found)[-1] if found else None


def _check_order(lines: tuple[str, ...], date: int) -> None:
    """Raise ValueError unless a board is told to forget, then each range once, the clock at most once, then the day of the file, a real
    one."""
    headers = [line.partition(" ")[0] for line in lines]
    places = [line.split(",")[:2] for line in lines if line.startswith("CAL:RANG ")]
    each_once = all(places.count(place) == 1 for place in places) and headers.count("CAL:CLOC") <= 1
    ends = (headers[0], headers[-1]) == ("CAL:CLE", "CAL:DATE") and headers.count("CAL:CLE") == headers.count("CAL:DATE") == 1
    if not (ends and places and each_once):
        raise ValueError("a board is told CAL:CLE first, then each range and the clock once, and CAL:DATE last; this says something else")
    if lines[-1] != f"CAL:DATE {date}":
        raise ValueError(f"it is of the day {date}, and would say {lines[-1]}")
    datetime.strptime(str(date), "%Y%m%d")


def _check_numbers(line: str) -> None:
    """Raise ValueError for a scale or an uncertainty that no board can have."""
    if not line.startswith("CAL:RANG "):
        return
    _, scale, *uncertainties = line.split(",")[2:]
    if not SCALES[0] <= float(scale) <= SCALES[1]:
        raise ValueError(f"a scale of {scale} in {line!r}, from {SCALES[0]:g} to {SCALES[1]:g} is allowed")
    for u in uncertainties:
        if not 0.0 <= float(u) <= LARGEST:
            raise ValueError(f"an uncertainty of {u} in {line!r}, from 0 to {LARGEST:g} is allowed")


def mark_stored(path: Path, stored: bool | None) -> None:
    """Have the file of a calibration say whether the board has it; None: it was told to store it, and has not confirmed that.

    In place and no longer than before, so that a full disk can't prevent it. TableError if it can't be written.
    """
    try:
        with path.open("r+b", buffering=0) as file:
            found = re.search(rf'"{_STORED}": (?:{"|".join(word.decode() for word in _WORDS.values())})'.encode(), file.read())
            if found is None:
                raise ValueError(f"there is no {_STORED} in it any more")
            file.seek(found.end() - len(_WORDS[stored]))
            file.write(_WORDS[stored])
            os.fsync(file.fileno())
    except (OSError, ValueError) as error:
        has = "the board has stored it all the same" if stored else "nothing was stored in the board"
        raise TableError(f"noting in {path} what the board has stored: {getattr(error, 'strerror', None) or error}; {has}") from error
