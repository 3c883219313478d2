"""How a capture is judged: as it says itself, with what the command line asks otherwise."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
from click.core import ParameterSource

from bench.cli.options import make_setup

if TYPE_CHECKING:
    from bench.procedure import Procedure
    from bench.session import Setup


def setup_of_capture(path: Path, options: Mapping[str, Any], procedure: str) -> tuple[Setup, Procedure]:
    """The setup and procedure to judge the capture by. `options`: those of `make_setup`, as the command took them.

    Options that were not given on the command line say nothing against the capture; a capture that does not say how it was made is
    judged by all of them.
    """
    from bench import files
    from bench.parts import claims_for
    from bench.session.captured import Otherwise, read_session, setup_again

    note = read_session(path)
    if note is None:
        return make_setup(**options), files.procedure(procedure)
    context = click.get_current_context()
    given = {name: value for name, value in options.items() if context.get_parameter_source(name) is ParameterSource.COMMANDLINE}
    is_named = context.get_parameter_source("procedure") is ParameterSource.COMMANDLINE
    otherwise = Otherwise(
        unit=given.get("unit"),
        limits=given.get("limits"),
        grade_rule=given.get("grade_rule"),
        claims=claims_for(options["parts_folder"], given.get("part"), dict(given.get("claims", ())), note.setup.claims),
        entered=dict(given.get("facts", ())),
        system_v=float(given["system"]) if "system" in given else None,
        supply_v=given.get("supply"),
        rated_w=given.get("rated"),
        lamps=given.get("lamps"),
        led=given.get("led", False),
        bank=files.bank(given["bank"]) if "bank" in given else None,
        procedure=files.procedure(procedure) if is_named else None,
    )
    return setup_again(note, path.name, otherwise), note.procedure
