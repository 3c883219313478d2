"""The verdict over the whole screen: large enough for two metres, complete, and never more than the record says."""

from __future__ import annotations

import asyncio
import re
from dataclasses import replace
from pathlib import Path

import pytest
from rich.cells import cell_len
from sample_records import HOSTILE, cases, estimate, good_values
from sample_records import record as sample_record
from stub_screen import StubApp, play, text_of
from textual.pilot import Pilot

from bench.grade import Grade
from bench.outcome import Conclusion, Outcome
from bench.record import BoardRecord, TestRecord
from bench.render.cautions import NO_INSPECTION
from bench.render.report import report_text
from bench.tui import state
from bench.tui.choices import Choices
from bench.tui.grid import MARGIN, PageGrid
from bench.tui.large import large
from bench.tui.outcome_page import VerdictView, verdict_lines
from bench.tui.ready import ready_lines
from bench.tui.session_rows import counts_lines
from bench.tui.signs import SIGNS, sign_of

SIZES = [(80, 21), (80, 24), (120, 37), (200, 60)]
BLOCKS = set("▀▄█")


def shown(record: TestRecord, path: Path | None = Path("kept/DEMO-1.json"), problem: str = "") -> state.Tested:
    return state.Tested(record, path, problem=problem)


def lines(record: TestRecord, width: int, height: int) -> list[str]:
    return [line.plain for line in verdict_lines(shown(record), width, height, {})]


def graded(record: TestRecord, letter: str) -> TestRecord:
    return replace(record, conclusion=replace(record.conclusion, grade=Grade(letter, "a title", "default", (), "A wording.")))


def with_outcome(outcome: Outcome) -> TestRecord:
    return replace(cases()["pass"], conclusion=Conclusion(outcome, "A reason.", "An advice."))


@pytest.mark.parametrize(("width", "height"), SIZES)
@pytest.mark.parametrize("name", cases())
def test_everything_fits(name: str, width: int, height: int) -> None:
    found = lines(cases()[name], width, height)
    assert len(found) <= height
    assert all(cell_len(line) <= width for line in found)


