"""Grades by a shop's rule."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from bench.errors import TableError
from bench.files import grade_rule, limit_sets
from bench.grade import Grade, Rule, grade, parse_rule
from bench.grade.speech import speech_of
from bench.limits import choose
from bench.measure import QUANTITIES, BenchFault, Measured
from bench.render.values import quantity_text
from bench.uncertainty import Component, Estimate, Measurement, NotMeasured
from bench.verdict import Verdict, judge

SETS = limit_sets()
DEFAULT = grade_rule()
BENCH = BenchFault("lamp-open", "lamp 2 of the bank draws nothing: replace it")


def value(number: float, u: float, unit: str, n: int = 100) -> Estimate:
    return Estimate(number, unit, (Component("u", u),), n)


def count(number: int, n: int = 100) -> Estimate:
    return Estimate(float(number), "1", (), n)


GOOD_VALUES: dict[str, Measurement] = {
    "rate_per_min": value(88.2, 0.1, "1/min"),
    "rate_total_per_min": value(88.2, 0.1, "1/min"),
    "on_ratio": value(0.51, 0.001, "1"),
    "start_s": value(0.69, 0.001, "s"),
    "drop_v": value(0.36, 0.002, "V"),
    "period_spread": value(0.01, 0.001, "1"),
    "drop_trend_v_per_min": value(0.01, 0.01, "V/min"),
    "missed": count(0),
    "stuck": count(0),
}
GOOD_FACTS = {
    "rest": "open",
    "behaviour": "flashing",
    "pilot": "in step",
    "rating": "known",
    "insulation": "good",
    "film": "none",
    "mechanism": "thermal, closed at rest",
    "system": "12 V",
}


def unit(facts: dict[str, str] | None = None, faults: tuple[BenchFault, ...] = (), **values: Measurement) -> Measured:
    """With no more current than that of two lamps: the drop carried to 3.5 A is the drop."""
    drop = values.get("drop_v", GOOD_VALUES["drop_v"])
    return Measured({**GOOD_VALUES, "drop_carried_v": drop, **values}, {**GOOD_FACTS, **(facts or {})}, faults)


def judged(measured: Measured, name: str = "us-turn") -> tuple[Verdict, ...]:
    return judge(measured, choose(SETS, name, measured.facts, 2))


def graded(measured: Measured) -> Grade:
    return grade(DEFAULT, measured, judged(measured))


# The default rule (common practice, no source).


PLAIN = {"mechanism": "electronic"}
"""A kind whose contact has nothing in series with it."""


@pytest.mark.parametrize(
    ("measured", "name"),
    [
        (unit(), "A"),
        (unit({"pilot": "absent"}), "A"),
        (unit(drop_v=value(0.48, 0.002, "V")), "A"),
        (unit(drop_v=value(0.5, 0.002, "V")), "B"),
        (unit({"mechanism": "unknown"}, drop_v=value(0.3, 0.002, "V")), "A"),
        (unit(PLAIN, drop_v=value(0.2, 0.002, "V")), "A"),
        (unit(PLAIN, drop_v=value(0.3, 0.002, "V")), "B"),
        (unit(PLAIN, drop_v=value(0.36, 0.002, "V")), "C"),
        (unit(PLAIN, drop_v=value(0.4, 0.002, "V"), drop_carried_v=value(0.2, 0.002, "V")), "A"),
        (unit(PLAIN, drop_v=value(0.4, 0.002, "V"), drop_carried_v=value(0.3, 0.002, "V")), "B"),
        (unit({**PLAIN, "system": "24 V"}, drop_v=value(0.4, 0.002, "V")), "C"),
        (unit({"system": "24 V"}, drop_v=value(0.7, 0.002, "V")), "A"),
        (unit(drop_trend_v_per_min=value(0.11, 0.01, "V/min")), "B"),
        (unit(rate_per_min=value(115.0, 0.1, "1/min")), "B"),
        (unit(start_s=value(1.21, 0.001, "s")), "B"),
        (unit({"rating": "unknown"}), "B"),
        (unit({"pilot": "dead"}), "B"),
        (unit(drop_v=value(0.5, 0.002, "V"), start_s=value(1.21, 0.001, "s")), "C"),
        (unit(period_spread=value(0.04, 0.001, "1")), "C"),
        (unit(rate_per_min=value(119.82, 0.1, "1/min")), "C"),
        (unit(bounce_make_s=value(0.006, 1e-5, "s")), "C"),
        (unit(bounce_break_s=value(0.006, 1e-5, "s")), "C"),
        (unit(dropouts=count(1)), "C"),
        (unit(drop_spread_v=value(0.06, 0.002, "V")), "C"),
        (unit(drop_spread_v=value(0.06, 0.02, "V")), "A"),
        (unit(PLAIN, drop_v=value(0.1, 0.002, "V"), dark_a=value(0.012, 0.0005, "A")), "C"),
        (unit({"mechanism": "hot wire"}, drop_v=value(0.1, 0.002, "V"), dark_a=value(0.25, 0.001, "A")), "A"),
        (unit({"mechanism": "two-coil", "outage": "steady on"}, drop_v=value(0.1, 0.002, "V")), "C"),
        (unit({"mechanism": "two-coil", "outage": "flashing"}, drop_v=value(0.1, 0.002, "V")), "A"),
        (unit({"outage": "steady on"}), "A"),
        (unit({"film": "recovered"}), "C"),
        (unit(missed=count(0, 12)), "none"),
        (unit(rate_per_min=value(119.99, 0.1, "1/min")), "none"),
        (unit(rate_per_min=value(120.01, 0.1, "1/min")), "none"),
        (unit(drop_v=NotMeasured("the sense wire is open", "bench")), "none"),
        (unit(period_spread=NotMeasured("too few cycles")), "A"),
        (unit(rate_per_min=value(130.0, 0.1, "1/min")), "R"),
        (unit(missed=count(1)), "R"),
        (unit(missed=count(1, 9)), "R"),
        (unit(stuck=count(2)), "R"),
        (unit(period_spread=value(0.06, 0.001, "1")), "R"),
        (unit(period_spread=value(0.06, 0.02, "1")), "C"),
        (unit({"insulation": "bad"}), "R"),
        (unit(drop_v=value(0.85, 0.002, "V")), "R"),
        (unit(drop_largest_v=value(0.85, 0.002, "V")), "R"),
        (unit({"system": "24 V"}, drop_largest_v=value(0.85, 0.002, "V")), "A"),
        (unit({"system": "24 V"}, drop_largest_v=value(1.65, 0.002, "V")), "R"),
        (unit({"behaviour": "steady on", "rest": "closed"}, rate_per_min=NotMeasured("no cycle")), "R"),
    ],
)
def test_default_grades(measured: Measured, name: str) -> None:
    found = graded(measured)
    assert found.name == name, (found.because, found.kept_from)
    assert found.rule == "default" and (found.because or found.kept_from) and found.title and found.wording
    assert found.outcome == {"R": "not good", "none": found.outcome}.get(name, "good")


def test_unknown_never_helps_and_is_said() -> None:
    """An unknown rating is never an A (trade practice)."""
    found = graded(Measured(GOOD_VALUES, {k: v for k, v in GOOD_FACTS.items() if k not in ("rating", "insulation")}))
    assert found.name == "B"
    assert "not known for A: lamp rating not entered" in found.kept_from
    assert any(text.startswith("not known for R: ") and text.endswith("insulation not tested") for text in found.kept_from)
    few = graded(unit(missed=count(0, 12)))
    assert "not known for A: missed flashes: 12 flashes seen, 60 needed" in few.kept_from


def test_what_kept_a_unit_from_an_a_is_said() -> None:
    kept_from = graded(unit(drop_v=value(0.5, 0.002, "V"))).kept_from
    assert "not A: contact drop 0.5000 ± 0.0040 V (at most 0.48)" in kept_from


def test_a_bench_fault_gives_no_grade() -> None:
    bad = unit(faults=(BENCH,), rate_per_min=value(300.0, 0.1, "1/min"))
    assert graded(bad) == Grade("none", "not graded", "default", (f"bench fault: {BENCH.text}",), "Put the bench right and test again.")
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
format = 2
name = "mine"
title = "mine"
[[grade]]
name = "1"
title = "one"
outcome = "good"
wording = "w"
need = "all"
[[grade.condition]]
{CONDITION}
[otherwise]
name = "0"
title = "zero"
outcome = "not good"
wording = "w"
"""


