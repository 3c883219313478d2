"""Errors in this program itself: one line for people, the traceback in a log file, and an exit code that says nothing of a unit."""

from __future__ import annotations

import os
import sys

from bench.cli.exit_codes import PROGRAM
from bench.cli.streams import is_closed_terminal, say_error
from bench.plain import one_line, plain_text, shortened
from bench.terminal import STDERR
from bench.version import __version__

TYPE_CHECKING = False
if TYPE_CHECKING:
    from pathlib import Path

LOG_NAME = "makebreak.log"
LARGEST_LOG = 1_000_000
"""Bytes: a log that has grown beyond it becomes `makebreak.log.1`, in place of the one before."""
_LONGEST_ENTRY = 200_000


def report(doing: str, error: BaseException) -> None:
    """Say in one line what went wrong while `doing`, and where the traceback is. Never raises."""
    try:
        kept = _keep(doing, error)
    except BaseException as problem:
        kept = f"no log file could be written ({_text(problem)})"
    say_error(f"{doing}: an error in this program: {_text(error)}; {kept}")


def watch(doing: str) -> None:
    """Report errors that no caller can see too (in threads, in finalizers, as the interpreter ends), and leave with PROGRAM after one.

    What a test was broken off by is reported; the test leaves with its own code. Warnings are not shown.
    """
    import atexit
    import logging
    import threading
    import warnings

    if not sys.warnoptions:
        # What libraries warn of (an overflow in numbers that are refused later) is for developers, who ask for it with -W.
        warnings.simplefilter("ignore")
    seen: list[BaseException] = []

    def note(where: str, error: BaseException | None) -> None:
        # A Ctrl-C that comes up here is no error, and is not lost (bench.stopping). Nor is it one that a window was closed, which the
        # screen's library notices in a thread of its own.
        expected = isinstance(error, SystemExit | KeyboardInterrupt) or is_closed_terminal(error, STDERR)
        if error is not None and not expected:
            seen.append(error)
            report(f"{doing}, {where}", error)

    def leave() -> None:
        if seen:
            for stream in (sys.stdout, sys.stderr):
                try:
                    stream.flush()
                except (OSError, ValueError):
                    continue
            os._exit(PROGRAM)

    class Reporter(logging.Handler):
        def emit(self, record: logging.LogRecord) -> None:
            if record.exc_info and record.exc_info[1] is not None:
                report(doing, record.exc_info[1])

    logging.getLogger("bench").addHandler(Reporter(logging.ERROR))
    threading.excepthook = lambda args: note("in a thread", args.exc_value)
    sys.unraisablehook = lambda args: note("in what nothing waits for", args.exc_value)
    # The first that is registered is the last that is called.
    atexit.register(leave)


def log_path() -> Path:
    """Return the file that keeps the details of errors in this program."""
    from platformdirs import user_log_path

    return user_log_path("makebreak", appauthor=False) / LOG_NAME


def _keep(doing: str, error: BaseException) -> str:
    """Append to the log, and return where that is."""
    import stat
    import traceback
    from datetime import UTC, datetime

    path = log_path()
    trace = shortened(plain_text("".join(traceback.format_exception(error))), _LONGEST_ENTRY)
    command = one_line(shortened(" ".join(sys.argv[1:]), 1000))
    when = datetime.now(UTC).astimezone().isoformat(timespec="seconds")
    path.parent.mkdir(parents=True, exist_ok=True)
    if path.exists():
        if not stat.S_ISREG(path.stat().st_mode):
            raise OSError(f"{path} is no regular file")
        if path.stat().st_size > LARGEST_LOG:
            path.replace(path.with_name(f"{LOG_NAME}.1"))
    with path.open("a", encoding="utf-8", errors="backslashreplace") as file:
        file.write(f"{when} makebreak {__version__}, {doing}: {command}\n{trace}\n")
    return f"details in {path}"


def _text(error: BaseException) -> str:
    try:
        said = str(error)
    except Exception:
        said = ""
    return f"{type(error).__name__}: {said}" if said else type(error).__name__