@pytest.mark.parametrize(("width", "height"), SIZES)
@pytest.mark.parametrize("outcome", Outcome)
def test_the_word_is_five_rows_tall_or_more(outcome: Outcome, width: int, height: int) -> None:
    record = graded(with_outcome(outcome), "C")
    found = lines(record, width, height)
    meaning = next(number for number, line in enumerate(found) if f"{sign_of(record).mark} {sign_of(record).word}:" in line)
    tall = [line for line in found[:meaning] if BLOCKS & set(line)]
    assert len(tall) >= 5
    assert len(tall) >= min(0.2 * height, 7)
    assert any("GRADE" in line for line in found)
    beside = [line for line in found[meaning:] if BLOCKS & set(line[: width // 2])]
    assert len(beside) >= 5


def test_good_for_another_load_is_not_shown_as_good() -> None:
    record = with_outcome(Outcome.NOT_FOR_LOAD)
    for width, height in SIZES:
        found = "\n".join(lines(record, width, height))
        assert "≠ GOOD, NOT FOR THIS LOAD: it flashes right on other lamps, not on these" in found
        alone = [row.strip() for row in large("✓ GOOD", width, 7)]
        assert not all(row in found for row in alone)
        assert "An advice." in found and NO_INSPECTION.split()[0] in found


def test_the_letter_is_the_conclusion_s() -> None:
    record = cases()["pass"]
    assert record.conclusion.letter == "B"
    assert all("GRADE B: good" in "\n".join(lines(record, *size)) for size in SIZES), "a grade is never shown without its meaning"
    ungraded = replace(record, conclusion=replace(record.conclusion, grade=None))
    found = "\n".join(lines(ungraded, 120, 37))
    assert "NO GRADE" in found and "GRADE B" not in found


@pytest.mark.parametrize("name", ["pass", "fail", "near-the-limit", "bench-fault", "interrupted"])
def test_it_says_why_what_next_and_what_was_tested(name: str) -> None:
    record = cases()[name]
    for size in SIZES:
        found = " ".join(" ".join(lines(record, *size)).replace("█", " ").replace("▀", " ").replace("▄", " ").split())
        # The lines of the text are cut by the grade beside them, so a word at a time is looked for.
        caution = NO_INSPECTION.split() if record.outcome is Outcome.GOOD else []
        said = {*record.reason.split(), *record.conclusion.advice.split(), "Next:", "SIMULATED"}
        # On a small terminal the gauges go before what is in the band and the report too.
        said |= {"DEMO-1.", "us-turn-closed-2.", "quick,", "Kept"} if size[1] >= 37 else set()
        for word in {*said, *caution}:
            assert word in found, (size, word)
        assert caution or "inspection" not in found, "only who passes could be misunderstood"


def two_failed() -> TestRecord:
    bad = {**good_values(), "rate_per_min": estimate(136.8, "1/min", 0.07), "drop_v": estimate(0.62, "V", 0.01)}
    return sample_record(bad, ("un-r48", "sae-j945"))


@pytest.mark.parametrize(("width", "height"), SIZES)
def test_failing_gauges_come_first_and_each_limit_is_named_once(width: int, height: int) -> None:
    found = lines(two_failed(), width, height)
    text = " ".join(" ".join(found).split())
    gauges = [number for number, line in enumerate(found) if "┃" in line]
    failed = [number for number in gauges if "✗ outside" in found[number]]
    assert len(failed) == 2 and failed[0] == gauges[0] + (height >= 37), "large where there is room"
    assert all(number > max(failed) for number in gauges if "✓ inside" in found[number])
    assert text.count("136.80 ± 0.15 flashes a minute") == 1 and text.count("0.620 ± 0.022 V") == 1
    assert text.lower().count("too fast") == 1 and text.lower().count("loses too much voltage") == 1


def test_what_was_not_judged_says_why_on_its_line() -> None:
    assert "Too fast: 136.80" in "\n".join(lines(two_failed(), 80, 20)), "what failed is said, if there is no room for its gauge"
    found = lines(two_failed(), 120, 37)
    (longest,) = (line for line in found if "longest start" in line)
    assert "? NOT MEASURED: not part of this test" in longest
    few_starts = [line for line in found if "starting time" in line and "figures are for 3" in line]
    assert all("? OPEN:" in line for line in few_starts), "what has a value is not called not measured"
    assert any(line.strip().startswith("and ") and "F5 shows the whole report" in line for line in lines(two_failed(), 80, 21))


def test_both_pages_stand_on_one_grid() -> None:
    record = cases()["pass"]
    state_now = state.State(None, Choices(), session=[shown(record)])
    for width, height in SIZES:
        verdict = verdict_lines(shown(record), width, height, {})
        ready = ready_lines(state_now, width, height, {})
        assert len(verdict) == len(ready) == height
        (sentence,) = (number for number, line in enumerate(verdict) if line.plain.startswith("   ✓ GOOD:"))
        assert ready[sentence].plain == "   Looking for the board ..."
        middle = sentence + 1 + PageGrid(width, height).is_roomy
        assert verdict[middle].plain.index("Good:") == PageGrid(width, height).side + 2 * MARGIN
        assert ready[middle].plain.startswith("   ✓ GOOD") and verdict[middle].plain.startswith("   GRADE B")
    coloured = verdict_lines(shown(record), 120, 37, {"good": "red"})
    (reason,) = (line for line in coloured if "Good: 107" in line.plain)
    at = reason.plain.index("Good: 107")
    assert not any("red" in str(span.style) and span.end > at for span in reason.spans) and not reason.style, (
        "the grade's colour ends with it"
    )
    text = "\n".join(line.plain for line in ready_lines(state_now, 120, 37, {}))
    assert "✓ GOOD" in text and "GRADE B: good" in text and "B 1 █" in text


def test_the_bar_counts_every_test_once_and_reads_without_colour() -> None:
    tests = [shown(cases()[name]) for name in ("pass", "pass", "pass", "fail", "bench-fault", "interrupted")]
    heading, bar = (line.plain for line in counts_lines(tests, 100, {}))
    assert heading.startswith("6 tests:") and "B: good" in heading and "R: reject" in heading
    assert [int(count) for count in re.findall(r" (\d+) [█▓▒░]", bar)] == [3, 1, 1, 1]
    assert bar.count("█") == 3 * bar.count("▓") or abs(bar.count("█") - 3 * bar.count("▓")) <= 3
    assert "bench fault 1 ░" in bar and "not decided 1 ▒" in bar and cell_len(bar) <= 100
    assert all(cell_len(line.plain) <= 30 for line in counts_lines(tests, 30, {}))


def test_a_simulated_record_says_so_and_a_real_one_does_not() -> None:
    record = cases()["pass"]
    assert "SIMULATED board: no real unit was tested." in "\n".join(lines(record, 120, 37))
    assert "SIMULATED" not in "\n".join(lines(replace(record, board=BoardRecord("socket://x")), 120, 37))


def test_where_it_is_kept_or_that_it_is_not() -> None:
    record = cases()["pass"]
    assert "Kept as DEMO-1.json" in " ".join(" ".join(lines(record, 120, 37)).split())
    assert "NOT KEPT  the disk is full" in "\n".join(
        line.plain for line in verdict_lines(shown(record, None, "the disk is full"), 80, 21, {})
    )
    assert "NOT KEPT" in "\n".join(line.plain for line in verdict_lines(shown(record, None), 80, 21, {}))


def test_a_small_window_keeps_word_and_reason() -> None:
    for height in range(3, 12):
        found = lines(cases()["fail"], 40, height)
        assert len(found) <= height
        assert "✗ NOT GOOD" in "\n".join(found)


def with_hostile_grade() -> TestRecord:
    record = cases()["hostile"]
    given = Grade(HOSTILE, HOSTILE, HOSTILE, (HOSTILE,), HOSTILE, (HOSTILE,))
    return replace(record, conclusion=replace(record.conclusion, grade=given, advice=HOSTILE))


def test_hostile_text_is_shown_and_not_obeyed() -> None:
    found = "\n".join(lines(with_hostile_grade(), 120, 37))
    assert "\x1b" not in found
    assert "\u202e" not in found
    assert "[/b]\\x1b[2J" in found


def test_a_grade_that_cannot_be_drawn_is_written() -> None:
    assert "Über" in "\n".join(lines(graded(cases()["pass"], "Über"), 80, 21))


@pytest.mark.parametrize("name", ["pass", "fail", "near-the-limit", "bench-fault"])
def test_the_ground_repeats_the_sign(name: str) -> None:
    view = VerdictView()
    record = cases()[name]

    async def script(app: StubApp, pilot: Pilot[None]) -> None:
        view.show(shown(record))
        await pilot.pause()
        ground = app.theme_variables[sign_of(record).ground]
        assert view.styles.background.hex.lower() == ground.lower()
        assert f"{sign_of(record).mark} {sign_of(record).word}" in text_of(app)
        assert [v for v in ("good", "bad", "doubt", "fault") if view.has_class(v)] == [sign_of(record).variable]

    asyncio.run(play(StubApp(lambda _: view), script, (80, 24)))


def test_every_ground_is_a_colour_of_the_theme() -> None:
    from bench.tui.theme import THEMES

    for theme in THEMES.values():
        assert {name for sign in SIGNS.values() for name in (sign.variable, sign.ground)} <= set(theme.variables)


@pytest.mark.parametrize(("rating", "said"), [("known", "rated load 2x21,"), (None, "on 2 x 21 W, rated load not known,")])
def test_a_load_that_was_only_tried_is_not_called_rated(rating: str | None, said: str) -> None:
    record = cases()["pass"]
    facts = {fact: word for fact, word in record.measured.facts.items() if fact != "rating"}
    if rating is not None:
        facts["rating"] = rating
    record = replace(record, measured=replace(record.measured, facts=facts))
    assert said in " ".join(line.strip() for line in lines(record, 200, 60))
    assert (f"(rated load {'2x21' if rating else 'not known'})") in " ".join(report_text(record).split())