def rule(text: str) -> Rule:
    return parse_rule(tomllib.loads(text), "grade rule mine.toml")


@pytest.mark.parametrize(("drop_v", "name"), [(0.2919, "1"), (0.2925, "0"), (0.31, "0")])
def test_margins_in_expanded_uncertainties(drop_v: float, name: str) -> None:
    """2 U is 2 x 1.96 x 2 mV = 7.84 mV inside 300 mV."""
    measured = unit(drop_v=value(drop_v, 0.002, "V"))
    assert grade(rule(RULE), measured, ()).name == name


def test_ends_that_stand_the_wrong_way_round_are_refused() -> None:
    with pytest.raises(TableError, match=r"condition\[1\]\.low: got a lower end above the upper one"):
        rule(RULE.replace("below = 300", "low = 400\nhigh = 300"))


def test_a_bound_that_must_not_be_reached_is_no_least() -> None:
    """`contact drop 1.6 V (at least 0.8)` read as what was required of it."""
    speech = speech_of("drop_v")
    assert (speech.band(0.8, None, open_ends=True), speech.band(None, 0.3, open_ends=True)) == ("above 0.8", "below 0.3")
    assert (speech.band(0.8, None), speech.band(None, 0.3)) == ("at least 0.8", "at most 0.3")


@pytest.mark.parametrize(
    ("quantity", "si", "text"),
    [
        ("dropouts", 2.0, "2"),
        ("inrush_ratio", 9.5, "9.5"),
        ("period_spread", 0.05, "5 %"),
        ("film_v", 0.25, "250 mV"),
        ("temperature_c", 24.0, "24 °C"),
        ("rate_drift_per_min2", 1.5, "1.5 /min²"),
    ],
)
def test_a_quantity_without_words_of_its_own_is_spoken_of_in_the_unit_that_it_is_shown_in(quantity: str, si: float, text: str) -> None:
    speech = speech_of(quantity)
    found = Estimate(si, QUANTITIES[quantity].unit, ())
    assert speech.value(found) == text == quantity_text(quantity, found)
    lossy = grade(grade_rule(), unit(drop_v=value(1.6, 0.01, "V")), ())
    assert "contact drop 1.600 ± 0.020 V (above 0.8)" in lossy.because


