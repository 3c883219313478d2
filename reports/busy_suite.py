"""The whole test suite on a machine that has other things to do: processes that never rest beside it, as many times over as wanted.

    python -m reports.busy_suite --times 2 --busy 10 --workers 8

Prints the minutes, the greatest load average and the last line of each time; of one that is not green also the tests that failed, and
where all of its output is kept. Leaves 1 if a test failed or was skipped.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import re
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator

_RESTLESS = "while True: pass"


@contextlib.contextmanager
def restless(count: int) -> Iterator[None]:
    """So many processes that take all the processor they get."""
    processes = [subprocess.Popen([sys.executable, "-c", _RESTLESS]) for _ in range(count)]
    try:
        yield
    finally:
        for process in processes:
            process.kill()
            process.wait()


@contextlib.contextmanager
def load_watched() -> Iterator[list[float]]:
    """The load averages of a minute, looked at every five seconds until the end."""
    loads = [os.getloadavg()[0]]
    ended = threading.Event()

    def watch() -> None:
        while not ended.wait(5.0):
            loads.append(os.getloadavg()[0])

    watcher = threading.Thread(target=watch, daemon=True)
    watcher.start()
    try:
        yield loads
    finally:
        ended.set()
        watcher.join()


def run_suite(workers: int) -> tuple[bool, str]:
    """Whether every test passed and none was skipped, and what to print of it."""
    command = [sys.executable, "-m", "pytest", "-q", "-n", str(workers), "--dist", "loadfile", "--no-loadscope-reorder"]
    done = subprocess.run(command, capture_output=True, text=True, env={**os.environ, "CI": "true"}, check=False)
    lines = done.stdout.rstrip().splitlines() or ["nothing was printed"]
    is_green = done.returncode == 0 and re.search(r"\d+ (skipped|failed|error)", lines[-1]) is None
    if is_green:
        return True, lines[-1]
    with tempfile.NamedTemporaryFile("w", prefix="busy-suite-", suffix=".txt", delete=False) as kept:
        kept.write(done.stdout + done.stderr)
    return False, "\n".join([*(line for line in lines if line.startswith(("FAILED ", "ERROR "))), lines[-1], f"all of it: {kept.name}"])


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--times", type=int, default=2)
    parser.add_argument("--busy", type=int, default=10, help="processes that never rest")
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 1, help="processes among which pytest shares the tests")
    args = parser.parse_args()
    green = 0
    with restless(args.busy):
        for number in range(1, args.times + 1):
            began_s = time.monotonic()
            with load_watched() as loads:
                is_green, text = run_suite(args.workers)
            green += is_green
            minutes = (time.monotonic() - began_s) / 60.0
            print(f"time {number}: {minutes:.1f} min, load average up to {max(loads):.0f} on {os.cpu_count()} cores\n{text}", flush=True)
    print(f"{green} of {args.times} times green beside {args.busy} restless processes")
    raise SystemExit(green < args.times)


if __name__ == "__main__":
    main()
