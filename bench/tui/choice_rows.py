"""The rows of the screen of choices: what can be chosen in each, and what that means. No widget in here."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from bench import files
from bench.plain import one_line
from bench.tui.choices import AS_DESCRIBED, NO_RULE, OTHER_W, SIGNAL_W, SYSTEMS_V, Choices

MOST_LIMITS = 3
_MOST_LAMPS = (4, 1, 1)
"""Of signal lamps and each of OTHER_W: as many as a bank has. What a board lacks is refused in words."""
NOT_KNOWN = "not known"


@dataclass(frozen=True, slots=True)
class Option:
    """One thing that a row can be set to: its text, what it means, and all choices as they then are."""

    text: str
    means: str
    choices: Choices


@dataclass(frozen=True, slots=True)
class ChoiceRow:
    """A row of the page of choices: its title, and the options that it offers."""

    title: str
    options: Callable[[Choices], Sequence[Option]]

    def now(self, choices: Choices) -> tuple[int, Sequence[Option]]:
        """Which of the row's options holds, and all of them."""
        options = self.options(choices)
        return next(number for number, option in enumerate(options) if option.choices == choices), options

    def moved(self, choices: Choices, by: int) -> Choices:
        """The choices after so many steps to the right; behind the last option stands the first."""
        number, options = self.now(choices)
        return options[(number + by) % len(options)].choices


def choice_rows() -> tuple[ChoiceRow, ...]:
    """All rows, in the order in which one would ask. Reads the shipped data files, once."""
    limits = _limit_names()
    procedures = {name: one_line(files.procedure(name).title) for name in files.shipped("procedures")}
    rules = {name: one_line(files.grade_rule(name).title) for name in files.shipped("grades")}
    rules[NO_RULE] = "no grade is given, only the outcome"
    banks = {AS_DESCRIBED: "what the board says of its lamps; for a simulated bench what its address says"}
    banks |= {bank.name: one_line(bank.title) for bank in files.banks()}
    return (
        ChoiceRow("system", _system),
        ChoiceRow("signal lamps", lambda c: _lamps(c, 0, c.signal_w)),
        ChoiceRow("each of", _signal_w),
        *(_lamps_row(place, watts) for place, watts in enumerate(OTHER_W, 1)),
        ChoiceRow("load", _load),
        ChoiceRow("bank", lambda c: _named(c.bank, banks, lambda name: replace(c, bank=name))),
        ChoiceRow("terminals", _terminals),
        ChoiceRow("pilot", _pilot),
        ChoiceRow("pilot, lamp out", _pilot_lamp_out),
        ChoiceRow("made for load", _made_for),
        _claimed("outage signal", "outage", "a lamp out need not show", "a lamp out shows by its rate, or by standing still"),
        _claimed("LED lamps", "led", "for filament lamps alone", "also for LED lamps: in the dark they must stay dark"),
        _claimed("trailer", "trailer", "not for the lamps of a trailer", "flashes with a further lamp too"),
        ChoiceRow("procedure", lambda c: _named(c.procedure, procedures, lambda name: replace(c, procedure=name))),
        *(_limits_row(place, limits) for place in range(MOST_LIMITS)),
        ChoiceRow("grades by", lambda c: _named(c.grade_rule, rules, lambda name: replace(c, grade_rule=name))),
        _yes_no(
            "sampling",
            lambda c, on: replace(c, precise=on),
            ("fast", "sees short bounce; the usual way"),
            ("precise", "slower samples with less noise"),
        ),
        _yes_no(
            "zeros",
            lambda c, on: replace(c, zero=on),
            ("as stored", "steps with the shorting link are left out"),
            ("taken anew", "also the steps with the shorting link in the unit's place, if the procedure has them"),
        ),
        _yes_no(
            "length",
            lambda c, on: replace(c, stop_early=on),
            ("whole", "every run goes on for as many flashes as the procedure says"),
            ("may end early", "a run ends as soon as every limit is decided beyond doubt"),
        ),
    )


def _system(c: Choices) -> list[Option]:
    means = "volts of the vehicle's system; at the lamps the supply then has to give {:.1f} V"
    return [Option(f"{v:g} V", means.format(v * 12.8 / 12.0), replace(c, system_v=v)) for v in SYSTEMS_V]


def _lamps_row(place: int, watts: float) -> ChoiceRow:
    """How many lamps of one wattage beside the signal lamps; without those there is nothing to choose."""

    def options(c: Choices) -> list[Option]:
        if c.lamps is None:
            return [Option(NOT_KNOWN, "set the signal lamps first", c)]
        return _lamps(c, place, watts)[1:]

    return ChoiceRow(f"lamps of {watts:g} W", options)


def _lamps(c: Choices, place: int, watts: float) -> list[Option]:
    """That the rating is not known, or how many lamps of one wattage."""
    unknown = Option(NOT_KNOWN, "the lamp rating: 2 x 21 W is tried, and grade A is out of reach", replace(c, lamps=None))
    counts = c.lamps or (0, 0, 0)
    means = f"lamps of {watts:g} W that the unit is for, as marked on it; the tell-tale is not counted"
    most = max(_MOST_LAMPS[place], counts[place])
    return [unknown, *(Option(str(n), means, replace(c, lamps=_with(counts, place, n))) for n in range(most + 1))]


def _signal_w(c: Choices) -> list[Option]:
    if c.lamps is None:
        return [Option(NOT_KNOWN, "set the signal lamps first", c)]
    means = "of each signal lamp, as marked on the unit; such lamps must stand in the bank"
    return [Option(f"{watts:g} W", means, replace(c, signal_w=watts)) for watts in SIGNAL_W]


