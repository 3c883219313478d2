"""Serves the board's real program, on its simulated microcontroller, to other programs in real time."""

from __future__ import annotations

import argparse
import sys

from bench.errors import MakebreakError
from bench.ports.server import serve_pty, serve_tcp
from firmware.simulator.avr import BuildError
from firmware.simulator.port import open_real_pace


def main() -> int:
    """Serve the address given until Ctrl-C, and return the exit code."""
    parser = argparse.ArgumentParser(
        prog="python -m firmware.simulator",
        description="Runs the very program that would be flashed, with simulated physics around it, and serves its serial line in real "
        "time on a pseudo-terminal (or a TCP port). Prints the address to open; ends with Ctrl-C.",
        epilog="Example: python -m firmware.simulator firmware://bench-nc-2x21?seed=4   then: makebreak test DEVICE --yes",
    )
    parser.add_argument("address", nargs="?", default="firmware://bench-nc-2x21", help="firmware://UNIT?seed=1&fault=A,B, as for sim://")
    parser.add_argument("--tcp", type=int, metavar="PORT", help="serve on this TCP port of this machine instead (0: any)")
    given = parser.parse_args()
    try:
        line = open_real_pace(given.address)
        if given.tcp is None:
            serve_pty(line, on_ready=_say)
        else:
            serve_tcp(line, port=given.tcp, on_ready=_say)
    except (MakebreakError, BuildError) as error:
        print(error, file=sys.stderr)
        return 2
    return 0


def _say(name: str) -> None:
    print(name, flush=True)


if __name__ == "__main__":
    sys.exit(main())
