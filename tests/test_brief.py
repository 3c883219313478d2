"""The report in fourteen lines: it never grows, never says what the outcome does not, and shows figure, limit and mark."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from sample_records import HOSTILE, cases

from bench.conditions import ConditionVerdict, Kept
from bench.limits import Condition, Limit, Source
from bench.measure import BenchProof
from bench.outcome import Conclusion, Outcome
from bench.record import TestRecord
from bench.render.brief import MOST_LINES, brief_lines
from bench.uncertainty import Component, Estimate
from bench.verdict import Conformity


def crowded(record: TestRecord) -> TestRecord:
    """The same with everything that may be said in it, at length."""
    source = Source("own", "invented")
    conditions = tuple(
        ConditionVerdict("x", Condition("c", source), Kept.NOT_KEPT, f"condition {n} was not kept, at some length") for n in range(9)
    )
    conclusion = replace(record.conclusion, reason=f"{record.reason} " * 6, advice="Do this and that. " * 12, basis="memory L")
    proofs = tuple(BenchProof(item, False, "nothing was lit by which it could be seen") for item in ("lamps", "supply", "sense leads"))
    measured = replace(record.measured, proofs=proofs)
    return replace(record, conclusion=conclusion, conditions=conditions, measured=measured, setup=replace(record.setup, unit="U" * 200))


GOLDEN = Path(__file__).parent / "golden"


@pytest.mark.parametrize("name", sorted(cases()))
def test_short_reports_are_as_kept(name: str) -> None:
    """One that differs from its golden file is left beside it as .actual: look at it, and rename it if it is right."""
    kept, actual = GOLDEN / f"brief-{name}.txt", GOLDEN / f"brief-{name}.actual"
    text = "\n".join(brief_lines(cases()[name])) + "\n"
    actual.write_text(text, encoding="utf-8")
    assert kept.exists() and text == kept.read_text(encoding="utf-8"), f"compare {kept} with {actual}"
    actual.unlink()


@pytest.mark.parametrize("name", sorted(cases()))
@pytest.mark.parametrize("width", [60, 80, 100])
@pytest.mark.parametrize("full", [False, True])
def test_never_more_than_fourteen_lines_of_the_width(name: str, width: int, full: bool) -> None:
    record = crowded(cases()[name]) if full else cases()[name]
    lines = brief_lines(record, width, kept_in="records/x.json")
    assert len(lines) <= MOST_LINES
    assert max(map(len, lines)) <= width


@pytest.mark.parametrize("name", sorted(cases()))
def test_the_first_line_is_the_outcome_and_its_grade(name: str) -> None:
    record = cases()[name]
    first = brief_lines(record)[0]
    assert first.startswith(record.outcome.value.upper())
    assert ("GRADE" in first) == bool(record.conclusion.letter)


def test_figures_stand_beside_limits_with_a_mark() -> None:
    lines = {line[:16].strip(): line for line in brief_lines(cases()["fail"], 100)}
    assert lines["Flash rate"].endswith("FAIL") and "136.8" in lines["Flash rate"] and "60 to 120" in lines["Flash rate"]
    assert lines["On-time"].endswith("pass")
    assert lines["Contact drop"].endswith("FAIL")


def test_whatever_a_limit_judges_has_its_line() -> None:
    """A shop may judge any quantity; one of another load stands in the line of that load."""
    record = replace(cases()["pass"], conclusion=Conclusion(Outcome.GOOD, "Good.", "Sell."))
    kept = next(v for v in record.verdicts if v.conformity is Conformity.PASS)
    asked = {
        "dropouts": Estimate(2.0, "1", ()),
        "bounce_make_s": Estimate(0.0042, "s", (Component("u", 2e-5),)),
        "trailer_ratio": kept.found,
    }
    source = Source("own", "invented")
    limits = {"dropouts": Limit("dropouts", None, 3.0, "1", source), "bounce_make_s": Limit("bounce_make_s", None, 5e-3, "ms", source)}
    limits["trailer_ratio"] = Limit("trailer_ratio", None, 1.1, "%", source)
    verdicts = tuple(replace(kept, limit=limits[name], found=found) for name, found in asked.items())
    lines = brief_lines(replace(record, verdicts=(*record.verdicts, *verdicts, *verdicts)))
    assert [line for line in lines if line.startswith(("Drop-outs", "Bounce", "Rate ratio"))] == [
        "Drop-outs while lit   2                      max 3             pass",
        "Bounce at make        4.200 ± 0.040 ms       max 5 ms          pass",
    ]


def test_no_starting_time_is_shown_finer_than_a_millisecond() -> None:
    lines = {line[:16].strip(): line for line in brief_lines(cases()["pass"], 100)}
    assert "0.641 ± 0.001 s" in lines["Starting time"]


def test_what_is_cut_first_is_needed_least() -> None:
    record = crowded(cases()["fail"])
    short = replace(record, conclusion=replace(record.conclusion, reason="Rejected: too fast.", advice="Do not sell."))
    text = "\n".join(brief_lines(short, 100))
    assert "Rejected: too fast." in text and "Do not sell." in text
    assert "Tested " in text, "lamps and volts of the test are what every figure stands on"
    assert "One lamp out" not in text and "no limit named" not in text


def test_hostile_text_is_shown_and_not_obeyed() -> None:
    record = replace(cases()["hostile"], conclusion=Conclusion(Outcome.NOT_DECIDED, HOSTILE, HOSTILE))
    for line in brief_lines(record, 120):
        assert line.isprintable()
