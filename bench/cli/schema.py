"""`makebreak schema`."""

from __future__ import annotations

from importlib.resources import files

import click


@click.command("schema")
def command() -> None:
    """Print the JSON schema of the records that `test --json` and `judge --json` write.

    \b
    makebreak schema > record-4.json
    """
    print((files("bench") / "data" / "schema" / "record-4.json").read_text(encoding="utf-8"), end="")
