"""What people read: reports against golden files, numbers whose rounding does not lie, text that cannot do harm."""

from __future__ import annotations

import re
from io import StringIO
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.console import Console
from sample_records import HOSTILE, cases, estimate, record

from bench import files
from bench.limits import FactLimit, Limit, Source
from bench.plain import one_line
from bench.render.cautions import NO_INSPECTION
from bench.render.facts import fact_text
from bench.render.limit_set import limit_set_report
from bench.render.names import averaging_text
from bench.render.quantities import quantity_of, uncertainty_of
from bench.render.report import report, report_text
from bench.render.rows import judged_rows, measured_rows, not_measured
from bench.render.steps import duration_text, step_text
from bench.render.values import in_unit, limit_text, risk_text, source_text, value_text
from bench.uncertainty import Component, Estimate

GOLDEN = Path(__file__).parent / "golden"
FROM_MEMORY = Source("memory", "recalled", confidence="L")


@pytest.mark.parametrize("name", sorted(cases()))
def test_reports_are_as_kept(name: str) -> None:
    """A report that differs from its golden file is left beside it as .actual: look at it, and rename it if it is right."""
    kept, actual = GOLDEN / f"report-{name}.txt", GOLDEN / f"report-{name}.actual"
    text = report_text(cases()[name], budget=name == "pass")
    actual.write_text(text, encoding="utf-8")
    assert kept.exists() and text == kept.read_text(encoding="utf-8"), f"compare {kept} with {actual}"
    actual.unlink()


@pytest.mark.parametrize("name", sorted(cases()))
@pytest.mark.parametrize("width", [60, 80, 100])
def test_no_line_is_wider_than_asked(name: str, width: int) -> None:
    assert max(len(line) for line in report_text(cases()[name], width).splitlines()) <= width


@pytest.mark.parametrize("name", sorted(cases()))
def test_colour_tells_nothing_that_words_do_not(name: str) -> None:
    out = StringIO()
    Console(file=out, width=80, force_terminal=True, color_system="truecolor", legacy_windows=False).print(report(cases()[name]))
    coloured = out.getvalue()
    assert "\x1b[" in coloured
    bare = "\n".join(line.rstrip() for line in re.sub(r"\x1b\[[\d;]*m", "", coloured).splitlines()) + "\n"
    assert bare == report_text(cases()[name], 80)


def test_the_caution_is_under_every_report() -> None:
    words = NO_INSPECTION.split()
    for name, one in cases().items():
        assert words == report_text(one).split()[-len(words) :], name


def test_no_report_says_that_a_law_is_kept() -> None:
    assert not [name for name, one in cases().items() if re.search(r"compl(y|ies|iant)", report_text(one), re.IGNORECASE)]


@given(st.text())
def test_one_line_is_one_printable_line(text: str) -> None:
    shown = one_line(text)
    assert len(shown.splitlines()) <= 1
    assert shown.isprintable()


def test_hostile_text_is_shown_and_not_obeyed() -> None:
    assert one_line(HOSTILE) == r"[/b]\x1b[2J\u202eBAD name <script>alert(1)</script>"
    assert one_line("Größe 3 µΩ") == "Größe 3 µΩ"


@pytest.mark.parametrize(
    ("value", "u", "low", "high", "shown"),
    [
        (107.93, 0.06, 60.0, 120.0, "107.93 ± 0.12 /min"),
        (120.004, 0.06, 60.0, 120.0, "120.004 ± 0.12 /min"),
        (119.9996, 0.06, 60.0, 120.0, "119.9996 ± 0.12 /min"),
        (120.0, 0.06, 60.0, 120.0, "120.00 ± 0.12 /min"),
        (120.0, 0.0, None, 120.0, "120 /min"),
    ],
)
def test_a_value_shows_its_side_of_the_limit(value: float, u: float, low: float | None, high: float | None, shown: str) -> None:
    found = Estimate(value, "1/min", (Component("clock", u),) if u else ())
    assert value_text(found, Limit("rate_per_min", low, high, "1/min", FROM_MEMORY)) == shown


@given(
    value=st.floats(0.5, 0.999999) | st.sampled_from([0.546875, 0.55, 0.5500000000000002]),
    edge=st.sampled_from([0.3, 0.55, 0.7, 0.75]),
    u=st.floats(1e-6, 0.1),
)
def test_a_change_of_unit_changes_no_side(value: float, edge: float, u: float) -> None:
    limit = Limit("on_ratio", None, edge, "%", FROM_MEMORY)
    shown = float(value_text(in_unit(estimate(value, "1", u), "%"), limit).split()[0])
    printed_edge = float(limit_text(limit).split()[1])
    assert (shown > printed_edge, shown < printed_edge) == (value > edge, value < edge)


def test_limits_are_shown_as_they_were_written() -> None:
    assert limit_text(Limit("rate_per_min", 60.0, 120.0, "Hz", FROM_MEMORY)) == "1 to 2 Hz"
    assert limit_text(Limit("on_ratio", 0.3, 0.75, "%", FROM_MEMORY)) == "30 to 75 %"
    assert limit_text(Limit("outage_ratio", 1.75, None, "%", FROM_MEMORY)) == "min 175 %"
    assert limit_text(Limit("drop_v", None, 0.5, "mV", FROM_MEMORY)) == "max 500 mV"
    assert limit_text(FactLimit("pilot", ("in step", "absent"), "pilot", FROM_MEMORY)) == "in step or absent"


