"""Disks that take no more: real ones, as far as a process can make them for itself, and one that counts."""

from __future__ import annotations

import contextlib
import errno
import os
import resource
from collections.abc import Iterator
from pathlib import Path

import pytest

from bench import keeping


@contextlib.contextmanager
def longest_file(size: int) -> Iterator[None]:
    """The system takes no byte beyond `size` of any file: what is written is short, or refused."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


@contextlib.contextmanager
def disk_of(folder: Path, size: int, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """A disk on which all files of the folder together have this much room."""
    write_new = keeping.write_new

    def write(path: Path, content: str | bytes) -> None:
        if sum(one.stat().st_size for one in folder.iterdir()) + len(content) > size:
            path.write_bytes(b"half")
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        write_new(path, content)

    with monkeypatch.context() as patch:
        patch.setattr(keeping, "write_new", write)
        yield
