"""The real program `makebreak screen` under a pseudo-terminal: started, typed to, looked at, and treated badly.

For tests and figures, on systems that have pseudo-terminals. All times are s of the machine's monotonic clock.
"""

from __future__ import annotations

import contextlib
import fcntl
import os
import pty
import queue
import select
import signal
import struct
import subprocess
import sys
import termios
import threading
import time
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Self

from reports.patience import Patience
from reports.seen_terminal import ANSWERS, SeenTerminal

LARGE, SMALL = (120, 40), (80, 24)
SOON_S = 30.0  # for what is waited for and not measured
_LARGEST_READ = 65536
_LOOK_S = 0.05
# The shell opens the terminal as the leader of a new session, and so makes it the one that its program belongs to.
_BEGIN = 'exec "$@" <"$0" >"$0" 2>"$0"'
_STATION, _TRACKER = b"spawn_main", b"resource_tracker"
Watcher = Callable[[float, SeenTerminal], None]


class NotSeen(AssertionError):
    """Something did not come onto the screen in time; with what was there instead."""


class RealScreen:
    """A screen for the board at `device` that keeps its tests in `keep`. `watcher` is told of every whole update that comes, and when."""

    def __init__(
        self,
        device: str,
        keep: Path,
        *options: str,
        size: tuple[int, int] = LARGE,
        environment: Mapping[str, str] | None = None,
        watcher: Watcher | None = None,
    ) -> None:
        self.keep = keep
        self._came_s = 0.0
        self.terminal = SeenTerminal(*size, None if watcher is None else lambda terminal: watcher(self._came_s, terminal))
        self._news = threading.Condition()
        self._reading = threading.Event()
        self._reading.set()
        self._closed = False
        self._master, slave = pty.openpty()
        fcntl.ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", size[1], size[0], 0, 0))
        name = os.ttyname(slave)
        usual = {key: value for key, value in os.environ.items() if key != "NO_COLOR" and not key.startswith("TEXTUAL")}
        usual |= {"TERM": "xterm-256color", "COLORTERM": "truecolor", "LC_ALL": "C.UTF-8"} | dict(environment or {})
        program = (sys.executable, "-m", "bench", "screen", device, "--keep", str(keep), *options)
        self.began_s = time.monotonic()
        self.process = subprocess.Popen(("sh", "-c", _BEGIN, name, *program), env=usual, start_new_session=True)
        self._slave: int | None = slave  # kept until the program has the terminal open
        # Reading waits for no drawing: a terminal that takes output late would be a display that has stopped responding.
        self._came: queue.SimpleQueue[tuple[float, bytes] | None] = queue.SimpleQueue()
        self._reader = threading.Thread(target=self._read_all, name="terminal", daemon=True)
        self._drawer = threading.Thread(target=self._draw_all, name="drawing", daemon=True)
        self._reader.start()
        self._drawer.start()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        """Nothing of it is left."""
        left = self.family()
        for pid in (self.process.pid, *left):
            with contextlib.suppress(ProcessLookupError):
                os.kill(pid, signal.SIGCONT)
                os.kill(pid, signal.SIGKILL)
        self.process.wait(120)
        self.close_terminal()

    # --- what comes

    def _read_all(self) -> None:
        try:
            self._read_until_closed()
        finally:
            self._came.put(None)

    def _read_until_closed(self) -> None:
        seen = b""
        while not self._closed:
            if not self._reading.wait(_LOOK_S):
                continue
            if not select.select([self._master], [], [], _LOOK_S)[0]:
                continue
            try:
                data = os.read(self._master, _LARGEST_READ)
            except OSError:
                return  # the program has let go of the terminal
            now_s = time.monotonic()
            if self._slave is not None:
                os.close(self._slave)
                self._slave = None
            seen = seen[-16:] + data
            for question, answer in ANSWERS:
                if question in seen:
                    os.write(self._master, answer)
                    seen = b""
            self._came.put((now_s, data))

    def _draw_all(self) -> None:
        while (came := self._came.get()) is not None:
            with self._news:
                self._came_s, data = came
                self.terminal.feed(data)
                self._news.notify_all()

    def until(self, sees: str | Callable[[SeenTerminal], bool], at_most_s: float = SOON_S) -> float:
        """Wait until this text is on the screen, or this holds of it; when what shows it came. NotSeen if it does not come."""
        holds = (lambda terminal: sees in terminal.text) if isinstance(sees, str) else sees
        patience = Patience(at_most_s)
        with self._news:
            while patience.is_left:
                if self._news.wait_for(lambda: holds(self.terminal), _LOOK_S):
                    return self._came_s
            raise NotSeen(f"{sees!r} did not come within {at_most_s:g} s; the screen shows:\n{self.terminal.text}")

    @property
    def text(self) -> str:
        with self._news:
            return self.terminal.text

    # --- what is done to it

    def press(self, keys: str) -> None:
        """Keys, or what a scanner sends, in one go."""
        os.write(self._master, keys.encode())

    def scan(self, number: str) -> None:
        self.press(number + "\r")

    def stop_taking(self) -> None:
        """A terminal that is blocked: what is written to it stays where it is."""
        self._reading.clear()

    def take_again(self) -> None:
        self._reading.set()

    def close_terminal(self) -> None:
        """The terminal's window is closed."""
        if self._closed:
            return
        self._closed = True
        self._reader.join()
        self._drawer.join()
        if self._slave is not None:
            os.close(self._slave)
        os.close(self._master)

    def ended(self, at_most_s: float = SOON_S) -> int:
        """Wait for the program to end: its exit code, negative for a signal."""
        patience = Patience(at_most_s)
        while self.process.poll() is None and patience.is_left:
            time.sleep(_LOOK_S)
        return self.process.wait(0.0)

    # --- its processes

    @property
    def station(self) -> int:
        """The process that drives the board."""
        return next(pid for pid in self.family() if _STATION in command_of(pid))

    def family(self) -> list[int]:
        """The processes that the screen has started and that live."""
        try:
            return [int(pid) for pid in Path(f"/proc/{self.process.pid}/task/{self.process.pid}/children").read_text().split()]
        except OSError:
            return []


def command_of(pid: int) -> bytes:
    """What was started in this process, as one line; empty if it is gone."""
    try:
        return Path(f"/proc/{pid}/cmdline").read_bytes().replace(b"\0", b" ")
    except OSError:
        return b""


def is_alive(pid: int) -> bool:
    """Whether the process runs; one that has ended and was not yet asked after counts as gone."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] not in "ZX"
    except OSError:
        return False


def gone(pids: list[int], at_most_s: float = 5.0) -> bool:
    """Whether all of these have ended by then."""
    patience = Patience(at_most_s)
    while any(is_alive(pid) for pid in pids):
        if not patience.is_left:
            return False
        time.sleep(0.01)
    return True


F = {1: "\x1bOP", 2: "\x1bOQ", 3: "\x1bOR", 4: "\x1bOS", 5: "\x1b[15~", 6: "\x1b[17~", 8: "\x1b[19~", 9: "\x1b[20~", 12: "\x1b[24~"}
"""What function keys send."""
ENTER, ESCAPE, ERASE = "\r", "\x1b", "\x7f"
