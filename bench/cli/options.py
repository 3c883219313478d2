"""Options that several commands share, and the setup of a test that they make."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import TYPE_CHECKING, Any, TypeVar

import click

from bench import defaults

if TYPE_CHECKING:
    from bench.session import Setup

F = TypeVar("F", bound=Callable[..., Any])
Decorator = Callable[[F], F]


class Watts(click.ParamType[tuple[float, ...]]):
    """`2x21+5`: two lamps of 21 W and one of 5 W."""

    name = "lamps"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> tuple[float, ...]:
        if not isinstance(value, str):
            return tuple(value)
        watts: list[float] = []
        for part in value.replace(" ", "").lower().split("+"):
            match = re.fullmatch(r"(?:(\d{1,2})x)?(\d{1,3}(?:\.\d+)?)w?", part)
            if match is None or float(match[2]) == 0.0 or match[1] == "0":
                self.fail(f"{value!r} is no list of lamps; write their watts like 21, 2x21 or 2x21+5", param, ctx)
            watts += [float(match[2])] * int(match[1] or 1)
        return tuple(watts)


class LoadNumbers(click.ParamType[tuple[int, ...]]):
    """`1,2,6`: loads of the board by number."""

    name = "loads"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> tuple[int, ...]:
        if not isinstance(value, str):
            return tuple(value)
        if not re.fullmatch(r"[1-8](,[1-8])*", value):
            self.fail(f"{value!r} is no list of loads; write their numbers, 1 to 8, like 1,2,6", param, ctx)
        return tuple(sorted({int(number) for number in value.split(",")}))


class Fact(click.ParamType[tuple[str, str]]):
    """`insulation=good`: a fact, and which of its words it is."""

    name = "fact"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> tuple[str, str]:
        if not isinstance(value, str):
            return tuple(value)
        fact, sign, word = (part.strip() for part in value.partition("="))
        if not (fact and sign and word):
            self.fail(f"{value!r}; write it like insulation=good", param, ctx)
        return fact, word


def _all(*options: Callable[[F], F]) -> Callable[[F], F]:
    def decorate(function: F) -> F:
        for option in reversed(options):
            function = option(function)
        return function

    return decorate


def lamps_options(function: F) -> F:
    return _all(
        click.option(
            "--rated",
            type=Watts(),
            metavar="LAMPS",
            help="Watts of the lamps that the unit is for, as marked on it: 2x21+5. Without it 2x21 is tried, and the rating counts "
            "as unknown.",
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
            help="What really stands in the sockets, where that is not what the board says; `makebreak banks` lists them. Default for a "
            "simulated bench: the bank of its address.",
        ),
        click.option(
            "--led",
            is_flag=True,
            help="The load is not (only) filament lamps: its current is not checked against the watts. Not needed where the bank is known.",
        ),
        click.option(
            "--fact",
            "facts",
            type=Fact(),
            multiple=True,
            metavar="FACT=WORD",
            help="What you know of the unit and no rig sees: pilot=absent (no such terminal), insulation=good or bad, film=recovered. "
            "May be given several times.",
        ),
        click.option(
            "--system",
            type=click.Choice(["6", "12", "24"]),
            help="Volts of the unit's system. Default: 12; for a simulated bench that of its address or unit.",
        ),
    )(function)


def limits_options(function: F) -> F:
    return _all(
        click.option(
            "--limits", multiple=True, default=defaults.LIMITS, show_default=True, metavar="NAME|FILE",
            help="Limit set, family or file to judge by; may be given several times. `makebreak limits` lists them.",
        ),
        click.option(
            "--grade-rule", default=defaults.GRADE_RULE, show_default=True, metavar="NAME|FILE|none",
            help="The shop's rule that gives the grade.",
        ),
    )(function)  # fmt: skip


def bench_options(function: F) -> F:
    return _all(
        click.option(
            "--supply",
            type=float,
            metavar="VOLTS",
            help="At the lamps, with the unit shorted. Default: that of a simulated bench's address, else 6.4, 12.8 or 25.6 by the system.",
        ),
        click.option(
            "--rested",
            type=click.FloatRange(min=0.0),
            default=0.0,
            metavar="SECONDS",
            help="How long unit and lamps are known to have been off already; it counts as cooling.",
        ),
        click.option("--precise", is_flag=True, help="Sample slowly and precisely instead of fast."),
        click.option(
            "--zero", is_flag=True, help="Also do the steps with the shorting link, which take the zeros of current and drop."
        ),
    )(function)


def make_setup(
    *,
    unit: str,
    rated: tuple[float, ...] | None,
    system: str | None,
    limits: tuple[str, ...],
    grade_rule: str,
    facts: tuple[tuple[str, str], ...] = (),
    lamps: tuple[int, ...] | None = None,
    led: bool = False,
    bank: str | None = None,
    address: str = "",
    supply: float | None = None,
    precise: bool = False,
    zero: bool = False,
    stop_early: bool = False,
    rested: float = 0.0,
) -> Setup:
    """The setup that the options ask for; SetupError or TableError if there is no such thing. Who names the lamps knows the rating.

    What no option says is taken from `address`, where that is a simulated bench's: AddressError if there can be no such bench.
    """
    from bench import files
    from bench.ports.setting import known_bench
    from bench.session import Setup

    known = known_bench(address)
    return Setup(
        unit=unit,
        system_v=float(system or known.system_v or defaults.SYSTEM_V),
        rated=defaults.RATED_W if rated is None else rated,
        lamps=lamps,
        filament=not led,
        bank=known.bank if bank is None else files.bank(bank),
        supply_v=known.supply_v if supply is None else supply,
        limits=tuple(files.named_limits(name) for name in limits),
        grade_rule=None if grade_rule == "none" else files.grade_rule(grade_rule),
        stop_early=stop_early,
        precise=precise,
        zero=zero,
        rested_s=rested,
        rating_known=rated is not None,
        entered=dict(facts),
    )
