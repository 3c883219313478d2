"""The command line: what the script `makebreak` calls, and `python -m bench` where that is not on the path.

An installation that is broken, or a machine that has no memory left, may fail before a line of the command itself runs. Python would leave
with 1 then, which says of a unit that it is not good.
"""

import sys

_PROGRAM, _CANCELLED = 70, 130  # as in bench.cli.exit_codes, which may be just what can't be imported


def main() -> None:
    """The entry point. What goes wrong before the command can report it is one line, and an exit code that says nothing of a unit."""
    try:
        from bench.cli import main as run

        run()
    except SystemExit:
        raise
    except BaseException as error:
        cancelled = isinstance(error, KeyboardInterrupt)
        failed = f"an error in this program: {type(error).__name__}: {ascii(str(error))[1:-1][:1000]}; install it again"
        if sys.stderr is not None:
            print(f"makebreak: {'cancelled' if cancelled else failed}", file=sys.stderr)
        sys.exit(_CANCELLED if cancelled else _PROGRAM)


if __name__ == "__main__":
    main()
