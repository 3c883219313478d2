"""Signals: held off while a board is driven, and for some seconds at the most."""

from __future__ import annotations

import fcntl
import io
import os
import pty
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest

from bench import stopping
from bench.cli.progress_line import ProgressLine
from bench.record_json import from_json
from bench.session import Noted, Waiting
from bench.stopping import held

ALL = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP, signal.SIGQUIT, signal.SIGXCPU)
REASONS = (
    "stopped from the keyboard",
    "told to end (SIGTERM)",
    "the terminal was closed (SIGHUP)",
    "stopped from the keyboard (SIGQUIT)",
    "the computing time allowed is used up (SIGXCPU)",
)


@pytest.mark.parametrize(("number", "reason"), [*zip(ALL, REASONS, strict=True)])
def test_signals_say_why_and_interrupt_nothing(number: signal.Signals, reason: str) -> None:
    before = [signal.getsignal(one) for one in (*ALL, signal.SIGALRM)]
    with held() as hold:
        assert hold.reason is None
        signal.raise_signal(number)
        for other in ALL:
            signal.raise_signal(other)
        assert hold.reason == reason
        with held() as inner:
            assert inner is hold
    assert [signal.getsignal(one) for one in (*ALL, signal.SIGALRM)] == before
    assert signal.getitimer(signal.ITIMER_REAL) == (0.0, 0.0)
    with held() as again:
        assert again.reason is None


def test_whoever_never_looks_is_interrupted_in_the_end(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(stopping, "HELD_S", 0.05)
    times = 0
    with held():
        signal.raise_signal(signal.SIGTERM)
        for _ in range(2):
            try:
                time.sleep(60.0)
            except KeyboardInterrupt:
                times += 1
    assert times == 2, "and again, should it go on to stand still"


def test_what_was_ignored_stays_ignored() -> None:
    """As under nohup."""
    before = {number: signal.getsignal(number) for number in ALL}
    signal.signal(signal.SIGHUP, signal.SIG_IGN)
    try:
        with held() as hold:
            signal.raise_signal(signal.SIGHUP)
            assert hold.reason is None
        stopping.interrupt_on_signals()
        assert signal.getsignal(signal.SIGHUP) is signal.SIG_IGN
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def test_a_terminal_stops_nobody_who_drives_a_board() -> None:
    """A background process that writes to its terminal (`stty tostop`), or throws away what was typed there, would be stopped."""
    driving = (
        "import os, termios; from bench.stopping import held\nwith held(): os.write(2, b'note'); termios.tcflush(2, termios.TCIFLUSH)\n"
    )
    shell = (
        "import fcntl, os, signal, subprocess, sys, termios\n"
        "fcntl.ioctl(2, termios.TIOCSCTTY, 0)\n"
        "settings = termios.tcgetattr(2); settings[3] |= termios.TOSTOP; termios.tcsetattr(2, termios.TCSANOW, settings)\n"
        f"job = subprocess.Popen([sys.executable, '-c', {driving!r}], process_group=0)\n"
        "_, status = os.waitpid(job.pid, os.WUNTRACED)\n"
        "if os.WIFSTOPPED(status): os.kill(job.pid, signal.SIGKILL); sys.exit(7)\n"
        "sys.exit(os.waitstatus_to_exitcode(status))\n"
    )
    master, slave = pty.openpty()
    done = subprocess.run([sys.executable, "-c", shell], stdin=slave, stdout=slave, stderr=slave, start_new_session=True, timeout=60)
    assert done.returncode == 0
    os.close(slave)
    assert os.read(master, 1000) == b"note"
    os.close(master)


def test_other_threads_change_nothing() -> None:
    before = signal.getsignal(signal.SIGTERM)
    seen = []

    def work() -> None:
        with held() as hold:
            seen.append((hold.reason, signal.getsignal(signal.SIGTERM) is before))

    thread = threading.Thread(target=work)
    thread.start()
    thread.join()
    assert seen == [(None, True)]


def test_it_is_said_once(capfd: pytest.CaptureFixture[str]) -> None:
    with held("ending: one moment"):
        for _ in range(5):
            signal.raise_signal(signal.SIGINT)
    assert capfd.readouterr().err == "\nending: one moment\n"


def test_a_terminal_that_takes_nothing_holds_nothing_up() -> None:
    read_end, write_end = os.pipe()
    os.set_blocking(write_end, False)
    try:
        while True:
            os.write(write_end, b"x" * 4096)
    except BlockingIOError:
        pass
    os.set_blocking(write_end, True)
    program = "import signal; from bench.stopping import held\nwith held('ending') as h: signal.raise_signal(15); print(h.reason)"
    try:
        done = subprocess.run([sys.executable, "-c", program], stderr=write_end, stdout=subprocess.PIPE, timeout=60, check=True)
    finally:
        os.close(read_end)
        os.close(write_end)
    assert done.stdout == b"told to end (SIGTERM)\n"


def test_a_second_signal_while_nothing_goes_on_ends_the_program_without_a_word() -> None:
    program = (
        "import os, signal; from bench import stopping; stopping.interrupt_on_signals()\n"
        "try: os.kill(os.getpid(), signal.SIGINT)\n"
        "except KeyboardInterrupt: print('once', flush=True); os.kill(os.getpid(), signal.SIGINT)\n"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, timeout=60)
    assert (done.returncode, done.stdout, done.stderr) == (-signal.SIGINT, "once\n", "")


def test_a_signal_after_all_is_said_changes_no_exit_code() -> None:
    """The interpreter takes a while to end; who then hits the keyboard again must not make another outcome of it."""
    program = (
        "import atexit, os, signal, sys; from bench import stopping\n"
        "atexit.register(lambda: [os.kill(os.getpid(), number) for number in (signal.SIGINT, signal.SIGQUIT, signal.SIGXCPU)])\n"
        "stopping.leave_quietly(3); sys.exit(3)\n"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, timeout=60)
    assert (done.returncode, done.stdout, done.stderr) == (3, "", "")


def test_an_end_that_hangs_is_cut_short() -> None:
    program = "import time; from bench import stopping; stopping.HELD_S = 0.2\nstopping.leave_quietly(3); time.sleep(100)\n"
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, timeout=60)
    assert done.returncode == 3


