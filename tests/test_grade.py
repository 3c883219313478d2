"""Grades by a shop's rule and the sentence of reason."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from bench.files import grade_rule, limit_sets
from bench.grade import Grade, Rule, grade, parse_rule, reason
from bench.limits import choose
from bench.measure import BenchFault, Measured
from bench.table import TableError
from bench.uncertainty import Component, Estimate, Measurement, NotMeasured
from bench.verdict import Verdict, judge, overall

SETS = limit_sets()
DEFAULT = grade_rule()
BENCH = BenchFault("lamp-open", "lamp 2 of the bank draws nothing: replace it")


def value(number: float, u: float, unit: str, n: int = 100) -> Estimate:
    return Estimate(number, unit, (Component("u", u),), n)


GOOD_VALUES: dict[str, Measurement] = {
    "rate_per_min": value(88.2, 0.1, "1/min"),
    "rate_total_per_min": value(88.2, 0.1, "1/min"),
    "on_ratio": value(0.51, 0.001, "1"),
    "start_s": value(0.69, 0.001, "s"),
    "drop_v": value(0.36, 0.002, "V"),
    "period_spread": value(0.01, 0.001, "1"),
    "missed": value(0.0, 0.0, "1"),
    "stuck": value(0.0, 0.0, "1"),
}
GOOD_FACTS = {
    "rest": "open",
    "behaviour": "flashing",
    "pilot": "in step",
    "rating": "known",
    "insulation": "good",
    "film": "none",
}


def unit(facts: dict[str, str] | None = None, faults: tuple[BenchFault, ...] = (), **values: Measurement) -> Measured:
    return Measured({**GOOD_VALUES, **values}, {**GOOD_FACTS, **(facts or {})}, faults)


def judged(measured: Measured, name: str = "us-turn") -> tuple[Verdict, ...]:
    return judge(measured, choose(SETS, name, measured.facts, 2))


def graded(measured: Measured) -> Grade:
    return grade(DEFAULT, measured, judged(measured))


def said(measured: Measured, name: str = "us-turn", interrupted: str | None = None) -> str:
    verdicts = judged(measured, name)
    return reason(measured, verdicts, overall(verdicts, measured.bench_faults, interrupted), measured.bench_faults)


# The default rule (common practice, no source).


@pytest.mark.parametrize(
    ("measured", "name"),
    [
        (unit(), "A"),
        (unit({"pilot": "absent"}), "A"),
        (unit(drop_v=value(0.48, 0.002, "V")), "A"),
        (unit(drop_v=value(0.5, 0.002, "V")), "B"),
        (unit(rate_per_min=value(115.0, 0.1, "1/min")), "B"),
        (unit(start_s=value(1.21, 0.001, "s")), "B"),
        (unit(missed=value(0.0, 0.0, "1", n=12)), "B"),
        (unit({"rating": "unknown"}), "B"),
        (unit({"pilot": "dead"}), "B"),
        (unit(drop_v=value(0.5, 0.002, "V"), start_s=value(1.21, 0.001, "s")), "C"),
        (unit(period_spread=value(0.04, 0.001, "1")), "C"),
        (unit(rate_per_min=value(119.99, 0.1, "1/min")), "C"),
        (unit({"film": "recovered"}), "C"),
        (unit(rate_per_min=value(120.01, 0.1, "1/min")), "R"),
        (unit(drop_v=NotMeasured("the sense wire is open", "bench")), "none"),
        (unit(period_spread=NotMeasured("too few cycles")), "none"),
        (unit(rate_per_min=value(130.0, 0.1, "1/min")), "R"),
        (unit(missed=value(1.0, 0.0, "1")), "R"),
        (unit(stuck=value(2.0, 0.0, "1")), "R"),
        (unit(period_spread=value(0.06, 0.001, "1")), "R"),
        (unit({"insulation": "bad"}), "R"),
        (unit(drop_v=value(0.85, 0.002, "V")), "R"),
        (unit({"behaviour": "steady on", "rest": "closed"}, rate_per_min=NotMeasured("no cycle")), "R"),
    ],
)
def test_default_grades(measured: Measured, name: str) -> None:
    found = graded(measured)
    assert found.name == name, found.because
    assert found.rule == "default" and (found.because or found.kept_from) and found.title and found.wording


def test_unknown_never_helps_and_is_said() -> None:
    """An unknown rating is never an A (trade practice)."""
    found = graded(Measured(GOOD_VALUES, {k: v for k, v in GOOD_FACTS.items() if k not in ("rating", "insulation")}))
    assert found.name == "B"
    assert "not known for A: nobody said which lamps it is for" in found.kept_from
    assert "not known for R: its insulation was not tested" in found.kept_from
    few = graded(unit(missed=value(0.0, 0.0, "1", n=12)))
    assert "not known for A: missed flashes: 12 flashes were counted, 100 are asked for" in few.kept_from


def test_what_kept_a_unit_from_an_a_is_said() -> None:
    kept_from = graded(unit(drop_v=value(0.5, 0.002, "V"))).kept_from
    assert "not A: contact drop 0.5000 ± 0.0040 V (at most 0.48)" in kept_from


def test_a_bench_fault_gives_no_grade() -> None:
    bad = unit(faults=(BENCH,), rate_per_min=value(300.0, 0.1, "1/min"))
    assert graded(bad) == Grade(
        "none", "not graded", "default", (f"bench fault: {BENCH.text}",), "Put the bench right and test again."
    )
    assert graded(unit(faults=(BenchFault("clock-off", "corrected", spoils=False),))).name == "A"


def test_without_verdicts_nothing_is_graded() -> None:
    found = grade(DEFAULT, unit(), ())
    assert found.name == "none" and any("no limit was judged" in text for text in found.kept_from)


def test_the_share_of_a_limit_needs_a_limit() -> None:
    found = grade(DEFAULT, unit(), judged(unit(), "uk"))
    assert found.name == "B"
    assert any(text.startswith("not known for A: no limit set used has a limit for starting time") for text in found.kept_from)


# A shop's own file.

CONDITION = """quantity = "drop_v"
below = 300
by_U = 2
unit = "mV\""""
RULE = f"""
format = 1
name = "mine"
title = "mine"
[[grade]]
name = "1"
title = "one"
wording = "w"
need = "all"
[[grade.condition]]
{CONDITION}
[otherwise]
name = "0"
title = "zero"
wording = "w"
"""


