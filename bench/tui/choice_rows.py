"""The rows of the screen of choices: what can be chosen in each, and what that means. No widget in here."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

from bench import files
from bench.render.plain import one_line
from bench.tui.choices import LAMPS_W, NO_RULE, SYSTEMS_V, Choices

MOST_LIMITS = 3
_MOST_LAMPS = (3, 1, 1)
"""Of each of LAMPS_W: as many as the reference rig has. What a board lacks is refused in words."""


@dataclass(frozen=True, slots=True)
class Option:
    """One thing that a row can be set to: its text, what it means, and all choices as they then are."""

    text: str
    means: str
    choices: Choices


@dataclass(frozen=True, slots=True)
class ChoiceRow:
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
    rules[NO_RULE] = "no grade is given, only the verdict"
    return (
        ChoiceRow("system", _system),
        *(_lamps_row(place) for place in range(len(LAMPS_W))),
        ChoiceRow("load", _load),
        ChoiceRow("terminals", _terminals),
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


def _lamps_row(place: int) -> ChoiceRow:
    """How many lamps of one wattage. Nobody knowing is a choice of the first row and then holds for all."""
    watts = LAMPS_W[place]

    def options(c: Choices) -> list[Option]:
        unknown = Option("not known", "nobody knows the rating: 2 x 21 W is tried, and grade A is out of reach", replace(c, lamps=None))
        if c.lamps is None and place:
            return [replace(unknown, means="set the lamps of 21 W first")]
        counts = c.lamps or (0, 0, 0)
        means = f"lamps of {watts:g} W that the unit is for, as marked on it; the tell-tale is not counted"
        most = max(_MOST_LAMPS[place], counts[place])
        known = [Option(str(n), means, replace(c, lamps=_with(counts, place, n))) for n in range(most + 1)]
        return [unknown, *known] if not place else known

    return ChoiceRow(f"lamps of {watts:g} W", options)


def _with(counts: tuple[int, int, int], place: int, count: int) -> tuple[int, int, int]:
    first, second, third = (count if number == place else old for number, old in enumerate(counts))
    return first, second, third


def _load(c: Choices) -> list[Option]:
    return [
        Option("the lamps it is for", "filament lamps of the bank, by their watts; their current is checked", replace(c, led=False)),
        Option("LED lamp", "what you put into the free place; its current is not checked", replace(c, led=True)),
    ]


def _terminals(c: Choices) -> list[Option]:
    return [
        Option("not known", "whether there is a pilot terminal is left open", replace(c, terminals=None)),
        Option("2", "no pilot terminal: nothing is expected of it", replace(c, terminals=2)),
        Option("3", "input, output, and a pilot terminal for the tell-tale: connect it", replace(c, terminals=3)),
    ]


def _named(now: str, known: Mapping[str, str], choose: Callable[[str], Choices]) -> list[Option]:
    """Options by name; one from elsewhere (a path, a file that is gone) stays among them while it is chosen."""
    names = list(known) if now in known else [now, *known]
    return [Option(one_line(name), known.get(name, "a file of your own, or one that is no more"), choose(name)) for name in names]


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
