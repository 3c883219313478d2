"""The command `makebreak`. Its commands are known here by name; each is a click command in a module of its own, imported if used.

Importing click takes longer than starting Python, so the list of commands is printed without it.
"""

from __future__ import annotations

import errno
import os
import sys
import traceback
from importlib import import_module

from bench import __version__, stopping
from bench.cli.exit_codes import CANCELLED, EXIT_CODES, PROGRAM, USAGE, code_of

TYPE_CHECKING = False
if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

COMMANDS: Mapping[str, str] = {
    "test": "Test a unit on a board, real or simulated.",
    "screen": "The screen that stands beside the rig all day.",
    "judge": "Judge a recording made elsewhere (CSV), or a capture.",
    "show": "Show records that were kept as JSON.",
    "boards": "List the serial ports and the boards on them.",
    "check": "Have a board check itself.",
    "calibrate": "Calibrate a board with a meter.",
    "standard": "Measure a kept standard, and chart it over time.",
    "limits": "List the limit sets, or show one with its sources.",
    "procedures": "List the procedures, or show one.",
    "banks": "List the lamp banks, or show one.",
    "part": "Say or show what a part is said to be, for all its units.",
    "parts": "List the parts that were entered.",
    "units": "List the simulated units.",
    "faults": "List the faults that a simulated bench can have.",
    "board": "Serve a simulated board to other programs.",
    "schema": "Print the JSON schema of records.",
}
"""Every command: `bench/cli/<name>.py` holds it under the name `command`."""


def help_text() -> str:
    commands = "\n".join(f"  {name:<12}{text}" for name, text in COMMANDS.items())
    return f"""\
Usage: makebreak COMMAND [OPTIONS]

Test interrupters: turn-signal and hazard flasher units.

  Without hardware:            makebreak test
  On a board that is there:    makebreak test auto --unit 4711
  All day, unit after unit:    makebreak screen
  What a command can do:       makebreak test --help

Commands:
{commands}

Options:
  --help      Show this page.
  --version   Show the version.

Exit codes:
{EXIT_CODES}"""


def main() -> None:
    """The entry point: run and leave with the documented exit code, also if told to end while nothing that matters is going on yet."""
    stopping.interrupt_on_signals()
    for stream in (sys.stdout, sys.stderr):
        # A label may hold what this terminal cannot show.
        stream.reconfigure(errors="replace")  # type: ignore[union-attr]
    try:
        code = run(sys.argv[1:])
    except KeyboardInterrupt:
        print("makebreak: cancelled", file=sys.stderr)
        code = CANCELLED
    stopping.leave_to_system()
    sys.exit(code)


def run(arguments: Sequence[str]) -> int:
    """Run one command line and return its exit code. What people can put right ends in one line on the standard error."""
    name, *rest = arguments or ["--help"]
    if name in ("--help", "-h"):
        print(help_text(), end="")
        return 0
    if name == "--version":
        print(f"makebreak {__version__}")
        return 0
    if name not in COMMANDS:
        print(f"makebreak: there is no command {name!r}; there are {', '.join(COMMANDS)}", file=sys.stderr)
        return USAGE
    return _run_command(name, rest)


def _run_command(name: str, arguments: Sequence[str]) -> int:
    import click

    command: click.Command = import_module(f"bench.cli.{name}").command
    try:
        returned = command.main(list(arguments), prog_name=f"makebreak {name}", standalone_mode=False)
    except click.ClickException as error:
        error.show()
        return USAGE
    except click.Abort:
        print("makebreak: cancelled", file=sys.stderr)
        return CANCELLED
    except BrokenPipeError:
        # Whoever read has seen enough; and the interpreter must not try to write the rest when it ends.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return CANCELLED
    except Exception as error:
        if isinstance(error, OSError) and error.errno in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG):
            print(f"makebreak {name}: writing what came of it: {error.strerror}", file=sys.stderr)
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
            return USAGE
        code = code_of(error)
        if code is None:
            # Python itself would leave with 1, which says of a unit that it is not good.
            traceback.print_exc()
            return PROGRAM
        print(f"makebreak {name}: {error}", file=sys.stderr)
        return code
    return returned if isinstance(returned, int) else 0
