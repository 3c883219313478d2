"""Options that several commands share, and what may not stand together."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

import click
from click.core import ParameterSource

from bench import defaults
from bench.cli.completion import limits_offered, names_of, parts_offered
from bench.cli.kinds import RESTED_S, SUPPLY_V, Fact, Folder, LoadNumbers, Watts

F = TypeVar("F", bound=Callable[..., Any])


UNKNOWN = "unknown"
"""Value that takes a claim back."""


@dataclass(frozen=True, slots=True)
class ClaimKind:
    """One claim on the command line: the field of `Claims` that it fills, what it may be, and what it says."""

    field: str
    words: tuple[str, ...]
    help: str

    def value(self, text: Any) -> Any:
        """Return the field's value for a text that `words` allow, or for watts."""
        if text == UNKNOWN:
            return None
        match self.field:
            case "system_v":
                return float(text)
            case "terminals":
                return int(text)
            case "outage" | "led" | "trailer":
                return text == "yes"
            case "rated":
                return text
        return text.replace("-", " ")

    @property
    def type(self) -> click.ParamType[Any]:
        """The kind of value that the command line takes for it."""
        return click.Choice((*self.words, UNKNOWN)) if self.words else WattsOrUnknown()


_YES_NO = ("yes", "no")
CLAIMS: Mapping[str, ClaimKind] = {
    "rated": ClaimKind("rated", (), "Watts of the lamps that it is for: 2x21+5."),
    "system": ClaimKind("system_v", ("6", "12", "24"), "Volts of its system."),
    "load": ClaimKind("load", ("fixed", "variable"), "For its rated lamps alone, or for other lamps too."),
    "terminals": ClaimKind("terminals", ("2", "3", "4"), "How many terminals it has."),
    "pilot": ClaimKind("pilot", ("in-step", "antiphase", "none"), "What its pilot terminal does: the tell-tale beside the lamps."),
    "pilot_lamp_out": ClaimKind("pilot_lamp_out", ("in-step", "dead"), "What the pilot terminal does with a lamp out."),
    "outage": ClaimKind("outage", _YES_NO, "It signals a lamp out."),
    "led": ClaimKind("led", _YES_NO, "It is for LED lamps."),
    "trailer": ClaimKind("trailer", _YES_NO, "It is for a trailer's lamp too."),
}
"""Claims by the name of their option, with _ for -."""


