"""Signs, large words, help and cautions of the bench screen: what is read from afar, and what the words mean."""

from __future__ import annotations

import asyncio
from dataclasses import replace
from pathlib import Path

import pytest
from rich.cells import cell_len
from sample_records import HOSTILE, cases
from stub_screen import StubApp, play, press, text_of
from textual.pilot import Pilot

from bench.cli.exit_codes import EXIT_CODES
from bench.measure import QUANTITIES
from bench.outcome import Outcome
from bench.record import BoardRecord, SimulationRecord
from bench.render.cautions import BEFORE_POWER, NO_INSPECTION
from bench.render.names import OUTCOMES
from bench.tui import state
from bench.tui.choices import Choices
from bench.tui.details import Details
from bench.tui.help import KEYS as EXPLAINED
from bench.tui.help import Help, grade_rows
from bench.tui.large import DOTS, GLYPHS, large
from bench.tui.overlays import KEYS, overlay
from bench.tui.signs import CONFORMITY_SIGNS, SIGNS, Sign, sign_of
from bench.tui.state import Practising
from bench.tui.wrapped import cut, padded, wrapped
from bench.verdict import Conformity


def a_test(name: str) -> state.Tested:
    return state.Tested(cases()[name])


def test_each_outcome_has_a_sign_of_its_own() -> None:
    assert set(SIGNS) == set(OUTCOMES) == set(Outcome)
    assert set(CONFORMITY_SIGNS) == set(Conformity)
    for signs in (SIGNS, CONFORMITY_SIGNS):
        assert len({sign.mark for sign in signs.values()}) == len(signs)
        assert len({sign.word for sign in signs.values()}) == len(signs)
        assert all(cell_len(sign.mark) == 1 for sign in signs.values())


def test_a_word_is_the_outcome_s_own() -> None:
    for outcome, sign in SIGNS.items():
        assert sign.word.replace("NOT FOR THIS", "BUT NOT FOR THIS") == outcome.value.upper()
    for conformity, sign in CONFORMITY_SIGNS.items():
        assert sign.word == conformity.value.upper()


def test_signs_of_records() -> None:
    words = {name: sign_of(one).word for name, one in cases().items()}
    assert words == {
        "pass": "GOOD",
        "near-the-limit": "NOT DECIDED",
        "fail": "NOT GOOD",
        "dark": "NOT GOOD",
        "bench-fault": "BENCH FAULT",
        "interrupted": "NOT DECIDED",
        "two-sets": "NOT DECIDED",
        "hostile": "BENCH FAULT",
    }


def test_help_says_the_words_of_the_exit_codes() -> None:
    said = {line[7:] for line in EXIT_CODES.splitlines()}
    for outcome in Outcome:
        assert any(line.startswith(outcome.value) for line in said), outcome


def test_each_key_that_opens_a_screen_opens_its_own_and_is_explained() -> None:
    explained = {key for key, _ in EXPLAINED}
    for key in KEYS:
        screen = overlay(key, state.State(None, Choices()), a_test("pass"))
        assert screen is not None and key == screen.KEY
        assert key in explained, f"{key} is not in the help (bench/tui/help.py)"


def test_grades_are_those_of_the_rule_that_is_chosen(tmp_path: Path) -> None:
    assert [name for name, _, _ in grade_rows("default")] == ["A", "B", "C", "R"]
    assert all(says for _, says, _ in grade_rows("default"))
    assert "no grade rule" in grade_rows("none")[0][1]
    assert "cannot be read" in grade_rows(str(tmp_path / "gone.toml"))[0][1]


# Large letters.


def test_every_glyph_is_seven_dots_tall_and_straight() -> None:
    for letter, rows in GLYPHS.items():
        assert len(rows) == DOTS, letter
        assert len({len(row) for row in rows}) == 1, letter
        assert set("".join(rows)) <= {".", "#"}
    assert len(set(GLYPHS.values())) == len(GLYPHS)
    assert {chr(code).upper() for code in range(ord("!"), 0x7F)} < set(GLYPHS), "no number of ASCII falls to small letters"
    assert {sign.mark for sign in SIGNS.values()} < set(GLYPHS)


