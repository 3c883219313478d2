"""Signs, large words, help and cautions of the bench screen: what is read from afar, and what the words mean."""

from __future__ import annotations

import asyncio
from dataclasses import replace

import pytest
from rich.cells import cell_len
from sample_records import HOSTILE, cases, record, with_value
from stub_screen import StubApp, play, press, text_of
from textual.pilot import Pilot

from bench import files
from bench.grade import Grade
from bench.measure import QUANTITIES, BenchFault
from bench.render.cautions import BEFORE_POWER, NO_INSPECTION
from bench.render.standing import Standing, standing
from bench.session import Setup
from bench.tui import state
from bench.tui.details import Details
from bench.tui.help import Help, name_of
from bench.tui.large import DOTS, GLYPHS, large
from bench.tui.signs import MEANINGS, SIGNS, Sign, grade_letter, next_step, sign_of
from bench.tui.state import Practising
from bench.tui.wrapped import cut, padded, wrapped
from bench.uncertainty import NotMeasured
from bench.verdict import Conformity


def a_test(name: str) -> state.Tested:
    return state.Tested(cases()[name], Setup("DEMO-1"), files.procedure("quick"))


def test_each_result_has_a_sign_of_its_own() -> None:
    assert set(SIGNS) == set(MEANINGS) == set(Standing)
    assert len({sign.mark for sign in SIGNS.values()}) == len(SIGNS)
    assert len({sign.word for sign in SIGNS.values()}) == len(SIGNS)
    assert all(cell_len(sign.mark) == 1 for sign in SIGNS.values())
    assert [standing for standing, sign in SIGNS.items() if sign.is_bench] == [Standing.BENCH_FAULT]


def test_signs_of_records() -> None:
    words = {name: sign_of(one).word for name, one in cases().items()}
    assert words == {
        "pass": "PASS",
        "near-the-limit": "CONDITIONAL FAIL",
        "fail": "FAIL",
        "dark": "FAIL",
        "bench-fault": "BENCH FAULT",
        "interrupted": "NOT FINISHED",
        "two-sets": "NOT MEASURED",
        "hostile": "BENCH FAULT",
    }


def test_a_definite_verdict_stands_though_the_test_was_not_finished() -> None:
    failed = replace(cases()["fail"], interrupted="cancelled by the operator after 4.2 s")
    assert failed.outcome is Conformity.FAIL
    assert standing(failed) is Standing.FAIL


def test_what_to_do_next() -> None:
    assert next_step(cases()["fail"]).startswith("Do not sell.")
    assert next_step(cases()["interrupted"]) == "Nothing was decided: Enter tests it again."
    # The reason says already what is wrong with the bench.
    assert next_step(cases()["bench-fault"]) == "Put the bench right, then test the same unit again."
    pulled = BenchFault("port-lost", "the cable is out", spoils=False)
    broken = record(bench_faults=(pulled,), interrupted=pulled.text)
    assert next_step(broken) == "The cable is out. Put that right, then test the same unit again."
    lost = record(with_value("start_s", NotMeasured("samples were lost during the start", "bench")))
    assert standing(lost) is Standing.BENCH_FAULT
    assert "test the same unit again" in next_step(lost)


def test_a_pass_without_a_grade_is_not_called_open() -> None:
    ungraded = cases()["pass"]
    assert grade_letter(ungraded) == ""
    assert next_step(ungraded) == "It keeps every limit; no grade was given."
    assert next_step(replace(ungraded, grade=None)) == next_step(ungraded)


def test_every_sign_says_what_next() -> None:
    for outcome in Conformity:
        for grade in (None, Grade("none", "not graded", "default", (), "Nothing can be said yet.")):
            assert next_step(replace(cases()["pass"], outcome=outcome, grade=grade))


# Large letters.


def test_every_glyph_is_seven_dots_tall_and_straight() -> None:
    for letter, rows in GLYPHS.items():
        assert len(rows) == DOTS, letter
        assert len({len(row) for row in rows}) == 1, letter
        assert set("".join(rows)) <= {".", "#"}
    assert len(set(GLYPHS.values())) == len(GLYPHS)
    assert set("ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789") < set(GLYPHS)
    assert {sign.mark for sign in SIGNS.values()} < set(GLYPHS)


