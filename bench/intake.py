"""An edge: the one way in for files that people name. Only regular files are read, and of each kind only so much.

A device, a FIFO or a socket is refused before it is opened, so that none is waited for; a file that changes into one, or grows while it is
read, is found out too. Text is UTF-8, with or without a byte order mark; lines may end as on any system.
"""

from __future__ import annotations

import os
import stat
from pathlib import Path
from typing import BinaryIO

from bench.errors import IntakeError

SETTINGS_MB = 0.25
"""Limit sets, procedures, banks, instruments, grade rules, parts, choices: the longest that is shipped has 0.01 MB."""
RECORD_MB = 10.0
"""A record in JSON: 0.1 kB for each flash, so that this holds a day of them."""
STANDARD_MB = 20.0
"""The readings of a kept standard, 1 kB each."""
RECORDING_MB = 2000.0
"""A recording made elsewhere or a capture, which are read piece by piece: an hour of a board's stream is 0.4 GB."""

_KINDS = (
    (stat.S_ISDIR, "a folder"),
    (stat.S_ISFIFO, "a pipe"),
    (stat.S_ISSOCK, "a socket"),
    (stat.S_ISBLK, "a device"),
    (stat.S_ISCHR, "a device"),
)
_MOST_BRACKETS = 200_000  # a list takes 60 bytes of memory for each of its own: 20 MB of brackets alone take 1 GB


def kind_of(mode: int) -> str:
    """Return what a file of this mode is, where it is not a regular one; else an empty text."""
    if stat.S_ISREG(mode):
        return ""
    return next((text for is_kind, text in _KINDS if is_kind(mode)), "no regular file")


def open_file(path: str | Path, most_mb: float) -> BinaryIO:
    """Open a regular file of at most `most_mb` megabytes (10^6 bytes) for reading. IntakeError says why it is not."""
    try:
        _check(os.stat(path), most_mb)
        number = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0) | getattr(os, "O_NOCTTY", 0))
        try:
            _check(os.fstat(number), most_mb)
            return os.fdopen(number, "rb")
        except BaseException:
            os.close(number)
            raise
    except OSError as error:
        raise IntakeError(error.strerror or str(error)) from error
    except ValueError as error:  # a zero byte, or half a surrogate pair
        raise IntakeError("no file can have this name") from error


def read_bytes(path: str | Path, most_mb: float) -> bytes:
    """Return the whole content of a regular file. IntakeError if it can't be read, or is larger."""
    most = int(most_mb * 1e6)
    with open_file(path, most_mb) as file:
        try:
            content = file.read(most + 1)
        except OSError as error:
            raise IntakeError(error.strerror or str(error)) from error
    # Some files do not say how large they are, and some grow.
    _check_size(len(content), most_mb)
    return content


def read_text(path: str | Path, most_mb: float) -> str:
    """Return the whole text of a file in UTF-8, without its byte order mark; lines end with a line feed. IntakeError as `read_bytes`."""
    try:
        text = read_bytes(path, most_mb).decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise IntakeError(f"not UTF-8 text (byte {error.start})") from error
    return text.replace("\r\n", "\n").replace("\r", "\n")


def read_json_text(path: str | Path, most_mb: float) -> str:
    """Return the text of a JSON file, as `read_text`, but none that would take many times its size: IntakeError for too many lists and
    objects."""
    text = read_text(path, most_mb)
    if text.count("[") + text.count("{") > _MOST_BRACKETS:
        raise IntakeError(f"there are more than {_MOST_BRACKETS} lists and objects in it")
    return text


def _check(found: os.stat_result, most_mb: float) -> None:
    kind = kind_of(found.st_mode)
    if kind:
        raise IntakeError(f"it is {kind}, not a file")
    _check_size(found.st_size, most_mb)


def _check_size(size: int, most_mb: float) -> None:
    if size > most_mb * 1e6:
        raise IntakeError(f"it is larger than {most_mb:g} MB, the most that is read of such a file")