def rule(text: str) -> Rule:
    return parse_rule(tomllib.loads(text), "grade rule mine.toml")


@pytest.mark.parametrize(("drop_v", "name"), [(0.2919, "1"), (0.2925, "0"), (0.31, "0")])
def test_margins_in_expanded_uncertainties(drop_v: float, name: str) -> None:
    """2 U is 2 x 1.96 x 2 mV = 7.84 mV inside 300 mV."""
    measured = unit(drop_v=value(drop_v, 0.002, "V"))
    assert grade(rule(RULE), measured, ()).name == name


def test_open_ends_are_not_reached() -> None:
    exact = unit(drop_v=value(0.3, 0.0, "V"))
    without_margin = RULE.replace("by_U = 2\n", "")
    assert grade(rule(without_margin), exact, ()).name == "0"
    assert grade(rule(without_margin.replace("below", "high")), exact, ()).name == "1"


@pytest.mark.parametrize(
    ("old", "new", "key", "text"),
    [
        ("format = 1", "format = 3", "format", "format 1"),
        ("below = 300", "low = 1\nbelow = 300", "grade[1].condition[1].low", "or else"),
        ("below = 300\n", "", "grade[1].condition[1].low", "or else"),
        ("by_U = 2", "by_U = 0", "grade[1].condition[1].by_U", "above 0"),
        ('need = "all"', 'need = "most"', "grade[1].need", "all, any"),
        (CONDITION, 'any_verdict = ["bad"]', "grade[1].condition[1].any_verdict", "conditional pass"),
        (CONDITION, 'misses_of = "9"\nat_most = 1', "grade[1].misses_of", "earlier grade"),
        (CONDITION, "hope = 1", "grade[1].condition[1].condition", "misses_of"),
        (CONDITION, 'share_of_limit = 0.5\nquantities = ["x"]', "grade[1].condition[1].quantities", "drop_v"),
        ("[otherwise]", "[else]", "otherwise", "not a table"),
    ],
)
def test_errors_name_file_and_key(old: str, new: str, key: str, text: str) -> None:
    changed = RULE.replace(old, new)
    assert changed != RULE
    with pytest.raises(TableError) as error:
        rule(changed)
    message = str(error.value)
    assert message.startswith(f"grade rule mine.toml: {key}: ") and text in message and "\n" not in message


