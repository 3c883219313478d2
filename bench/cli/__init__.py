"""The command `makebreak`. Each command's module is imported when the command is used, so that the rest starts fast."""

from __future__ import annotations

import os
import sys
from collections.abc import Mapping, Sequence
from importlib import import_module
from typing import Any

import click

from bench import __version__
from bench.cli.exit_codes import CANCELLED, EPILOG, USAGE, code_of

COMMANDS: Mapping[str, str] = {
    "test": "Test a unit on a board, real or simulated.",
    "judge": "Judge a recording made elsewhere (CSV).",
    "show": "Show a record that was kept as JSON.",
    "boards": "List the serial ports and the boards on them.",
    "check": "Have a board check itself.",
    "limits": "List the limit sets, or show one with its sources.",
    "procedures": "List the procedures, or show one.",
    "units": "List the simulated units.",
    "faults": "List the faults that a simulated bench can have.",
    "board": "Serve a simulated board to other programs.",
    "schema": "Print the JSON schema of records.",
}
"""Every command: `bench/cli/<name>.py` holds it under the name `command`."""


class LazyGroup(click.Group):
    """Knows its commands by name and line of help; imports one only to run it."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            return None
        command: click.Command = import_module(f"bench.cli.{cmd_name}").command
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))


@click.group(cls=LazyGroup, epilog=EPILOG)
@click.version_option(__version__, prog_name="makebreak")
def makebreak() -> None:
    """Test interrupters: turn-signal and hazard flasher units.

    \b
    Try it without hardware:   makebreak test
    A board that is plugged in: makebreak test auto --unit 4711
    """


def main() -> None:
    """The entry point: run and leave with the documented exit code."""
    for stream in (sys.stdout, sys.stderr):
        # A label may hold what this terminal cannot show.
        stream.reconfigure(errors="replace")  # type: ignore[union-attr]
    sys.exit(run(sys.argv[1:]))


def run(arguments: Sequence[str], **context: Any) -> int:
    """Run one command line and return its exit code. What people can put right ends in one line on the standard error."""
    try:
        returned = makebreak.main(list(arguments), prog_name="makebreak", standalone_mode=False, **context)
    except click.exceptions.NoArgsIsHelpError as error:
        error.show()
        return USAGE
    except click.ClickException as error:
        error.show()
        return USAGE
    except click.Abort:
        click.echo("makebreak: cancelled", err=True)
        return CANCELLED
    except BrokenPipeError:
        # Whoever read has seen enough; and the interpreter must not try to write the rest when it ends.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return CANCELLED
    except Exception as error:
        code = code_of(error)
        if code is None:
            raise
        click.echo(f"makebreak: {error}", err=True)
        return code
    return returned if isinstance(returned, int) else 0
