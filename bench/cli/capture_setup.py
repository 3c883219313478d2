"""What the command line asks otherwise than a capture says."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
from click.core import ParameterSource

from bench.cli.options import each_once

if TYPE_CHECKING:
    from bench.claims import Claims
    from bench.judging.capture_setup import Otherwise


def asked_otherwise(options: Mapping[str, Any], procedure: str, claimed: Claims) -> Otherwise:
    """What was given on the command line; `options`: those of `make_setup`, as it took them, `claimed`: what was claimed in the test.

    Options that were not given say nothing against the capture.
    """
    from bench import files
    from bench.judging.capture_setup import Otherwise
    from bench.parts import claims_for

    context = click.get_current_context()
    given = {name: value for name, value in options.items() if context.get_parameter_source(name) is ParameterSource.COMMANDLINE}
    is_named = context.get_parameter_source("procedure") is ParameterSource.COMMANDLINE
    return Otherwise(
        unit=given.get("unit"),
        limits=given.get("limits"),
        grade_rule=given.get("grade_rule"),
        claims=claims_for(options["parts_folder"], given.get("part"), each_once("--claim", given.get("claims", ())), claimed),
        entered=each_once("--fact", given.get("facts", ())),
        system_v=float(given["system"]) if "system" in given else None,
        supply_v=given.get("supply"),
        rated_w=given.get("rated"),
        lamps=given.get("lamps"),
        led=given.get("led", False),
        bank=files.bank(given["bank"]) if "bank" in given else None,
        procedure=files.procedure(procedure) if is_named else None,
        part_now=None if "part" in given else _kept_now(options["parts_folder"], claimed.part),
    )


def _kept_now(folder: Path, part: str) -> Claims | None:
    """What is kept of the part that a test was of; None if nothing is that can be read, for it is not judged by that."""
    from bench.errors import TableError
    from bench.parts import has_part, read_part

    try:
        return read_part(folder, part) if part and has_part(folder, part) else None
    except TableError:
        return None
