"""What the command line says beside what a capture says itself: the options that were given, and none that stand by default."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import click
from click.core import ParameterSource

if TYPE_CHECKING:
    from bench.session.captured import Otherwise


def said_otherwise(options: Mapping[str, Any], procedure: str) -> Otherwise:
    """Of `options`, those of `make_setup` as the command took them, and of the procedure's name, what was given on the command line."""
    from bench import files
    from bench.parts import read_part
    from bench.session.captured import Otherwise

    context = click.get_current_context()

    def is_given(name: str) -> bool:
        return context.get_parameter_source(name) is ParameterSource.COMMANDLINE

    given = {name: value for name, value in options.items() if is_given(name)}
    return Otherwise(
        unit=given.get("unit"),
        limits=given.get("limits"),
        grade_rule=given.get("grade_rule"),
        part=read_part(options["parts_folder"], given["part"]) if "part" in given else None,
        claimed=dict(given.get("claims", ())),
        entered=dict(given.get("facts", ())),
        system_v=float(given["system"]) if "system" in given else None,
        supply_v=given.get("supply"),
        rated_w=given.get("rated"),
        lamps=given.get("lamps"),
        fitted_w=given.get("fitted"),
        led=given.get("led", False),
        bank=files.bank(given["bank"]) if "bank" in given else None,
        procedure=files.procedure(procedure) if is_given("procedure") else None,
    )
