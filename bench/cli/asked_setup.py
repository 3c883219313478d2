"""What the options of a command ask of a set-up, as one value: it makes the set-up, or says what is asked otherwise than a capture says."""

from __future__ import annotations

import functools
from collections.abc import Callable
from dataclasses import dataclass, fields
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
from click.core import ParameterSource

from bench import defaults
from bench.cli.options import each_once
from bench.cli.output import paths_among

if TYPE_CHECKING:
    from bench.claims import Claims
    from bench.judging.capture_setup import Otherwise
    from bench.setup import Setup


@dataclass(frozen=True, slots=True, kw_only=True)
class AskedSetup:
    """Each field is the parameter of an option of this name, as click has read it; a command without that option leaves the default.

    `supply` in V, `rested` in s.
    """

    unit: str | None = None
    rated: tuple[float, ...] | None = None
    lamps: tuple[int, ...] | None = None
    fitted: tuple[float, ...] | None = None
    led: bool = False
    bank: str | None = None
    facts: tuple[tuple[str, str], ...] = ()
    part: str | None = None
    claims: tuple[tuple[str, Any], ...] = ()
    parts_folder: Path = Path("parts")
    system: str | None = None
    limits: tuple[str, ...] = ()
    grade_rule: str = "none"
    supply: float | None = None
    rested: float = 0.0
    precise: bool = False
    zero: bool = False
    stop_early: bool = False

    @property
    def paths(self) -> tuple[Path, ...]:
        """Return the files among what is named."""
        return paths_among(self.bank, self.grade_rule, *self.limits)

    def setup(self, address: str = "") -> Setup:
        """Return the set-up; SetupError or TableError if there can be none. The rating is known where lamps are named, or kept of the part.

        What no option says is taken from `address`, where that is a simulated bench's: AddressError if there can be no such bench.
        """
        from bench import files
        from bench.parts import claims_for
        from bench.ports.setting import known_bench
        from bench.setup import Setup

        known = known_bench(address)
        claims = claims_for(self.parts_folder, self.part, each_once("--claim", self.claims))
        for_lamps = claims.rated if self.rated is None else self.rated
        return Setup(
            unit=self.unit or defaults.unit_name(address),
            system_v=float(self.system or known.system_v or claims.system_v or defaults.SYSTEM_V),
            rated=defaults.RATED_W if for_lamps is None else for_lamps,
            lamps=self.lamps,
            fitted=self.fitted,
            filament=not self.led,
            bank=known.bank if self.bank is None else files.bank(self.bank),
            supply_v=known.supply_v if self.supply is None else self.supply,
            limits=tuple(files.named_limits(name) for name in self.limits),
            grade_rule=None if self.grade_rule == "none" else files.grade_rule(self.grade_rule),
            stop_early=self.stop_early,
            precise=self.precise,
            zero=self.zero,
            rested_s=self.rested,
            rating_known=for_lamps is not None,
            claims=claims,
            entered=each_once("--fact", self.facts),
        )

    def otherwise(self, procedure: str, claimed: Claims) -> Otherwise:
        """Return what stands on the command line of the command at hand; `claimed`: what was claimed in the test that was captured.

        Options that were not given say nothing against the capture.
        """
        from bench import files
        from bench.judging.capture_setup import Otherwise
        from bench.parts import claims_for

        part = self.part if _is_given("part") else None
        claims = each_once("--claim", self.claims if _is_given("claims") else ())
        return Otherwise(
            unit=self.unit if _is_given("unit") else None,
            limits=self.limits if _is_given("limits") else None,
            grade_rule=self.grade_rule if _is_given("grade_rule") else None,
            claims=claims_for(self.parts_folder, part, claims, claimed),
            entered=each_once("--fact", self.facts),
            system_v=float(self.system) if self.system is not None else None,
            supply_v=self.supply,
            rated_w=self.rated,
            lamps=self.lamps,
            led=self.led,
            bank=files.bank(self.bank) if self.bank is not None else None,
            procedure=files.procedure(procedure) if _is_given("procedure") else None,
            part_now=_kept_now(self.parts_folder, claimed.part) if part is None else None,
        )


def with_asked_setup(function: Callable[..., Any]) -> Callable[..., Any]:
    """Have a command take its options of the set-up as one value, `asked`. Stands below the options."""
    names = {field.name for field in fields(AskedSetup)}

    @functools.wraps(function)
    def command(**given: Any) -> Any:
        asked = AskedSetup(**{name: value for name, value in given.items() if name in names})
        return function(asked=asked, **{name: value for name, value in given.items() if name not in names})

    return command


def _is_given(parameter: str) -> bool:
    """Return whether the option of this parameter stands on the command line."""
    return click.get_current_context().get_parameter_source(parameter) is ParameterSource.COMMANDLINE


def _kept_now(folder: Path, part: str) -> Claims | None:
    """Return what is kept of the part that a test was of; None if nothing is that can be read, for it is not judged by that."""
    from bench.errors import TableError
    from bench.parts import has_part, read_part

    try:
        return read_part(folder, part) if part and has_part(folder, part) else None
    except TableError:
        return None