class WattsOrUnknown(Watts):
    """Watts, or the word that takes them back."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        return value if value == UNKNOWN else super().convert(value, param, ctx)


class Claim(click.ParamType[tuple[str, Any]]):
    """`pilot=in-step`: the field of `Claims`, and its value."""

    name = "claim"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> tuple[str, Any]:
        if not isinstance(value, str):
            return tuple(value)
        key, sign, text = (part.strip() for part in value.partition("="))
        kind = CLAIMS.get(key.replace("-", "_"))
        if not sign or kind is None:
            known = ", ".join(name.replace("_", "-") for name in CLAIMS)
            self.fail(f"{value!r}; write it like pilot=in-step. There are {known}", param, ctx)
        return kind.field, kind.value(kind.type.convert(text, param, ctx))


def refuse_unused(names: Collection[str], why: str) -> None:
    """Raise UsageError if one of these parameters of the command at hand was given: it would change nothing, and `why`."""
    context = click.get_current_context()
    for parameter in context.command.params:
        if parameter.name in names and context.get_parameter_source(parameter.name) is ParameterSource.COMMANDLINE:
            raise click.UsageError(f"{parameter.opts[0]} would change nothing: {why}")


def refuse_parts_alone(part: str | None) -> None:
    """Raise UsageError for a folder of parts, where none is named that is kept there."""
    if part is None:
        refuse_unused(("parts_folder",), "it says where parts are kept, and no --part is named")


def each_once(option: str, pairs: Iterable[tuple[str, Any]]) -> dict[str, Any]:
    """Return the pairs of an option that may be given several times, by key. UsageError for a key that came twice."""
    found: dict[str, Any] = {}
    for key, value in pairs:
        if key in found:
            raise click.UsageError(f"{option}: {key} is given twice; give it once")
        found[key] = value
    return found


def refuse_repeated(context: click.Context, arguments: Sequence[str]) -> None:
    """Raise UsageError for an option that stands twice on the command line and can only be one thing: the first would be passed over."""
    parser = context.command.make_parser(context)
    _, _, in_order = parser.parse_args(list(arguments))
    for number, parameter in enumerate(in_order):
        is_one = isinstance(parameter, click.Option) and not parameter.multiple and (not parameter.is_flag or parameter.secondary_opts)
        if is_one and parameter in in_order[:number]:
            raise click.UsageError(f"{parameter.opts[0]} is given twice; give it once")


def _all(*options: Callable[[F], F]) -> Callable[[F], F]:
    def decorate(function: F) -> F:
        for option in reversed(options):
            function = option(function)
        return function

    return decorate


def lamps_options(function: F) -> F:
    """Add the options that say which lamps are fitted and rated."""
    return _all(
        click.option(
            "--rated",
            type=Watts(),
            metavar="LAMPS",
            help="Watts of the lamps that the unit is for, as marked on it: 2x21+5. Without it the rating counts as unknown, and a test "
            "tries 2x21.",
        ),
        click.option(
            "--lamps",
            type=LoadNumbers(),
            metavar="LOADS",
            help="Use these loads of the board instead of choosing by watts: 1,2,6.",
        ),
        click.option(
            "--bank",
            metavar="NAME|FILE",
            shell_complete=names_of("banks"),
            help="What is in the sockets, where the board says otherwise; `makebreak banks` lists them. Default for a "
            "simulated bench: the bank of its address.",
        ),
        click.option(
            "--led",
            is_flag=True,
            help="The load is not (only) filament lamps: its current is not checked against the watts. Not needed where the bank is known.",
        ),
        click.option(
            "--system",
            type=click.Choice(["6", "12", "24"]),
            help="Volts of the unit's system. Default: 12; for a simulated bench that of its address or unit.",
        ),
    )(function)


fact_option = click.option(
    "--fact",
    "facts",
    type=Fact(),
    multiple=True,
    metavar="FACT=WORD",
    help="What you know of the unit and no rig can see: pilot=absent (no such terminal), insulation=good or bad, film=recovered. "
    "May be given several times.",
)

parts_option = click.option(
    "--parts", "parts_folder", type=Folder(), default=Path("parts"), show_default=True,
    metavar="FOLDER", help="Folder in which parts are kept.",
)  # fmt: skip


def claim_options(function: F) -> F:
    """Give a command an option for each claim."""
    options = [click.option(f"--{name.replace('_', '-')}", name, type=kind.type, help=kind.help) for name, kind in CLAIMS.items()]
    return _all(*options)(function)


def part_options(function: F) -> F:
    """Add the options that say what the unit is said to be."""
    return _all(
        click.option(
            "--part", metavar="NUMBER", shell_complete=parts_offered,
            help="The part number: what was said of it with `makebreak part` is judged, and gives rated load and system where they are "
            "not named here.",
        ),
        click.option(
            "--claim", "claims", type=Claim(), multiple=True, metavar="KEY=VALUE",
            help="What this unit is said to be, beside or instead of what is kept of its part: pilot=in-step, outage=yes, load=variable. "
            "May be given several times; the keys are the options of `makebreak part`.",
        ),
        parts_option,
    )(function)  # fmt: skip


def limits_options(function: F) -> F:
    """Add the options of limit sets and grade rule."""
    return _all(
        click.option(
            "--limits", multiple=True, default=defaults.LIMITS, show_default=True, metavar="NAME|FILE", shell_complete=limits_offered,
            help="Limit set, family or file to judge by; may be given several times. `makebreak limits` lists them.",
        ),
        click.option(
            "--grade-rule", default=defaults.GRADE_RULE, show_default=True, metavar="NAME|FILE|none",
            shell_complete=names_of("grades", "none"),
            help="The shop's rule that gives the grade.",
        ),
    )(function)  # fmt: skip


def bench_options(function: F) -> F:
    """Add the options of the bench: supply, system, bank."""
    return _all(
        click.option(
            "--supply",
            type=SUPPLY_V,
            metavar="VOLTS",
            help="At the lamps, with the unit shorted: 40 % to 140 % of the system's volts. Default: that of a simulated bench's address, "
            "else 6.4, 12.8 or 25.6 by the system.",
        ),
        click.option(
            "--rested",
            type=RESTED_S,
            default=0.0,
            metavar="SECONDS",
            help="How long unit and lamps are known to have been off already, up to 30 days; it counts as cooling.",
        ),
        click.option("--precise", is_flag=True, help="Sample slowly and precisely instead of fast."),
        click.option("--zero", is_flag=True, help="Also do the steps with the shorting link, which take the zeros of current and drop."),
    )(function)