def test_open_ends_are_not_reached() -> None:
    exact = unit(drop_v=value(0.3, 0.0, "V"))
    without_margin = RULE.replace("by_U = 2\n", "")
    assert grade(rule(without_margin), exact, ()).name == "0"
    assert grade(rule(without_margin.replace("below", "high")), exact, ()).name == "1"


@pytest.mark.parametrize(
    ("old", "new", "key", "text"),
    [
        ("format = 2", "format = 1", "format", "format 2"),
        ('outcome = "good"\n', "", "grade[1].outcome", "missing"),
        ('outcome = "good"', 'outcome = "fine"', "grade[1].outcome", "good, not good, not decided"),
        ('outcome = "not good"\n', "", "otherwise.outcome", "missing"),
        (CONDITION, CONDITION + '\nonly = { colour = ["red"] }', "grade[1].condition[1].only.colour", "mechanism, rating, rest, system"),
        (CONDITION, f"{CONDITION}\nonly = {{ system = 12 }}", "grade[1].condition[1].only.system", "12"),
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


# What a grade says of the unit.


def test_a_condition_is_for_the_units_that_it_names_alone() -> None:
    only = f'{CONDITION}\nonly = {{ system = ["6 V", "12 V"], mechanism = ["electronic"] }}'
    other = f"{CONDITION.replace('300', '900')}"
    mine = rule(RULE.replace(CONDITION, f"{only}\n[[grade.condition]]\n{other}"))
    lossy = value(0.5, 0.002, "V")
    names = {
        (system, mechanism): grade(mine, unit({"system": system, "mechanism": mechanism}, drop_v=lossy), ()).name
        for system in ("12 V", "24 V") for mechanism in ("electronic", "hot wire", "unknown")
    }  # fmt: skip
    assert [key for key, name in names.items() if name == "0"] == [("12 V", "electronic")]


def test_a_rule_cannot_call_a_unit_good_of_which_a_limit_is_not_kept() -> None:
    """Nor can its last word."""
    kind = rule(RULE.replace(CONDITION, 'quantity = "drop_v"\nhigh = 9\nunit = "V"').replace('outcome = "not good"', 'outcome = "good"'))
    for rate in (130.0, 120.01, 119.0):
        measured = unit(rate_per_min=value(rate, 0.1, "1/min"))
        verdicts = judged(measured)
        kept = all(v.conformity.is_favourable for v in verdicts)
        found = grade(kind, measured, verdicts)
        assert (found.name, found.outcome) == (("1", "good") if kept else ("0", "not decided")), rate


def test_charges_say_what_they_are_of() -> None:
    lossy = value(0.9, 0.002, "V")
    found = graded(unit({"insulation": "bad"}, missed=count(2), drop_largest_v=lossy, rate_per_min=value(130.0, 0.1, "1/min")))
    assert found.name == "R"
    assert dict(zip(found.charged, found.charges, strict=True)) == {
        "missed": "2 missed flashes in 100",
        "drop_largest_v": "largest contact drop 0.9000 ± 0.0040 V, the limit is 0.8",
        "insulation": "its insulation is bad",
    }


def test_what_a_sound_unit_shows_is_no_charge() -> None:
    """Grade B asks for no missed flash among sixty: that there was none is said of the unit, not against it."""
    found = graded(unit(drop_v=value(0.5, 0.002, "V")))
    assert (found.name, found.charges) == ("B", ())
    assert "0 missed flashes in 100" in found.because


@pytest.mark.parametrize(
    ("changes", "sure"),
    [
        ({}, True),
        ({"missed": count(0, 20)}, False),
        ({"stuck": count(1, 20), "missed": count(0, 20)}, True),
        ({"period_spread": value(0.0301, 0.001, "1")}, False),
        ({"drop_v": value(0.4805, 0.002, "V")}, False),
    ],
)
def test_a_grade_is_sure_when_more_flashes_would_hardly_change_it(changes: dict[str, Measurement], sure: bool) -> None:
    assert graded(unit(None, (), **changes)).sure is sure


def test_no_word_of_the_law() -> None:
    """A tester's pass is not an inspection."""
    for path in (Path(__file__).parent.parent / "bench" / "data").rglob("*.toml"):
        text = path.read_text(encoding="utf-8").lower()
        assert "complian" not in text and "complies" not in text, path
