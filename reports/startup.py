"""How long `makebreak --help` takes, against a bare Python: medians of alternating runs, and their ratio.

    python reports/startup.py

The same interpreter for both, so that noise of the machine meets both alike. The target is a ratio of at most 4.
"""

from __future__ import annotations

import subprocess
import sys
import time
from statistics import median

RUNS = 21
BARE = (sys.executable, "-c", "pass")
HELP = (sys.executable, "-c", "import sys; sys.argv = ['makebreak', '--help']; from bench.cli import main; main()")


def seconds(command: tuple[str, ...]) -> float:
    began = time.perf_counter()
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
    return time.perf_counter() - began


def measure(runs: int = RUNS) -> tuple[float, float]:
    """Medians of a bare start and of the help, in s."""
    seconds(HELP)
    pairs = [(seconds(BARE), seconds(HELP)) for _ in range(runs)]
    return median(bare for bare, _ in pairs), median(help_s for _, help_s in pairs)


def main() -> None:
    bare, help_s = measure()
    print(f"python -c pass {bare * 1e3:.0f} ms, makebreak --help {help_s * 1e3:.0f} ms, ratio {help_s / bare:.2f}, {RUNS} runs each")


if __name__ == "__main__":
    main()
