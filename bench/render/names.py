"""The one table of names: outcomes, verdicts, grades, bases and codes, each with what it means.

Screen, report, help and lists take their words from here. Quantities have theirs, one each, where they are defined
(`bench.measure.QUANTITIES`); an outcome and a verdict are called by the word of their type, and a grade as its rule's file says.
`tests/test_names.py` holds that no other text has a second name for any of them.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from bench.grade import Grade
from bench.limits import Averaging
from bench.measure import QUANTITIES
from bench.outcome import Outcome
from bench.record import SetUsed
from bench.uncertainty import Estimate
from bench.verdict import Conformity, Verdict

OUTCOMES: Mapping[Outcome, str] = {
    Outcome.GOOD: "no limit is broken, and the grade rule does not reject the unit",
    Outcome.NOT_GOOD: "a limit is not kept, or the grade rule rejects the unit",
    Outcome.NOT_FOR_LOAD: "it flashes right on other lamps, not on these",
    Outcome.NOT_DECIDED: "too near a limit, not measured, or not finished",
    Outcome.BENCH_FAULT: "board, link, supply or lamps; not counted against the unit",
}
"""What is said of a unit after a test."""
VERDICTS: Mapping[Conformity, str] = {
    Conformity.PASS: "inside the limits, guard band included",
    Conformity.CONDITIONAL_PASS: "inside the limits, but too near one to be sure",
    Conformity.CONDITIONAL_FAIL: "outside a limit, but too near it to be sure",
    Conformity.FAIL: "outside a limit, beyond the guard band",
    Conformity.NOT_MEASURED: "there is no value, or none under the conditions that the limit asks for",
}
"""What the verdict on one limit says (words of ILAC-G8)."""
OPEN = "open"
"""The word where there is a value, and nothing is said by it."""
VERDICT_WORDS: Mapping[str, str] = {
    **{conformity.value: meaning for conformity, meaning in VERDICTS.items()},
    OPEN: "not judged: the bench was at fault, a condition of the limit was not kept, or the limit is in doubt",
}
NOT_MEASURED = Conformity.NOT_MEASURED.value
"""What stands in place of a value that there is not."""
BASES: Mapping[str, str] = {
    "read": "read in the source", "own": "the shop's own", "summary": "after a summary", "memory": "from memory",
}  # fmt: skip
"""How well a figure is known, from the best to the worst."""
CONFIDENCES: Mapping[str, str] = {"H": "high", "M": "medium", "L": "low"}
"""Of a figure from memory."""
USES: Mapping[str, str] = {"": "Turn signals", "hazard": "Hazard warning", "outage": "Outage indication", "own": "A shop's own"}
"""What limit sets are for, in the order of lists."""
CHANNELS: Mapping[str, str] = {
    "v_in": "voltage at the unit's input",
    "v_out": "voltage at the unit's output",
    "v_drop": "contact drop, input to output",
    "i_load": "current, wide range",
    "i_load_low": "current, low range",
    "v_pilot": "voltage at the pilot terminal",
    "temperature": "ambient",
    "self_check": "the board's built-in standard",
}
"""What the channels of the reference rig read."""
AVERAGING: Mapping[str, str] = {
    "mean-of-rates": "mean of the cycles' rates",
    "total-time": "cycles over their total time",
}
"""How a limit set averages the flash rate."""


def capitalised(text: str) -> str:
    """Return a name as it begins a line."""
    return f"{text[:1].upper()}{text[1:]}"


def quantity_title(name: str) -> str:
    """Return the name of a quantity as it begins a line: `First light`."""
    return capitalised(QUANTITIES[name].title)


def grade_text(grade: Grade | None) -> str:
    """Return the letter with what it means, `B (good)`; empty if no grade was given."""
    return "" if grade is None or grade.name == "none" else f"{grade.name} ({grade.title})"


def verdict_word(verdict: Verdict) -> str:
    """Return the word for one verdict, the same in all reports; nothing that has a value is called not measured."""
    is_open = verdict.conformity is Conformity.NOT_MEASURED and isinstance(verdict.found, Estimate)
    return OPEN if verdict.why_open or is_open else verdict.conformity.value


def basis_text(basis: str, confidence: str = "") -> str:
    """Return how well a figure is known: `from memory, confidence high`."""
    return f"{BASES[basis]}, confidence {CONFIDENCES[confidence]}" if confidence else BASES[basis]


def averaging_text(averaging: Averaging) -> str:
    """Return how a limit set averages: `mean of the cycles' rates, after 5 cycles, over 3 or more`."""
    return f"{AVERAGING[averaging.rule]}, after {averaging.skip} cycles, over {averaging.average} or more"


def limit_set_text(used: SetUsed) -> str:
    """Return name, title and edition of a limit set that was used, and how it averages."""
    return f"{used.name}: {used.title} ({used.edition}). Flash rate: {averaging_text(used.averaging)}"


def legend(codes: Mapping[str, str], used: Iterable[str]) -> str:
    """Return what those of the codes that are used stand for: `NC: thermal, closed at rest; TC: two coils and a capacitor`."""
    found = set(used)
    return "; ".join(f"{code}: {meaning}" for code, meaning in codes.items() if code in found)