def _with(counts: tuple[int, int, int], place: int, count: int) -> tuple[int, int, int]:
    first, second, third = (count if number == place else old for number, old in enumerate(counts))
    return first, second, third


def _load(c: Choices) -> list[Option]:
    return [
        Option("the lamps it is for", "filament lamps of the bank, by their watts; their current is checked", replace(c, led=False)),
        Option("LED lamps", "those of the bank, or what you put into the free place, whose current is not checked", replace(c, led=True)),
    ]


def _claim(c: Choices, **changed: Any) -> Choices:
    return replace(c, claims=replace(c.claims, **changed))


def _terminals(c: Choices) -> list[Option]:
    """A unit of three terminals is asked for a tell-tale in step, until the next row says otherwise."""
    now = c.claims.terminals

    def of(count: int | None) -> Choices:
        if count == now:
            return c
        pilot = c.claims.pilot
        if count in (None, 2):
            return _claim(c, terminals=count, pilot=None if pilot == "in step" else pilot)
        return _claim(c, terminals=count, pilot=pilot if now in (3, 4) else pilot or "in step")

    return [
        Option(NOT_KNOWN, "whether there is a pilot terminal is left open", of(None)),
        Option("2", "no pilot terminal: nothing is asked of it", of(2)),
        Option("3", "a third for a pilot (connect it: it is judged) or for earth, see the next row", of(3)),
        Option("4", "supply, lamps, pilot and earth; connect the pilot: it is judged", of(4)),
    ]


def _pilot(c: Choices) -> list[Option]:
    if c.claims.terminals == 2:
        return [Option("none", "a unit of two terminals has none", c)]
    return [
        Option(NOT_KNOWN, "what is seen of a tell-tale is shown, and not judged", _claim(c, pilot=None)),
        Option("in step", "the tell-tale must light with the lamps", _claim(c, pilot="in step")),
        Option("antiphase", "the tell-tale must light while the lamps are dark", _claim(c, pilot="antiphase")),
        Option("none", "no terminal for a tell-tale; the third, if there is one, is earth", _claim(c, pilot="none")),
    ]


def _pilot_lamp_out(c: Choices) -> list[Option]:
    if c.claims.terminals == 2 or c.claims.pilot == "none":
        return [Option("none", "there is no tell-tale to look at", c)]
    return [
        Option(NOT_KNOWN, "what the tell-tale does with a lamp out is not judged", _claim(c, pilot_lamp_out=None)),
        Option("in step", "with a lamp out the tell-tale must go on in step", _claim(c, pilot_lamp_out="in step")),
        Option("dead", "with a lamp out the tell-tale must stay dark", _claim(c, pilot_lamp_out="dead")),
    ]


def _made_for(c: Choices) -> list[Option]:
    return [
        Option(NOT_KNOWN, "fixed or variable load: what it does with other lamps is shown, and not judged", _claim(c, load=None)),
        Option("fixed", "for its rated lamps alone: other lamps may upset it", _claim(c, load="fixed")),
        Option("variable", "must flash with a lamp out, and with a further one", _claim(c, load="variable")),
    ]


def _claimed(title: str, name: str, no: str, yes: str) -> ChoiceRow:
    """A claim that is true, or not, or not known."""

    def options(c: Choices) -> list[Option]:
        answers = ((None, NOT_KNOWN, "not judged"), (False, "no", no), (True, "yes", yes))
        return [Option(text, means, _claim(c, **{name: value})) for value, text, means in answers]

    return ChoiceRow(title, options)


def _named(now: str, known: Mapping[str, str], choose: Callable[[str], Choices]) -> list[Option]:
    """Options by name; one from elsewhere (a path, a file that is gone) stays among them while it is chosen."""
    names = list(known) if now in known else [now, *known]
    own = "a file of your own, or one that is no more"
    return [Option(one_line(name) or "as described", known.get(name, own), choose(name)) for name in names]


def _limits_row(place: int, known: Mapping[str, str]) -> ChoiceRow:
    def options(c: Choices) -> list[Option]:
        nothing = "nothing more" if place else "nothing"
        if place > len(c.limits):
            return [Option(nothing, "set the row above first", c)]
        others = [name for number, name in enumerate(c.limits) if number != place]
        now = c.limits[place] if place < len(c.limits) else ""
        # Only the last one may be taken away: then no other changes its row.
        last = place >= len(c.limits) - 1
        means = "" if others else "no limits: everything is measured, nothing is judged"
        without = [Option(nothing, means, replace(c, limits=tuple(others)))] if last else []
        free = {name: title for name, title in known.items() if name not in others}
        head, tail = c.limits[:place], c.limits[place + 1 :]
        named = _named(now or next(iter(free)), free, lambda name: replace(c, limits=(*head, name, *tail)))
        return [*without, *named]

    return ChoiceRow("and by" if place else "judged by", options)


def _limit_names() -> dict[str, str]:
    """Families first, then the sets that they choose from; to each what it is."""
    sets = files.limit_sets()
    members = {family: [one for one in sets if one.family == family] for family in dict.fromkeys(one.family for one in sets)}
    names = {
        family: some[0].title if len(some) == 1 else f"of {len(some)} sets the one for this kind of unit: {some[0].title}, ..."
        for family, some in members.items()
    }
    names |= {one.name: one.title for one in sets}
    return {name: one_line(title) for name, title in names.items()}


def _yes_no(title: str, choose: Callable[[Choices, bool], Choices], no: tuple[str, str], yes: tuple[str, str]) -> ChoiceRow:
    def options(c: Choices) -> list[Option]:
        return [Option(text, means, choose(c, value)) for value, (text, means) in ((False, no), (True, yes))]

    return ChoiceRow(title, options)
