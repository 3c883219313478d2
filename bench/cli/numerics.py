"""What numpy's library of linear algebra needs of this machine, seen to before it is imported.

Where it gets no memory, or no thread, it ends the process by itself: with exit code 1, as if a unit were not good, or as if Ctrl-C had been
pressed; and it asks for memory again in the middle of a test.
"""

from __future__ import annotations

import mmap
import os

NEEDED_MB = 192
"""Address space: a test takes 155 MB of it, the judging of a recording 160 MB (measured on Linux, one thread)."""


def use_one_thread() -> None:
    """Have one thread do all; a least-squares fit of forty points needs no more."""
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")


def lacking_memory() -> str:
    """Return why there is too little memory, in one line; empty if there is enough."""
    try:
        mmap.mmap(-1, NEEDED_MB << 20).close()
    except (OSError, ValueError, MemoryError):
        return f"there is too little memory: {NEEDED_MB} MB are needed; end other programs, or raise the limit (ulimit -v)"
    return ""