@pytest.mark.parametrize(("width", "height"), [(80, 8), (78, 7), (120, 15), (200, 30), (30, 12), (24, 4)])
@pytest.mark.parametrize("word", ["PASS", "○ CONDITIONAL PASS", "NOT FINISHED", "A", "R 2"])
def test_a_large_word_fits(word: str, width: int, height: int) -> None:
    rows = large(word, width, height)
    assert len(rows) <= height
    assert len({len(row) for row in rows}) <= 1
    assert all(len(row) <= width for row in rows)
    assert set("".join(rows)) <= set(" ▀▄█")


@pytest.mark.parametrize("sign", SIGNS.values(), ids=lambda sign: sign.word)
def test_every_word_is_five_rows_tall_on_a_small_terminal(sign: Sign) -> None:
    assert len(large(f"{sign.mark} {sign.word}", 80, 8)) >= 5


def test_a_large_letter_drawn_by_hand() -> None:
    assert large("L", 4, 4) == ["█   ", "█   ", "█   ", "▀▀▀▀"]
    assert large("l", 9, 7) == ["██      "] * 6 + ["████████"]


def test_words_stand_one_over_the_other_where_that_is_larger() -> None:
    rows = large("BENCH FAULT", 60, 16)
    assert len(rows) == 15
    assert not rows[7].strip()


def test_what_cannot_be_drawn_is_not_drawn() -> None:
    assert large("PASS", 10, 2) == []
    assert large("", 80, 24) == []
    assert large("Ä", 80, 24) == []


def test_lines_are_cut_by_cells() -> None:
    assert wrapped("one two three", 7) == ["one two", "three"]
    assert all(cell_len(line) <= 10 for line in wrapped("名" * 40, 10))
    assert cut("measured", 5) == "meas…"
    assert cut("measured", 8) == "measured"
    assert padded("ab", 4) == "ab  "
    assert padded("ab", 4, right=True) == "  ab"


# Help and details.


def test_help_says_all_words_and_the_cautions_word_for_word() -> None:
    async def script(app: StubApp, pilot: Pilot[None]) -> None:
        seen = text_of(app)
        assert "Scan or type the unit's number" in seen
        pages = seen
        for _ in range(8):
            pages += "\n" + await press(pilot, "pagedown")
        for sign in SIGNS.values():
            assert f"{sign.mark} {sign.word}" in pages
        for caution in (*BEFORE_POWER, NO_INSPECTION):
            assert caution in pages
        for quantity in QUANTITIES.values():
            assert quantity.definition.split(";")[0] in pages, name_of(quantity)
        assert "Scan or type the unit's number" in await press(pilot, "home")

    asyncio.run(play(StubApp(Help()), script, (200, 50)))


def test_the_report_is_read_by_pages_and_shows_uncertainties_on_request() -> None:
    async def script(app: StubApp, pilot: Pilot[None]) -> None:
        seen = text_of(app)
        assert "✗ FAIL" in seen
        assert "NOT KEPT" in seen
        assert "Uncertainty budget" not in await press(pilot, "end")
        await press(pilot, "tab", "end")
        all_of_it = "".join([await press(pilot, "home"), *[await press(pilot, "pagedown") for _ in range(5)]])
        assert "Uncertainty budget" in all_of_it
        assert "scatter of the cycles" in all_of_it
        assert NO_INSPECTION[:40] in await press(pilot, "end")

    asyncio.run(play(StubApp(Details(a_test("fail"))), script, (100, 30)))


def test_a_hostile_record_is_shown_and_not_obeyed() -> None:
    async def script(app: StubApp, pilot: Pilot[None]) -> None:
        seen = "".join([text_of(app), await press(pilot, "pagedown")])
        assert "\x1b" not in seen
        assert "\u202e" not in seen
        assert "[/b]\\x1b[2J" in seen

    assert HOSTILE in cases()["hostile"].reason
    asyncio.run(play(StubApp(Details(a_test("hostile"))), script, (100, 30)))


def test_the_report_keeps_a_mystery() -> None:
    mystery = Practising("sim://bench-nc-slow?seed=3&pace=real", False, True)
    one = a_test("pass")
    board = {"address": mystery.address, "simulated unit": "bench-nc-slow"}
    hidden = replace(one, record=replace(one.record, board=board))

    async def script(app: StubApp, pilot: Pilot[None]) -> None:
        assert "bench-nc-slow" not in text_of(app)
        assert "simulated unit not told yet" in text_of(app)

    asyncio.run(play(StubApp(Details(hidden), practice=mystery), script))
