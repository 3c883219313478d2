"""Help on one key: what the keys do, what the words and signs mean, and the cautions word for word."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import ClassVar

from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from bench import files
from bench.errors import TableError
from bench.measure import QUANTITIES
from bench.plain import one_line
from bench.render.cautions import BEFORE_POWER, NO_INSPECTION, SIMULATED
from bench.render.names import NOT_MEASURED, OUTCOMES, VERDICTS
from bench.tui.choices import NO_RULE
from bench.tui.frame import BACK, KeyHint
from bench.tui.gauge_scale import ABOVE, BAND, BELOW, LINE, OUTSIDE, POST, VALUE, VALUE_OUTSIDE, gauge
from bench.tui.long_text import ReadingScreen
from bench.tui.signs import CONFORMITY_SIGNS, SIGNS

KEYS: Sequence[tuple[str, str]] = (
    ("letters, digits", "the unit's number, from any screen: type it or scan its label"),
    ("Enter", "takes the number; then starts, says that something is done, accepts an outcome and makes ready for the next unit"),
    ("Esc", "in a test, on any screen: cancels it, all loads open; else takes back what was typed, or goes back"),
    ("F1", "this help; the key that opened a page closes it again, also in a test"),
    ("F2", "what is tested: kinds of unit, system, lamps, what the unit is said to be, procedure, limits; kept until you change it"),
    ("F7, F6 on F2", "search by words; keep a set-up as a favourite, or no more"),
    ("F3", "practice on a simulated bench"),
    ("F4", "looking back: the units of this day, each with its trace"),
    ("F5", "the whole report of the test just done, or in looking back of the one chosen"),
    ("F6", "the same unit once more, or in looking back the one chosen"),
    ("F8", "light or dark"),
    ("F9", "traces in dots or in blocks, for a terminal whose letters lack the dots"),
    ("F12", "leave (Ctrl-C and Ctrl-Q too): everything open, the record kept; in a test it is asked once more"),
)
DAY: Sequence[str] = (
    "Scan or type the unit's number, put the unit into the socket, press Enter: the test runs.",
    "While it runs you see the lamps' current and the voltages, the flashes counted, and a line for each thing that is judged.",
    "The outcome fills the screen: grade, word and sign, why, and what to do next. Enter accepts it; the next unit may come.",
    "NOT DECIDED and BENCH FAULT say nothing of the unit: Enter makes ready to test it again.",
)
WORDS: Sequence[tuple[str, str]] = (
    ("± 95 %", "the true value lies within this much of the one shown, 95 times in a hundred"),
    ("inside", "inside the limits, and far enough from them to be sure"),
    ("near the edge", "nearer to a limit than the guard band; the sign says on which side the value lies"),
    ("outside", "outside a limit, and far enough from it to be sure"),
    ("not yet", "too little has been seen for a value so far"),
    (NOT_MEASURED, "there will be no value, and the line says why; not counted against the unit"),
    ("guard band", "the strip beside a limit in which a value is too near to be sure: 1.645 standard uncertainties, more with few flashes"),
    ("claims", "what a part is said to be (F2): what it must show is judged like any limit"),
    ("live", "lamps are switched while the unit flashes on; the trace goes on"),
    ("grade", "what a shop's own rule makes of the values; the report names the rule"),
    ("rated load", "the lamps that the unit is made for, as marked on it"),
    ("closed at rest", "the lamps light as soon as voltage comes, and then the unit opens"),
    ("open at rest", "the lamps stay dark at first, and then the unit closes"),
    ("behaviour", "flashing, steady on, dark, one flash, too few or irregular flashes, or no supply at the unit"),
    ("pilot", "the third terminal, for the tell-tale: in step with the lamps, in antiphase, steady, dead, or absent"),
    ("zeros", "what current and drop read while a shorting link stands in the unit's place"),
)


class Help(ReadingScreen):
    """Everything on one page."""

    KEY = "F1"
    HINTS: ClassVar[tuple[KeyHint, ...]] = (("↑ ↓", "line"), ("PgUp PgDn", "page"), ("Home End", "begin, end"), BACK)

    def page_text(self) -> RenderableType:
        return help_text(self.app.theme_variables, grade_rows(self.state.choices.grade_rule))


def help_text(colours: dict[str, str], grades: Sequence[tuple[str, str, str]]) -> RenderableType:
    """The page; `grades` as `grade_rows` gives them."""
    quiet = colours.get("quiet", "")
    signs = [(f"{sign.mark} {sign.word}", OUTCOMES[outcome], colours.get(sign.variable, "")) for outcome, sign in SIGNS.items()]
    limits = [
        (f"{sign.mark} {sign.word.lower()}", VERDICTS[conformity], colours.get(sign.variable, ""))
        for conformity, sign in CONFORMITY_SIGNS.items()
    ]
    return Group(
        _title("A unit's test"),
        *(Text(f"{number}. {line}") for number, line in enumerate(DAY, 1)),
        _title("Keys"),
        _table([(key, does, "") for key, does in KEYS]),
        _title("The outcome of a test"),
        _table(signs),
        _title("Grades"),
        _table(grades),
        _title("The verdict on one limit"),
        _table(limits),
        _title("A gauge"),
        gauge(60.0, 120.0, 40, 90.0, 9.0, ("60", "120"), "bold", quiet),
        Text(
            f"{VALUE} is the value, {VALUE_OUTSIDE} one that is not allowed, {LINE} how uncertain it is (95 %). Between the posts {POST} "
            f"lies what is allowed ({BAND}), beyond them what is not ({OUTSIDE}). A value off the scale is shown by {BELOW} or {ABOVE} at "
            "the end."
        ),
        _title("Words"),
        _table([(word, means, "") for word, means in WORDS]),
        _title("What is measured"),
        _table([(quantity.full_title, quantity.definition, "") for quantity in QUANTITIES.values()]),
        _title("Cautions: before power comes on"),
        *(Text(f"! {line}") for line in BEFORE_POWER),
        _title("Cautions: under every result"),
        Text(f"! {NO_INSPECTION}"),
        Text(f"! {SIMULATED} (so every simulated result is marked)"),
        Text(),
    )


def grade_rows(rule: str) -> list[tuple[str, str, str]]:
    """Letter, meaning and wording of each grade of the rule that is chosen, the best first; or why there is none."""
    if rule == NO_RULE:
        return [("none", "no grade rule is chosen; the outcome is given without a grade", "")]
    try:
        steps = files.grade_rule(rule).steps
    except TableError as error:
        return [("none", one_line(str(error)), "")]
    found = {one_line(step.name): one_line(f"{step.title}: {step.wording}") for step in steps if step.name != "none"}
    return [(name, says, "") for name, says in sorted(found.items())]


def _title(text: str) -> RenderableType:
    return Text(f"\n{text}", style="bold underline")


def _table(rows: Iterable[tuple[str, str, str]]) -> Table:
    table = Table.grid(padding=(0, 2))
    table.add_column(max_width=26, overflow="fold")
    table.add_column(overflow="fold")
    for name, means, style in rows:
        table.add_row(Text(name, style=f"bold {style}".rstrip()), Text(means))
    return table