def test_a_unit_of_another_quantity_is_refused() -> None:
    with pytest.raises(ValueError, match="'mV' is no unit for a value in 'A'"):
        in_unit(estimate(1.0, "A", 0.1), "mV")


def test_sources_say_how_well_they_are_known() -> None:
    assert source_text(FROM_MEMORY) == "recalled [from memory, confidence low]"
    assert source_text(Source("read", "StVZO section 54", "(1)", note="1.5 Hz")) == "StVZO section 54, (1) [read in the source]; 1.5 Hz"


def test_a_risk_is_never_shown_smaller_than_it_is() -> None:
    assert [risk_text(p) for p in (0.0, 0.000999, 0.001, 0.0101, 0.0419, 0.5)] == [
        "< 0.1 %",
        "< 0.1 %",
        "0.1 %",
        "1.1 %",
        "4.2 %",
        "50.0 %",
    ]


def test_every_value_is_in_one_table_or_has_its_reason() -> None:
    for name, one in cases().items():
        shown = {row.title for row in judged_rows(one)} | {row.title for row in measured_rows(one)}
        shown |= {title for titles in not_measured(one).values() for title in titles}
        from bench.measure import QUANTITIES

        assert {QUANTITIES[quantity].full_title for quantity in one.measured.values} <= shown, name


def test_rates_and_temperatures_as_quantities() -> None:
    rate = quantity_of(estimate(90.0, "1/min", 0.3))
    assert rate.to("Hz").magnitude == pytest.approx(1.5)
    assert str(uncertainty_of(estimate(90.0, "1/min", 0.3)).units) == "1 / minute"
    warm = estimate(24.0, "degC", 0.5)
    assert quantity_of(warm).to("kelvin").magnitude == pytest.approx(297.15)
    assert uncertainty_of(warm).to("kelvin").magnitude == pytest.approx(0.5)


def test_every_unit_of_every_quantity_is_known_to_pint() -> None:
    from bench.measure import QUANTITIES

    for quantity in QUANTITIES.values():
        assert quantity_of(estimate(1.0, quantity.unit, 0.1)).magnitude == 1.0


def test_every_limit_set_and_procedure_can_be_shown() -> None:
    console = Console(file=StringIO(), width=80)
    for limit_set in files.limit_sets():
        console.print(limit_set_report(limit_set))
    shown = str(console.file.getvalue())  # type: ignore[attr-defined]
    assert all(limit_set.title[:20] in shown for limit_set in files.limit_sets())
    for name in files.shipped("procedures"):
        assert all(step_text(step) for step in files.procedure(name).steps)


def test_a_limit_set_shows_what_is_checked_and_what_is_in_doubt() -> None:
    console = Console(file=StringIO(), width=400)
    console.print(limit_set_report(files.named_limits("us-turn-closed-2")[1][0]))
    shown = str(console.file.getvalue())  # type: ignore[attr-defined]
    assert "min 90 /min, in doubt: fails no unit" in shown and shown.count("in doubt") == 1
    assert "24 +- 5 degC; checked: 12.5 to 13.1 V, 19 to 29 °C (SAE" in shown
    assert "mean of 3 starts; checked: 3 starts; only for: starting time (SAE" in shown
    assert "from supply to lamps; not checked (SAE" in shown


def test_steps_say_how_they_begin_and_end() -> None:
    text = {step.name: step_text(step) for step in files.procedure("decide").steps}
    assert text["rated"] == "load: rated, one cold start, after 10 s off, 105 flashes at most, until decided, at most 150 s"
    assert "switched live while the unit flashes, 7 flashes or more" in text["one-out"]
    starts = "further cold starts of step rated, as many as the limits ask, after 5 min off (10 s for an electronic or two-coil unit)"
    assert starts in text["starts"]


def test_durations() -> None:
    assert [duration_text(s) for s in (0.5, 10.0, 90.0, 300.0, 7200.0)] == ["0.5 s", "10 s", "90 s", "5 min", "2 h"]


def test_a_grade_says_what_decided_and_what_kept_it_from_another() -> None:
    one = record()
    assert one.grade is not None and len(one.grade.kept_from) > 1
    shown = " ".join(report_text(one).split()).lower()
    assert all(text.lower() in shown for text in (*one.grade.because, *one.grade.kept_from))


def test_every_limit_set_is_shown_with_its_edition_and_averaging() -> None:
    one = record(limit_sets=("germany", "sae-j945"))
    shown = " ".join(report_text(one).split())
    for used in one.limit_sets:
        assert f"{used.name}: {used.title} ({used.edition})" in shown
        assert averaging_text(used.averaging) in shown


def test_every_fact_and_word_of_the_rules_has_plain_words() -> None:
    assert fact_text("behaviour", "steady on") == "lit steadily"
    assert fact_text("outage", "steady on") == "with one lamp out lit steadily"
    assert fact_text("pilot", "dead") == "nothing at the pilot terminal, if it has one"
    assert fact_text("insulation", "good") == "insulation good"