# The sentence.


@pytest.mark.parametrize(
    ("measured", "text"),
    [
        (unit(), "Good: 88.20 ± 0.20 flashes a minute, the limits are 60 and 120; all 4 limits are kept."),
        (unit(rate_per_min=value(136.8, 0.1, "1/min")), "Too fast: 136.80 ± 0.20 flashes a minute, the limit is 120."),
        (unit(rate_per_min=value(58.2, 0.1, "1/min")), "Too slow: 58.20 ± 0.20 flashes a minute, the limit is 60."),
        (
            unit(on_ratio=value(0.76, 0.001, "1"), drop_v=value(0.9, 0.01, "V")),
            "Lit too long in each flash: 76.00 ± 0.20 % of the time, the limit is 75, and 1 more limit is not kept.",
        ),
        (
            unit(rate_per_min=value(119.999, 0.1, "1/min")),
            "Just inside, too close to be sure: 119.999 ± 0.20 flashes a minute, the limits are 60 and 120; test again.",
        ),
        (
            unit(drop_v=value(0.80001, 0.002, "V")),
            "Just outside, too close to be sure: contact drop 0.80001 ± 0.0040 V, at most 0.8; test again.",
        ),
        (
            unit(
                {"behaviour": "steady on", "rest": "closed"},
                rate_per_min=NotMeasured("no cycle"),
                on_ratio=NotMeasured("no cycle"),
            ),
            "It does not flash: the lamps stay on, and 1 more limit is not kept.",
        ),
        (
            unit(drop_v=NotMeasured("the drop was clamped")),
            "Not decided: contact drop could not be measured (the drop was clamped); test again.",
        ),
        (
            unit(faults=(BENCH,)),
            "The bench is at fault, not the unit: lamp 2 of the bank draws nothing: replace it. Put that right and test again.",
        ),
    ],
)
def test_one_plain_sentence(measured: Measured, text: str) -> None:
    assert said(measured) == text


def test_sentences_of_alternatives_and_facts() -> None:
    flashing: dict[str, Measurement] = {"outage_rate_per_min": value(92.0, 0.1, "1/min"), "outage_ratio": value(1.04, 0.01, "1")}
    assert said(unit({"outage": "flashing"}, (), **flashing), "outage-qct501") == (
        "No outage indication: none of these was seen: a clear rise, a clear fall, steady."
    )
    assert said(unit({"outage": "steady on"}), "outage-qct501") == "Good: outage indication (steady)."
    assert said(unit({"pilot": "dead"}), "shop-example") == (
        "Asked for is: tell-tale works, or there is none; found was dead, not in step or antiphase or absent."
    )


def test_interrupted_and_empty_tests_say_so() -> None:
    assert said(unit(), interrupted="unplugged") == "Not decided: the test ended before it was done."
    assert reason(unit(), (), overall((), (), None), ()) == "Not decided: no limit was judged."


def test_no_word_of_the_law() -> None:
    """A tester's pass is not an inspection."""
    for path in (Path(__file__).parent.parent / "bench" / "data").rglob("*.toml"):
        text = path.read_text(encoding="utf-8").lower()
        assert "complian" not in text and "complies" not in text, path