def test_computing_time_that_is_used_up_ends_a_test_in_good_order(tmp_path: Path) -> None:
    """And goes on to be told of it once a second."""
    path = tmp_path / "a.json"
    program = (
        "import resource, sys, time\n"
        "from bench.session.steps import Steps\n"
        "def used_up(test):\n"
        "    spent = time.process_time(); resource.setrlimit(resource.RLIMIT_CPU, (int(spent) + 1, int(spent) + 60))\n"
        "    while time.process_time() < int(spent) + 1.1: pass\n"
        "    began(test)\n"
        "began, Steps.make_all = Steps.make_all, used_up\n"
        f"sys.argv = ['makebreak', 'test', '--json', {str(path)!r}]\n"
        "from bench.cli import main; main()\n"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, timeout=60)
    assert done.returncode == 130, done
    assert from_json(path.read_text(), "a.json").interrupted == "the computing time allowed is used up (SIGXCPU)"


@pytest.mark.parametrize("imported", ["bench.cli.failures", "bench.session.conduct"])
def test_told_to_end_while_starting(imported: str, tmp_path: Path) -> None:
    """Nothing has begun: the command leaves with the code of what was cancelled, and without a trace of the program."""
    program = (
        "import os, signal, sys, importlib.abc\n"
        "class Hit(importlib.abc.MetaPathFinder):\n"
        "    def find_spec(self, name, path=None, target=None):\n"
        f"        if name == {imported!r}: os.kill(os.getpid(), signal.SIGTERM)\n"
        "sys.meta_path.insert(0, Hit())\n"
        f"sys.argv = ['makebreak', 'test', '--json', {str(tmp_path / 'a.json')!r}]\n"
        "from bench.cli import main; main()\n"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, timeout=60)
    assert done.returncode == 130
    assert done.stderr.strip() == "makebreak: cancelled"
    assert list(tmp_path.iterdir()) == []


def test_told_to_end_where_python_ignores_it(tmp_path: Path) -> None:
    """What a signal raises in a callback of Python's own, as in each import, is lost: the test is ended before anything is switched."""
    program = (
        "import os, signal, sys, weakref, importlib.abc\n"
        "class Dropped: pass\n"
        "class Hit(importlib.abc.MetaPathFinder):\n"
        "    def find_spec(self, name, path=None, target=None):\n"
        "        if name == 'bench.session.conduct':\n"
        "            dropped = Dropped()\n"
        "            kept = weakref.ref(dropped, lambda one: os.kill(os.getpid(), signal.SIGTERM))\n"
        "            del dropped\n"
        "sys.meta_path.insert(0, Hit())\n"
        f"sys.argv = ['makebreak', 'test', '--json', {str(tmp_path / 'a.json')!r}]\n"
        "from bench.cli import main; main()\n"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, timeout=60)
    assert done.returncode == 130, done
    assert "error in this program" not in done.stderr and "Exception ignored" not in done.stderr
    record = from_json((tmp_path / "a.json").read_text(), "a.json")
    assert record.interrupted == "told to end (SIGTERM)" and not record.steps and record.board is not None and not record.board.maker


def test_a_line_of_progress_skips_what_its_terminal_does_not_take(monkeypatch: pytest.MonkeyPatch) -> None:
    """A full pipe stands for a terminal under Ctrl-S; a write to it would never return."""
    read_end, write_end = os.pipe()
    size = fcntl.fcntl(write_end, fcntl.F_SETPIPE_SZ, 4096)
    os.write(write_end, b"x" * size)

    class Terminal(io.TextIOWrapper):
        def isatty(self) -> bool:
            return True

    with Terminal(os.fdopen(write_end, "wb"), write_through=True) as stream:
        monkeypatch.setattr(sys, "stderr", stream)
        with ProgressLine() as progress:
            progress(Noted("not shown"))
            progress(Waiting("cooling", 3.0))
            assert os.read(read_end, size) == b"x" * size
            progress(Waiting("cooling", 2.0))
    shown = os.read(read_end, 4096)
    os.close(read_end)
    assert b"cooling, 2 s to go" in shown and b"3 s" not in shown and b"not shown" not in shown
