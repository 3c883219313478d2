"""Files written whole or not at all, whether the disk is full or the program is killed."""

from __future__ import annotations

import contextlib
import os
import re
import secrets
import time
from pathlib import Path

from bench.errors import TableError

_PART = re.compile(r"\.[0-9a-f]{16}\.part")
_LEFT_S = 3600.0  # a part is written in seconds: one so old was left by a program that was killed meanwhile


def write_whole(path: Path, content: str | bytes) -> None:
    """Write the whole content or nothing: a full disk or a kill leaves what stood there before, never half a record.

    OSError if it can't be written, also where something stands that is no ordinary file: a device, a folder, a symbolic link. A hidden part
    that a kill may leave is removed by a later write in the same folder.
    """
    if path.is_symlink():
        raise OSError("it is a symbolic link, which would be replaced; name the file that it leads to")
    if path.exists() and not path.is_file():
        raise OSError("it is no ordinary file; name one, or one that is not there yet")
    _clear_parts(path.parent)
    part = path.with_name(f".{secrets.token_hex(8)}.part")
    try:
        write_new(part, content)
        part.replace(path)
    except BaseException:
        part.unlink(missing_ok=True)
        raise


def _clear_parts(folder: Path) -> None:
    """Remove what killed programs have left of files that they were writing in this folder; what can't be removed stays, without a word."""
    with contextlib.suppress(OSError), os.scandir(folder) as entries:
        for entry in entries:
            if _PART.fullmatch(entry.name) and entry.is_file(follow_symlinks=False):
                with contextlib.suppress(OSError):
                    if time.time() - entry.stat(follow_symlinks=False).st_mtime > _LEFT_S:
                        os.unlink(entry.path)


def write_new(path: Path, content: str | bytes) -> None:
    """Write a file that was not there before; it is on the disk when this returns."""
    with path.open("xb") as file:
        file.write(content.encode() if isinstance(content, str) else content)
        file.flush()
        os.fsync(file.fileno())


def make_folder(folder: Path) -> None:
    """See that the folder is there, before any work is done whose result could not be kept. TableError if it can't be had."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise TableError(f"keeping files in {folder}: {error.strerror or error}; name a folder that can be written") from error
