"""The rows of the page of choices: favourites, kinds of unit, questions, limit sets; what can be chosen in each, and what that means."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import Enum
from typing import Any

from bench import files
from bench.grade.speech import speech_of
from bench.limits import LimitSet
from bench.plain import one_line
from bench.render.values import limit_text
from bench.tui.choices import AS_DESCRIBED, NO_RULE, OTHER_W, SIGNAL_W, SYSTEMS_V, Choices
from bench.tui.presets import PRESETS, Preset

_MOST_LAMPS = (4, 1, 1)
"""Of signal lamps and each of OTHER_W: as many as a bank has. What a board lacks is refused in words."""
NOT_KNOWN = "not known"
FAVOURITES, KINDS, UNIT, TEST, LIMITS = "favourites", "kinds of unit", "unit and load", "test", "limit sets"
"""The headings."""
_OF_ONES_OWN = "a file of your own, or one that is no more"


@dataclass(frozen=True, slots=True)
class Option:
    """One thing that a row can be set to: its text, what it means, and all choices as they then are."""

    text: str
    means: str
    choices: Choices


class Kind(Enum):
    """What a row is: a question with answers, a whole set-up, or a mark that is there or not."""

    ANSWER = "answer"
    WHOLE = "whole"
    MARK = "mark"


@dataclass(frozen=True, slots=True)
class ChoiceRow:
    """A row of the page of choices: its title and the options that it offers. `group`: the heading that it stands under."""

    title: str
    options: Callable[[Choices], Sequence[Option]]
    group: str = ""
    kind: Kind = Kind.ANSWER

    def holds(self, words: Sequence[str], choices: Choices) -> bool:
        """Whether each of these words stands somewhere in it, in its answers or in what they mean."""
        texts = (self.group, self.title, *(f"{option.text} {option.means}" for option in self.options(choices)))
        text = " ".join(texts).casefold()
        return all(word.casefold() in text for word in words)

    def taken(self, choices: Choices) -> Choices:
        """What Enter takes over at this row: the whole set-up that it is, else everything as it was chosen."""
        return self.options(choices)[-1].choices if self.kind is Kind.WHOLE else choices

    def now(self, choices: Choices) -> tuple[int, Sequence[Option]]:
        """Which of the row's options holds, and all of them."""
        options = self.options(choices)
        return next(number for number, option in enumerate(options) if option.choices == choices), options

    def moved(self, choices: Choices, by: int) -> Choices:
        """The choices after so many steps to the right; behind the last option stands the first."""
        number, options = self.now(choices)
        return options[(number + by) % len(options)].choices


def choice_rows(choices: Choices, favourites: Sequence[Choices] = ()) -> tuple[ChoiceRow, ...]:
    """All rows, in the order in which one would ask. Reads the shipped data files; `choices` may name others."""
    wholes = [ChoiceRow(one.summary(), _whole(one, "a favourite: all of it"), FAVOURITES, Kind.WHOLE) for one in favourites]
    wholes += [ChoiceRow(one.title, _whole_kind(one), KINDS, Kind.WHOLE) for one in PRESETS]
    return (*wholes, *_unit_rows(), *_test_rows(), *_limit_rows(choices.limits))


def _whole(one: Choices, means: str) -> Callable[[Choices], Sequence[Option]]:
    return lambda c: [Option("", means, one)] if c == one else [Option("", means, c), Option("", means, one)]


def _whole_kind(preset: Preset) -> Callable[[Choices], Sequence[Option]]:
    return lambda c: _whole(preset.applied(c), preset.means)(c)


def _unit_rows() -> tuple[ChoiceRow, ...]:
    """What the unit is for and what it is said to be, and on what it is tested."""
    banks = {AS_DESCRIBED: "what the board says of its lamps; for a simulated bench what its address says"}
    banks |= {bank.name: one_line(bank.title) for bank in files.banks()}
    rows = (
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
    )
    return tuple(replace(row, group=UNIT) for row in rows)


def _test_rows() -> tuple[ChoiceRow, ...]:
    """How it is tested."""
    procedures = {name: one_line(files.procedure(name).title) for name in files.shipped("procedures")}
    rules = {name: one_line(files.grade_rule(name).title) for name in files.shipped("grades")}
    rules[NO_RULE] = "no grade is given, only the outcome"
    rows = (
        ChoiceRow("procedure", lambda c: _named(c.procedure, procedures, lambda name: replace(c, procedure=name))),
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
    return tuple(replace(row, group=TEST) for row in rows)


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
    return [Option(one_line(name) or "as described", known.get(name, _OF_ONES_OWN), choose(name)) for name in names]


def _limit_rows(chosen: Sequence[str]) -> tuple[ChoiceRow, ...]:
    """A row for each limit set, by family; before the sets of a family of several one that leaves the choice to what the unit does."""
    sets = files.limit_sets()
    known: dict[str, str] = {}
    of_families: set[str] = set()
    for family in dict.fromkeys(one.family for one in sets):
        members = [one for one in sets if one.family == family]
        if len(members) > 1:
            known[family] = f"{len(members)} sets: the one that fits what the unit does and its lamps"
            of_families |= {one.name for one in members}
        known |= {one.name: limits_means(one) for one in members}
    known |= {name: _OF_ONES_OWN for name in chosen if name not in known}
    return tuple(_limit_row(name, means, "  " * (name in of_families)) for name, means in known.items())


def _limit_row(name: str, means: str, indent: str) -> ChoiceRow:
    def options(c: Choices) -> list[Option]:
        others = tuple(one for one in c.limits if one != name)
        with_it = c.limits if name in c.limits else (*c.limits, name)
        return [Option("not judged by it", means, replace(c, limits=others)), Option("judged by it", means, replace(c, limits=with_it))]

    return ChoiceRow(indent + one_line(name), options, LIMITS, Kind.MARK)


def limits_means(one: LimitSet) -> str:
    """What a limit set is for and what it asks, in a sentence."""
    asks = [f"{speech_of(limit.quantity).title} {limit_text(limit)}" for limit in one.limits]
    more = len(one.requirements) - len(asks)
    asks += [f"{more} more"] if more else []
    return one_line(f"{one.title}: {', '.join(asks)}")


def _yes_no(title: str, choose: Callable[[Choices, bool], Choices], no: tuple[str, str], yes: tuple[str, str]) -> ChoiceRow:
    def options(c: Choices) -> list[Option]:
        return [Option(text, means, choose(c, value)) for value, (text, means) in ((False, no), (True, yes))]

    return ChoiceRow(title, options)
