"""The standard streams of a command. All that people read goes through them, and nothing leaves that a terminal might obey.

`PlainStream` stands in the place of `sys.stdout` and `sys.stderr` while a command runs, so that no line of the program has to think of it.
What the program itself draws on a terminal (colours, a line written over again) goes to `bare(stream)` and cleans its texts before.
"""

from __future__ import annotations

import errno
import os
import sys

from bench.errors import OutputClosed, OutputError
from bench.plain import one_line, plain_text, shortened
from bench.terminal import is_gone

TYPE_CHECKING = False
if TYPE_CHECKING:
    from collections.abc import Iterable
    from typing import Any, TextIO

LONGEST_LINE = 2000
"""Characters of a line of error: names and texts of 20 MB are cut in their middle."""


class Stream:
    """A text stream that says in this program's words when it takes no more; one that is not `needed` (progress, errors) says nothing."""

    def __init__(self, stream: TextIO, needed: bool) -> None:
        self.beneath = stream
        self.needed = needed

    def write(self, text: str) -> int:
        """Write text to the stream beneath; an error of it is noted or raised as this stream's own."""
        try:
            self.beneath.write(text)
        except (OSError, ValueError) as error:
            self._failed(error)
        return len(text)

    def writelines(self, lines: Iterable[str]) -> None:
        """Write these lines one after another."""
        for line in lines:
            self.write(line)

    def flush(self) -> None:
        """Flush the stream beneath."""
        try:
            self.beneath.flush()
        except (OSError, ValueError) as error:
            self._failed(error)

    def __getattr__(self, name: str) -> Any:
        return getattr(self.beneath, name)

    def _failed(self, error: OSError | ValueError) -> None:
        if not self.needed:
            return
        if isinstance(error, BrokenPipeError) or is_closed_terminal(error, self.beneath):
            raise OutputClosed from None
        raise OutputError(error.strerror if isinstance(error, OSError) and error.strerror else str(error)) from error


def is_closed_terminal(error: BaseException | None, stream: TextIO | int) -> bool:
    """Return whether this error is that of a terminal which was closed, behind this stream or file descriptor, and not of a disk."""
    try:
        number = stream if isinstance(stream, int) else stream.fileno()
        return isinstance(error, OSError) and error.errno == errno.EIO and is_gone(number)
    except (OSError, ValueError):
        return False  # a stream in memory, or none any more


class PlainStream(Stream):
    """A stream that writes text through `plain_text`."""

    def write(self, text: str) -> int:
        """Write text without anything that a terminal might obey."""
        super().write(plain_text(text))
        return len(text)

    @property
    def bare(self) -> Stream:
        """Return the stream that passes text on as it is."""
        return Stream(self.beneath, self.needed)


def plain_stream(stream: TextIO, needed: bool) -> TextIO:
    """Return `stream` made plain. A label may hold what this terminal cannot show: that is replaced. Never raises."""
    try:  # noqa: SIM105  # to import contextlib takes a while
        stream.reconfigure(errors="replace")  # type: ignore[attr-defined]
    except (AttributeError, OSError, ValueError):
        pass  # what stands for a stream, or one that takes nothing: that shows when something is written
    return PlainStream(stream, needed)  # type: ignore[return-value]  # a stream in all that is asked of it


def bare(stream: TextIO) -> TextIO:
    """Return what takes a terminal's own commands too: for those who clean their texts themselves."""
    return stream.bare if isinstance(stream, PlainStream) else stream  # type: ignore[return-value]


def say_error(text: str) -> None:
    """Print one line on the standard error, whatever `text` holds."""
    print(shortened(one_line(shortened(text, 4 * LONGEST_LINE)), LONGEST_LINE), file=sys.stderr)


def give_up_output() -> None:
    """Let nothing more be written to a standard output that takes no more: the interpreter would try when it ends, and leave with 120."""
    try:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    except (OSError, ValueError):
        return
