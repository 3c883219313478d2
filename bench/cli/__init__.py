"""The command `makebreak`. Its commands are known here by name; each is a click command in a module of its own, imported if used.

Importing click takes longer than starting Python, so the list of commands is printed without it.
"""

from __future__ import annotations

import os
import sys

from bench import stopping
from bench.cli.exit_codes import CANCELLED, EXIT_CODES, PROGRAM, USAGE, code_of
from bench.cli.streams import give_up_output, plain_stream, say_error
from bench.errors import OutputClosed, OutputError
from bench.version import __version__

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

COMPLETE = "_MAKEBREAK_COMPLETE"
"""Variable of the environment by which a shell asks for its script, or for what a word may become."""


def help_text() -> str:
    """Return the first page."""
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
{EXIT_CODES}
The Tab key completes commands, options and names, once the shell is told to:
  bash, in ~/.bashrc:  eval "$({COMPLETE}=bash_source makebreak)"
  zsh, in ~/.zshrc:    eval "$({COMPLETE}=zsh_source makebreak)"
  fish, in ~/.config/fish/completions/makebreak.fish:
                       {COMPLETE}=fish_source makebreak | source
"""


def main() -> None:
    """Run, and leave with the documented exit code, whatever happens; being told to end before anything matters is no error."""
    _fill_streams()
    if COMPLETE in os.environ:
        from bench.cli.completion import complete
        from bench.cli.group import CommandGroup

        sys.exit(complete(CommandGroup(COMMANDS), COMPLETE, os.environ[COMPLETE]))
    stopping.interrupt_on_signals()
    arguments = sys.argv[1:]
    try:
        if arguments and arguments[0] in COMMANDS:
            from bench.cli.failures import watch

            watch(f"makebreak {arguments[0]}")
        code = run(arguments)
    except BaseException as error:  # between two of its own: a second Ctrl-C
        code = _failed("makebreak", error)
    try:
        sys.stdout.flush()
    except (OSError, ValueError):
        give_up_output()
    stopping.leave_quietly(code)
    sys.exit(code)


def _fill_streams() -> None:
    """Put the null device in place of a stream that was closed before the start, and take any bytes that are typed."""
    sys.stdin = sys.stdin or open(os.devnull)  # noqa: SIM115
    sys.stdout = sys.stdout or open(os.devnull, "w")  # noqa: SIM115
    sys.stderr = sys.stderr or open(os.devnull, "w")  # noqa: SIM115
    if hasattr(sys.stdin, "reconfigure"):
        sys.stdin.reconfigure(errors="replace")


def run(arguments: Sequence[str]) -> int:
    """Run one command line and return its exit code. Whatever goes wrong is one line on the standard error."""
    before = sys.stdout, sys.stderr
    sys.stdout, sys.stderr = plain_stream(sys.stdout, needed=True), plain_stream(sys.stderr, needed=False)
    name, *rest = arguments or ["--help"]
    try:
        code = _run(name, rest)
        sys.stdout.flush()
        return code
    except BaseException as error:
        return _failed(_doing(name), error)
    finally:
        sys.stdout, sys.stderr = before


def _run(name: str, arguments: Sequence[str]) -> int:
    if name in ("--help", "-h"):
        print(help_text(), end="")
        return 0
    if name == "--version":
        print(f"makebreak {__version__}")
        return 0
    from bench.cli import numerics

    numerics.use_one_thread()
    if why := numerics.lacking_memory():
        say_error(f"makebreak {name}: {why}")
        return PROGRAM
    import click

    from bench.cli.group import CommandGroup, usage_text

    try:
        returned = CommandGroup(COMMANDS).carry_out([name, *arguments])
    except click.exceptions.Exit as left:
        return left.exit_code
    except click.ClickException as error:
        say_error(usage_text(error, _doing(name)))
        return USAGE
    except click.Abort:
        raise KeyboardInterrupt from None
    return returned if isinstance(returned, int) else 0


def _doing(name: str) -> str:
    """Return how a line of error begins."""
    return f"makebreak {name}" if name in COMMANDS else "makebreak"


def _failed(doing: str, error: BaseException) -> int:
    """Say what went wrong, and return the exit code for it."""
    if isinstance(error, KeyboardInterrupt):
        say_error("makebreak: cancelled")
        return CANCELLED
    if isinstance(error, OutputClosed):
        return CANCELLED
    if isinstance(error, OutputError):
        say_error(f"{doing}: writing to the standard output: {error}; give it room, or another place")
        return USAGE
    code = code_of(error)
    if code is not None:
        say_error(f"{doing}: {error}")
        return code
    from bench.cli.failures import report

    report(doing, error)
    return PROGRAM