def test_a_zero_is_taken_for_no_other_letter() -> None:
    """Whoever misses two dots of a 0, from afar, must not see a 6, 8, 9 or O."""
    zero = GLYPHS["0"]
    for letter in "6893ODQ":
        other = [row.ljust(len(zero[0]), ".") for row in GLYPHS[letter]]
        shifted = [f".{row}"[: len(zero[0])] for row in other]
        for drawn in (other, shifted) if letter not in "OQ" else (other,):
            assert sum(a != b for rows in zip(zero, drawn, strict=True) for a, b in zip(*rows, strict=True)) > 2


def test_a_long_number_is_broken_and_stays_large() -> None:
    assert large("0124-56789-ABCDEFG-0124-H", 74, 8)
    assert len(large("0124-56789-ABCDEFG", 60, 8)) == 8


@pytest.mark.parametrize(("width", "height"), [(80, 8), (78, 7), (120, 15), (200, 30), (30, 12), (24, 4)])
@pytest.mark.parametrize("word", ["GOOD", "≠ GOOD, NOT FOR THIS LOAD", "NOT DECIDED", "A", "R 2"])
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
    # Where each word on a line of its own would be too many lines, some stand together.
    two_lines = large("GOOD, NOT FOR THIS LOAD", 80, 8)
    assert len(two_lines) == 8
    assert max(map(len, two_lines)) > 50


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
        for sign in CONFORMITY_SIGNS.values():
            assert f"{sign.mark} {sign.word.lower()}" in pages
        for letter in "ABCR":
            assert any(line.strip().startswith(f"{letter} ") for line in pages.splitlines()), letter
        for caution in (*BEFORE_POWER, NO_INSPECTION):
            assert caution in pages
        for quantity in QUANTITIES.values():
            assert quantity.definition.split(";")[0] in pages, quantity.title
        assert "Scan or type the unit's number" in await press(pilot, "home")

    asyncio.run(play(StubApp(Help), script, (200, 50)))


def test_the_report_is_read_by_pages_and_shows_uncertainties_on_request() -> None:
    async def script(app: StubApp, pilot: Pilot[None]) -> None:
        seen = text_of(app)
        assert "✗ NOT GOOD" in seen
        assert "NOT KEPT" in seen
        assert "Uncertainty budget" not in await press(pilot, "end")
        await press(pilot, "tab", "end")
        all_of_it = "".join([await press(pilot, "home"), *[await press(pilot, "pagedown") for _ in range(5)]])
        assert "Uncertainty budget" in all_of_it
        assert "scatter of the cycles" in all_of_it
        assert NO_INSPECTION[:40] in await press(pilot, "end")

    asyncio.run(play(StubApp(lambda state: Details(state, a_test("fail"))), script, (100, 30)))


def test_a_hostile_record_is_shown_and_not_obeyed() -> None:
    async def script(app: StubApp, pilot: Pilot[None]) -> None:
        seen = "".join([text_of(app), await press(pilot, "pagedown")])
        assert "\x1b" not in seen
        assert "\u202e" not in seen
        assert "[/b]\\x1b[2J" in seen

    assert HOSTILE in cases()["hostile"].reason
    asyncio.run(play(StubApp(lambda state: Details(state, a_test("hostile"))), script, (100, 30)))


def test_the_report_keeps_a_mystery() -> None:
    mystery = Practising("sim://bench-nc-slow?seed=3&pace=real", False, True)
    one = a_test("pass")
    board = BoardRecord(mystery.address, simulation=SimulationRecord("bench-nc-slow"))
    hidden = replace(one, record=replace(one.record, board=board))

    async def script(app: StubApp, pilot: Pilot[None]) -> None:
        assert "bench-nc-slow" not in text_of(app)
        assert "simulated unit not told yet" in text_of(app)

    asyncio.run(play(StubApp(lambda state: Details(state, hidden), practice=mystery), script))
